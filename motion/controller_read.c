/* SPDX-License-Identifier: GPL-3.0-or-later
 * Controllers described by a file: reading it. */
#include "motion/controller_parts.h"

#include "base/statement.h"

#include <string.h>

static const char *const sent_words[] = {
#define X(kind, word, most) word,
    CONTROLLER_SENT(X)
#undef X
};
static const int sent_most[] = {
#define X(kind, word, most) most,
    CONTROLLER_SENT(X)
#undef X
};

/* What may stand between braces in a line of each kind: one bit a field_kind. */
static unsigned allowed(enum controller_sent kind)
{
    switch (kind) {
    case CONTROLLER_MOVE:
        return 1U << FIELD_LETTER | 1U << FIELD_PLACE | 1U << FIELD_FEED;
    case CONTROLLER_PLACE:
        return 1U << FIELD_LETTER | 1U << FIELD_PLACE;
    case CONTROLLER_DWELL:
        return 1U << FIELD_TIME;
    default:
        return 1U << FIELD_LETTER;
    }
}

static int check_text(const struct cursor *cursor, size_t token, const char *text, size_t room)
{
    size_t size = strlen(text);
    if (size == 0)
        return cursor_fail_at(cursor, token, RIG_EINPUT, "this is empty");
    if (size >= room)
        return cursor_fail_at(cursor, token, RIG_EINPUT, "%zu bytes; at most %zu fit", size,
                              room - 1);
    for (const char *at = text; *at; at++)
        if (*at < 0x20 || *at > 0x7e)
            return cursor_fail_at(cursor, token, RIG_EINPUT,
                                  "only printable characters of ASCII go over the wire");
    return 0;
}

/* Every brace opens a field of an allowed kind; *seen: one bit a kind that is there. */
static int check_fields(const struct cursor *cursor, size_t token, const char *text, unsigned may,
                        unsigned *seen)
{
    static const char *const fields[] = {
        [FIELD_LETTER] = "{letter}",
        [FIELD_PLACE] = "{mm}, {um} or {steps}",
        [FIELD_FEED] = "{mm/s}, {mm/min}, {um/s}, {um/min}, {steps/s} or {steps/min}",
        [FIELD_TIME] = "{s} or {ms}",
    };
    *seen = 0;
    for (const char *at = text; *at; at++) {
        size_t size = controller_field_size(at);
        struct controller_field field;
        bool right =
            size >= 2 && controller_field(at + 1, size - 2, &field) && (may & 1U << field.kind);
        if (*at == '}' || (*at == '{' && !right)) {
            char list[256] = "";
            for (unsigned kind = 0; kind <= FIELD_TIME; kind++)
                if (may & 1U << kind) {
                    strcat(list, list[0] ? ", " : "");
                    strcat(list, fields[kind]);
                }
            return cursor_fail_at(cursor, token, RIG_EINPUT,
                                  "'%.40s' is no field that belongs here; these do: %s, with ':3' "
                                  "behind the unit for three decimals",
                                  at, list);
        }
        if (*at != '{')
            continue;
        if (*seen & 1U << field.kind && field.kind != FIELD_LETTER)
            return cursor_fail_at(cursor, token, RIG_EINPUT, "'%.40s' is there already", at);
        *seen |= 1U << field.kind;
        at += size - 1;
    }
    return 0;
}

static int read_sent(struct controller *controller, struct cursor *cursor,
                     enum controller_sent kind)
{
    const char *text;
    size_t token = cursor->at;
    unsigned seen;
    int code;
    if (controller->line_count[kind] == sent_most[kind])
        return cursor_fail_at(cursor, 0, RIG_EINPUT,
                              "'%s' was given already, as often as it may be", sent_words[kind]);
    if ((code = cursor_string(cursor, "a line in quotes", &text)) ||
        (code = check_text(cursor, token, text, CONTROLLER_LINE_SIZE)) ||
        (code = check_fields(cursor, token, text, allowed(kind), &seen)))
        return code;
    if (kind == CONTROLLER_MOVE && !(seen & 1U << FIELD_PLACE && seen & 1U << FIELD_FEED))
        return cursor_fail_at(cursor, token, RIG_EINPUT,
                              "a move needs a place and a speed, such as {mm} and {mm/min}");
    if (kind == CONTROLLER_PLACE && !(seen & 1U << FIELD_PLACE))
        return cursor_fail_at(cursor, token, RIG_EINPUT,
                              "a place needs one of {mm}, {um}, {steps}");
    if (kind == CONTROLLER_DWELL && !(seen & 1U << FIELD_TIME))
        return cursor_fail_at(cursor, token, RIG_EINPUT, "a dwell needs {s} or {ms}");
    memcpy(controller->lines[kind][controller->line_count[kind]++], text, strlen(text) + 1);
    return 0;
}

