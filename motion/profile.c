/* SPDX-License-Identifier: GPL-3.0-or-later
 * The profile language: blocks, variables, and the outer level. The statements
 * that move are in profile_moves.c. */
#include "motion/profile.h"
#include "motion/profile_parts.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

const struct profile_word profile_words[] = {
    {"title", "title \"Cling lag at four speeds\""},
    {"start", "start at 10 mm"},
    {"ramp", "ramp to 150 mm at 20 mm/s"},
    {"step", "step to 80 mm"},
    {"hold", "hold 4 s"},
    {"stairs", "stairs from 10 mm to 150 mm in 14 steps, hold 4 s, up and down"},
    {"sine", "sine about 80 mm amplitude 5 mm at 0.5 Hz, 8 cycles"},
    {"follow", "follow \"harbour-chop.csv\""},
    {"touch", "touch within 3 mm at 1 mm/s"},
    {"mark", "mark \"before the coating\""},
    {"repeat", "repeat 5"},
    {"each", "each speed 5, 10, 20, 40 mm/s"},
    {"end", "end"},
    {NULL, NULL},
};

/* Words of the language that a name of the user's own would make ambiguous. */
static const char *const reserved[] = {
    "title",  "start",  "ramp",      "step",   "hold",  "stairs", "sine",
    "follow", "mark",   "each",      "end",    "touch", "repeat", "at",
    "to",     "from",   "in",        "about",  "up",    "and",    "down",
    "for",    "within", "amplitude", "cycles", "cycle", "steps",  "frequencies"};

/* ---- memory: a chain of blocks, freed together ---- */

struct block {
    struct block *next;
    max_align_t bytes[];
};

void *profile_keep(struct profile *profile, size_t count, size_t size, struct rig_err *err)
{
    struct block *block = calloc(1, sizeof *block + (count ? count : 1) * size);
    if (!block) {
        rig_fail_memory(err, "reading the profile");
        return NULL;
    }
    block->next = profile->blocks;
    profile->blocks = block;
    return block->bytes;
}

void profile_free(struct profile *profile)
{
    for (struct block *block = profile->blocks; block;) {
        struct block *next = block->next;
        free(block);
        block = next;
    }
    statements_free(&profile->statements);
    *profile = (struct profile){0};
}

int profile_fail(const struct profile *profile, const struct statement *statement, size_t token,
                 enum rig_code code, struct rig_err *err, const char *format, ...)
{
    char text[400];
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(text, sizeof text, format, arguments);
    va_end(arguments);
    struct cursor cursor = cursor_of(&profile->statements, statement, NULL, err);
    return cursor_fail_at(&cursor, token, code, "%s", text);
}

/* ---- values ---- */

int profile_value(struct profile_reader *reader, struct cursor *cursor, enum quantity_kind kind,
                  const char *what, struct profile_value *value)
{
    const struct token *token = cursor_peek(cursor);
    *value = (struct profile_value){.variable = -1, .token = cursor->at};
    if (!token || token->kind != TOKEN_WORD)
        return cursor_quantity(cursor, kind, what, &value->number);
    const char *names[PROFILE_VARIABLE_LIMIT];
    for (int i = 0; i < reader->variables; i++) {
        names[i] = reader->variable[i].name;
        if (strcmp(names[i], token->text) != 0)
            continue;
        if (reader->variable[i].kind != kind)
            return cursor_fail(cursor, "'%s' stands for %s (line %d) where %s belongs, such as %s",
                               names[i], quantity_name(reader->variable[i].kind),
                               reader->variable[i].line, quantity_name(kind),
                               quantity_example(kind));
        value->variable = i;
        cursor->at++;
        return 0;
    }
    const char *near = nearest_word(token->text, names, (size_t)reader->variables);
    if (near)
        return cursor_fail(cursor, "no 'each' around this line names '%s'; did you mean '%s'?",
                           token->text, near);
    return cursor_fail(cursor,
                       "%s is missing: '%s' is neither a number with its unit, such as %s, "
                       "nor named by an 'each' around this line",
                       what, token->text, quantity_example(kind));
}

int profile_positive(struct profile_reader *reader, struct cursor *cursor, enum quantity_kind kind,
                     const char *what, struct profile_value *value)
{
    int code = profile_value(reader, cursor, kind, what, value);
    if (code || value->variable >= 0)
        return code;
    if (!(value->number > 0))
        return cursor_fail_at(cursor, value->token, RIG_EINPUT,
                              "%s must be greater than zero, such as %s", what,
                              quantity_example(kind));
    return 0;
}

