/* SPDX-License-Identifier: GPL-3.0-or-later
 * Limits files. */
#include "results/judge.h"

#include "base/statement.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static const char *const words[] = {"title", "revision", "rule", "limit", NULL};
enum { TITLE, REVISION, RULE, LIMIT, WORDS };

static int copy(const struct cursor *cursor, size_t token, const char *what, const char *from,
                char *to, size_t room)
{
    if (strlen(from) >= room)
        return cursor_fail_at(cursor, token, RIG_EINPUT, "%s is too long; %zu bytes at most", what,
                              room - 1);
    memcpy(to, from, strlen(from) + 1);
    return RIG_OK;
}

/* A number and its unit, which goes on to the next 'to' or the end: "1.2 % of span". */
static int read_end(struct cursor *cursor, struct limit_end *end)
{
    const struct token *token = cursor_peek(cursor);
    if (!token || token->kind != TOKEN_NUMBER)
        return cursor_fail(cursor, "a number with its unit belongs here, such as 0.6 mm");
    end->given = true;
    end->value = token->number;
    cursor->at++;
    size_t size = 0;
    while ((token = cursor_peek(cursor)) && !cursor_sees(cursor, "to")) {
        size_t width = token->kind == TOKEN_WORD ? strlen(token->text) : 0;
        if (!width)
            return cursor_fail(cursor, "a unit belongs here, such as mm");
        if (size + (size > 0) + width >= sizeof end->unit)
            return cursor_fail(cursor, "the unit is too long");
        if (size)
            end->unit[size++] = ' ';
        memcpy(end->unit + size, token->text, width + 1);
        size += width;
        cursor->at++;
    }
    return RIG_OK;
}

static int read_limit(struct limits *limits, struct cursor *cursor)
{
    static const char *const bounds[] = {"at", "from"};
    static const char *const sides[] = {"most", "least"};
    const char *name;
    size_t bound, side, token = cursor->at;
    if (limits->count == LIMITS_MOST)
        return cursor_fail_at(cursor, 0, RIG_EINPUT, "more than %d limits", LIMITS_MOST);
    struct limit *limit = &limits->limits[limits->count];
    *limit = (struct limit){.line = cursor->statement->line};
    int code = cursor_any_word(cursor, "the name of a result, such as hysteresis_at_rest", &name);
    if (!code)
        code = copy(cursor, token, "the name", name, limit->name, sizeof limit->name);
    if (code)
        return code;
    limit->column = cursor->statement->tokens[token].column;
    for (size_t i = 0; i < limits->count; i++)
        if (strcmp(limits->limits[i].name, limit->name) == 0)
            return cursor_fail_at(cursor, token, RIG_EINPUT,
                                  "'%s' has a limit already, in line %d; give both ends at once, "
                                  "'from 1 mm to 2 mm'",
                                  name, limits->limits[i].line);
    if ((code = cursor_choice(cursor, bounds, 2, &bound)))
        return code;
    if (bound == 0) {
        if (!(code = cursor_choice(cursor, sides, 2, &side)))
            code = read_end(cursor, side ? &limit->low : &limit->high);
    } else {
        size_t from = cursor->at;
        if (!(code = read_end(cursor, &limit->low)) && !(code = cursor_word(cursor, "to")))
            code = read_end(cursor, &limit->high);
        if (!code && !*limit->low.unit) /* from 1 to 2 mm */
            memcpy(limit->low.unit, limit->high.unit, sizeof limit->low.unit);
        if (!code && strcmp(limit->low.unit, limit->high.unit) == 0 &&
            !(limit->low.value < limit->high.value))
            code = cursor_fail_at(cursor, from, RIG_EINPUT,
                                  "from %g to %g leaves nothing between; the lower end comes first",
                                  limit->low.value, limit->high.value);
    }
    if (!code)
        code = cursor_end(cursor);
    limits->count += !code;
    return code;
}

static int read_rule(struct limits *limits, struct cursor *cursor)
{
    static const char *const rules[] = {"simple", "guarded"};
    size_t rule;
    int code = cursor_choice(cursor, rules, 2, &rule);
    if (code)
        return code;
    limits->guard = rule ? 1 : 0;
    if (rule && cursor_takes(cursor, "by")) {
        if ((code = cursor_plain(cursor, "how many U the guard band is wide", 0, 10,
                                 &limits->guard)) ||
            (code = cursor_word(cursor, "U")))
            return code;
    }
    return cursor_end(cursor);
}

static int read_statement(struct limits *limits, struct cursor *cursor, int seen[WORDS])
{
    const char *text;
    size_t which;
    int code = cursor_choice(cursor, words, WORDS, &which);
    if (code)
        return code;
    if (which != LIMIT && seen[which])
        return cursor_fail_at(cursor, 0, RIG_EINPUT, "'%s' stands in line %d already", words[which],
                              seen[which]);
    seen[which] = cursor->statement->line;
    switch (which) {
    case TITLE:
        if (!(code = cursor_string(cursor, "the title, in quotes", &text)) &&
            !(code = copy(cursor, 1, "the title", text, limits->title, sizeof limits->title)))
            code = cursor_end(cursor);
        return code;
    case REVISION:
        if (!(code = cursor_text(cursor, "the revision of the boards, such as B", &text)) &&
            !(code =
                  copy(cursor, 1, "the revision", text, limits->revision, sizeof limits->revision)))
            code = cursor_end(cursor);
        return code;
    case RULE:
        return read_rule(limits, cursor);
    default:
        return read_limit(limits, cursor);
    }
}

int limits_read(struct limits *limits, const char *name, const char *text, size_t size,
                struct rig_err *err)
{
    static const char *const no_blocks[] = {NULL};
    const struct statement_words known = {.blocks = no_blocks, .known = words};
    struct statements statements;
    int seen[WORDS] = {0};
    *limits = (struct limits){.guard = 1};
    int code = statements_read(&statements, name, text, size, &known, err);
    if (code)
        return code;
    for (size_t i = 0; !code && i < statements.count; i++) {
        struct cursor cursor = cursor_of(&statements, &statements.list[i], NULL, err);
        code = read_statement(limits, &cursor, seen);
    }
    if (!code && limits->count == 0)
        code = rig_fail(err, RIG_EINPUT,
                        "%s:1:1: has no limit; such as: limit hysteresis_at_rest at most 0.6 mm",
                        name);
    statements_free(&statements);
    return code;
}