static int read_heard(struct controller *controller, struct cursor *cursor,
                      enum controller_heard kind)
{
    const char *text;
    size_t token = cursor->at;
    unsigned seen, may = kind == CONTROLLER_POSITION ? 1U << FIELD_LETTER | 1U << FIELD_PLACE
                                                     : 1U << FIELD_LETTER;
    int code;
    if (controller->pattern_count == CONTROLLER_PATTERNS)
        return cursor_fail_at(cursor, 0, RIG_ELIMIT, "more than %d patterns", CONTROLLER_PATTERNS);
    if ((code = cursor_string(cursor, "a pattern in quotes", &text)) ||
        (code = check_text(cursor, token, text, CONTROLLER_PATTERN_SIZE)) ||
        (code = check_fields(cursor, token, text, may, &seen)))
        return code;
    if (kind == CONTROLLER_POSITION && !(seen & 1U << FIELD_PLACE))
        return cursor_fail_at(cursor, token, RIG_EINPUT,
                              "a position needs one of {mm}, {um}, {steps}");
    if (strspn(text, "*") == strlen(text))
        return cursor_fail_at(cursor, token, RIG_EINPUT, "this would match whatever it says");
    struct controller_pattern *pattern = &controller->patterns[controller->pattern_count++];
    pattern->means = kind;
    memcpy(pattern->text, text, strlen(text) + 1);
    if (kind == CONTROLLER_POSITION) {
        (void)cursor_takes_comma(cursor);
        pattern->takes = cursor_takes(cursor, "taken");
    }
    return 0;
}

static int read_ends(struct controller *controller, struct cursor *cursor)
{
    static const char *const words[] = {"lf", "cr", "crlf"};
    static const char *const ends[] = {"\n", "\r", "\r\n"};
    size_t which;
    int code = cursor_word(cursor, "with");
    if (code || (code = cursor_choice(cursor, words, 3, &which)))
        return code;
    memcpy(controller->end, ends[which], strlen(ends[which]) + 1);
    return 0;
}

static int read_lines(struct controller *controller, struct cursor *cursor)
{
    int64_t number;
    int code;
    if ((code = cursor_count(cursor, "the number of lines", 1, 24, &number)) ||
        (code = cursor_word(cursor, "at")) || (code = cursor_word(cursor, "once")))
        return code;
    controller->at_once = (int)number;
    return 0;
}

enum { WORD_ENDS = CONTROLLER_SENT_COUNT + CONTROLLER_CHATTER, WORD_LINES, WORD_COUNT };

static const char *const all_words[] = {
#define X(kind, word, most) word,
    CONTROLLER_SENT(X)
#undef X
#define X(kind, word) word,
        CONTROLLER_HEARD(X)
#undef X
            "ends",
    "lines", NULL};

static int read_statement(struct controller *controller, struct cursor *cursor)
{
    size_t which;
    int code = cursor_choice(cursor, all_words, WORD_COUNT, &which);
    if (code)
        return code;
    if (which < CONTROLLER_SENT_COUNT)
        code = read_sent(controller, cursor, (enum controller_sent)which);
    else if (which < WORD_ENDS)
        code =
            read_heard(controller, cursor, (enum controller_heard)(which - CONTROLLER_SENT_COUNT));
    else
        code = which == WORD_ENDS ? read_ends(controller, cursor) : read_lines(controller, cursor);
    return code ? code : cursor_end(cursor);
}

static bool hears(const struct controller *controller, enum controller_heard what)
{
    for (int i = 0; i < controller->pattern_count; i++)
        if (controller->patterns[i].means == what)
            return true;
    return false;
}

static int check_whole(const struct controller *controller, const char *name, struct rig_err *err)
{
    static const struct {
        enum controller_sent kind;
        const char *what, *example;
    } needed[] = {
        {CONTROLLER_MOVE, "how to move", "move \"G1 {letter}{mm} F{mm/min}\""},
        {CONTROLLER_DWELL, "how to make it wait for a time", "dwell \"G4 P{ms}\""},
        {CONTROLLER_WAIT, "what is answered when all motion has ended", "wait \"M400\""},
        {CONTROLLER_HALT, "how to stop it", "halt \"M410\""},
    };
    for (size_t i = 0; i < sizeof needed / sizeof needed[0]; i++)
        if (controller->line_count[needed[i].kind] == 0)
            return rig_fail(err, RIG_EINPUT, "%s:1:1: this file doesn't say %s; add '%s'", name,
                            needed[i].what, needed[i].example);
    if (!hears(controller, CONTROLLER_TAKEN))
        return rig_fail(err, RIG_EINPUT,
                        "%s:1:1: this file doesn't say how a line is acknowledged; add 'taken "
                        "\"ok*\"'",
                        name);
    bool asks = controller->line_count[CONTROLLER_QUERY] > 0;
    if (asks != hears(controller, CONTROLLER_POSITION))
        return rig_fail(err, RIG_EINPUT, "%s:1:1: %s; add '%s'", name,
                        asks ? "it is asked where it stands, but no answer is known"
                             : "an answer of where it stands is known, but it is never asked",
                        asks ? "position \"*{letter}:{mm}*\"" : "query \"M114\"");
    return 0;
}

int controller_read(struct controller *controller, const char *name, const char *text, size_t size,
                    struct rig_err *err)
{
    static const char *const no_blocks[] = {NULL};
    const struct statement_words words = {.blocks = no_blocks, .known = all_words};
    struct statements statements = {0};
    *controller = (struct controller){.given = true, .end = "\n", .at_once = 8};
    int code = statements_read(&statements, name, text, size, &words, err);
    if (code)
        return code;
    for (size_t i = 0; i < statements.count && !code; i++) {
        struct cursor cursor = cursor_of(&statements, &statements.list[i], NULL, err);
        code = read_statement(controller, &cursor);
    }
    if (!code)
        code = check_whole(controller, statements.name, err);
    statements_free(&statements);
    return code;
}