/* ---- each ---- */

static int read_name(struct profile_reader *reader, struct cursor *cursor, const char **name)
{
    int code = cursor_any_word(cursor, "a name for the values", name);
    if (code)
        return code;
    for (size_t i = 0; i < sizeof reserved / sizeof *reserved; i++)
        if (strcmp(*name, reserved[i]) == 0)
            return cursor_fail_at(cursor, 1, RIG_EINPUT,
                                  "'%s' is a word of the language; choose another name, such as "
                                  "'speed'",
                                  *name);
    for (int i = 0; i < reader->variables; i++)
        if (strcmp(*name, reader->variable[i].name) == 0)
            return cursor_fail_at(cursor, 1, RIG_EINPUT,
                                  "'%s' is already named by the 'each' on line %d; choose another "
                                  "name",
                                  *name, reader->variable[i].line);
    return 0;
}

static int read_each(struct profile_reader *reader, struct cursor *cursor,
                     struct profile_node *node)
{
    const char *name;
    int code = read_name(reader, cursor, &name);
    if (code)
        return code;
    double *values =
        profile_keep(reader->profile, PROFILE_VALUE_LIMIT, sizeof *values, cursor->err);
    if (!values)
        return RIG_EMEMORY;
    size_t count = 0, first = cursor->at;
    do {
        if (count == PROFILE_VALUE_LIMIT)
            return cursor_fail(cursor, "more than %d values; make it fewer", PROFILE_VALUE_LIMIT);
        if ((code = cursor_plain(cursor, "a value", -1e15, 1e15, &values[count])))
            return code;
        count++;
    } while (cursor_takes_comma(cursor));
    const char *unit;
    size_t unit_token = cursor->at;
    if ((code = cursor_any_word(cursor, "the unit of the values, such as mm/s", &unit)))
        return code;
    const struct token *after = cursor_peek(cursor);
    if (after && after->kind == TOKEN_COMMA)
        return cursor_fail_at(cursor, unit_token, RIG_EINPUT,
                              "the unit comes once, behind the last value: each %s 5, 10, 20 mm/s",
                              name);
    enum quantity_kind kind;
    struct rig_err why;
    if (units_kind_of(reader->units, unit, strlen(unit), &kind, &why))
        return cursor_fail_at(cursor, unit_token, RIG_EINPUT, "%s", why.text);
    if (kind != QUANTITY_LENGTH && kind != QUANTITY_TIME && kind != QUANTITY_SPEED &&
        kind != QUANTITY_FREQUENCY)
        return cursor_fail_at(cursor, unit_token, RIG_EINPUT,
                              "nothing in a profile is %s; values are depths (mm), speeds (mm/s), "
                              "times (s) or frequencies (Hz)",
                              quantity_name(kind));
    for (size_t i = 0; i < count; i++)
        if (units_convert(reader->units, kind, values[i], unit, strlen(unit), &values[i], &why))
            return cursor_fail_at(cursor, first + 2 * i, RIG_EINPUT, "%s", why.text);
    node->values = values;
    node->value_count = count;
    node->variable = reader->variables;
    reader->variable[reader->variables++] =
        (struct profile_variable){.name = name, .kind = kind, .line = cursor->statement->line};
    if (reader->variables > reader->profile->variable_count)
        reader->profile->variable_count = reader->variables;
    return 0;
}

static int read_repeat(struct profile_reader *reader, struct cursor *cursor,
                       struct profile_node *node)
{
    if (cursor_takes(cursor, "for")) {
        node->kind = PROFILE_REPEAT_FOR;
        return profile_positive(reader, cursor, QUANTITY_TIME, "the time to repeat for",
                                &node->time);
    }
    return cursor_count(cursor, "how often to repeat (or 'for' and a time)", 1, 1000000000,
                        &node->count);
}

/* ---- statements ---- */

static int read_body(struct profile_reader *reader, const struct statement *list, size_t count,
                     const struct profile_node **body, size_t *body_count);

static int read_block(struct profile_reader *reader, struct cursor *cursor,
                      struct profile_node *node)
{
    int before = reader->variables;
    int code = node->kind == PROFILE_EACH ? read_each(reader, cursor, node)
                                          : read_repeat(reader, cursor, node);
    if (!code)
        code = cursor_end(cursor);
    if (!code && cursor->statement->body_count == 0)
        code = cursor_fail_at(cursor, 0, RIG_EINPUT,
                              "there is nothing between this '%s' and its 'end'; put statements "
                              "there, or take it out",
                              cursor->statement->tokens[0].text);
    reader->depth++;
    if (!code)
        code = read_body(reader, cursor->statement->body, cursor->statement->body_count,
                         &node->body, &node->body_count);
    reader->depth--;
    reader->variables = before;
    return code;
}

static int read_title(struct profile_reader *reader, struct cursor *cursor)
{
    struct profile *profile = reader->profile;
    if (reader->depth > 0)
        return cursor_fail_at(cursor, 0, RIG_EINPUT, "a title stands outside all blocks");
    if (profile->title[0])
        return cursor_fail_at(cursor, 0, RIG_EINPUT, "there is a title already; keep one");
    int code = cursor_string(cursor, "the title, in quotes", &profile->title);
    return code ? code : cursor_end(cursor);
}

static int read_start(struct profile_reader *reader, struct cursor *cursor, size_t nodes_before)
{
    struct profile *profile = reader->profile;
    if (profile->has_start)
        return cursor_fail_at(cursor, 0, RIG_EINPUT,
                              "there is a start already, on line %d; keep one",
                              profile->start_statement->line);
    if (reader->depth > 0 || nodes_before > 0)
        return cursor_fail_at(
            cursor, 0, RIG_EINPUT,
            "'start' comes before everything that moves or waits; to go to a depth "
            "later write 'step to 10 mm'");
    int code;
    if ((code = cursor_word(cursor, "at")) ||
        (code = profile_value(reader, cursor, QUANTITY_LENGTH, "the depth to start at",
                              &profile->start)))
        return code;
    profile->has_start = true;
    profile->start_statement = cursor->statement;
    return cursor_end(cursor);
}

static int read_body(struct profile_reader *reader, const struct statement *list, size_t count,
                     const struct profile_node **body, size_t *body_count)
{
    const char *words[24];
    size_t word_count = 0;
    while (profile_words[word_count].word && strcmp(profile_words[word_count].word, "end") != 0) {
        words[word_count] = profile_words[word_count].word;
        word_count++;
    }
    struct profile_node *nodes = profile_keep(reader->profile, count, sizeof *nodes, reader->err);
    if (!nodes)
        return RIG_EMEMORY;
    size_t made = 0;
    for (size_t i = 0; i < count; i++) {
        struct cursor cursor =
            cursor_of(&reader->profile->statements, &list[i], reader->units, reader->err);
        size_t which;
        int code = cursor_choice(&cursor, words, word_count, &which);
        if (code)
            return code;
        if (strcmp(words[which], "title") == 0) {
            code = read_title(reader, &cursor);
        } else if (strcmp(words[which], "start") == 0) {
            code = read_start(reader, &cursor, made);
        } else {
            struct profile_node *node = &nodes[made++];
            node->statement = &list[i];
            if (list[i].is_block) {
                node->kind = strcmp(words[which], "each") == 0 ? PROFILE_EACH : PROFILE_REPEAT;
                code = read_block(reader, &cursor, node);
            } else {
                code = profile_read_move(reader, &cursor, words[which], node);
                if (!code)
                    code = cursor_end(&cursor);
            }
        }
        if (code)
            return code;
    }
    *body = nodes;
    *body_count = made;
    return 0;
}

int profile_read(struct profile *profile, const char *name, const char *text, size_t size,
                 struct units *units, struct rig_err *err)
{
    static const char *const blocks[] = {"repeat", "each", NULL};
    const char *known[24];
    size_t count = 0;
    for (; profile_words[count].word; count++)
        known[count] = profile_words[count].word;
    known[count] = NULL;
    struct statement_words words = {.blocks = blocks, .known = known};

    *profile = (struct profile){.title = ""};
    int code = statements_read(&profile->statements, name, text, size, &words, err);
    if (code) {
        *profile = (struct profile){0};
        return code;
    }
    struct profile_reader reader = {.profile = profile, .units = units, .err = err};
    code = read_body(&reader, profile->statements.list, profile->statements.count, &profile->body,
                     &profile->body_count);
    if (!code && profile->body_count == 0 && !profile->has_start)
        code =
            rig_fail(err, RIG_EINPUT,
                     "%s:1:1: there is nothing to do; a profile needs at least one statement that "
                     "moves, such as 'ramp to 150 mm at 20 mm/s'",
                     name);
    if (code)
        profile_free(profile);
    return code;
}
