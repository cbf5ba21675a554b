/* SPDX-License-Identifier: GPL-3.0-or-later
 * Statements: any bytes give a tree that holds together, or an error with a place; and
 * a cursor can be asked anything anywhere. */
#include "base/statement.h"

#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static void require(bool holds, const char *what)
{
    if (holds)
        return;
    fprintf(stderr, "%s\n", what);
    abort();
}

static void check_error(int code, const struct rig_err *err)
{
    require(code == RIG_EINPUT && err->code == RIG_EINPUT, "not an error of the input");
    int line = 0, column = 0;
    require(sscanf(err->text, "fuzz.profile:%d:%d: ", &line, &column) == 2, "no place");
    require(line > 0 && column > 0, "a place that is none");
    require(!strchr(err->text, '\n'), "an error of more than one line");
}

/* A step takes something and moves, or fails and stays. */
static void check_step(int code, const struct cursor *cursor, size_t before)
{
    if (code)
        check_error(code, cursor->err);
    require(code ? cursor->at == before : cursor->at > before, "the cursor stands wrong");
}

static void ask_everything(struct cursor cursor)
{
    static const char *const words[] = {"ramp", "hold", "stairs", "to", "at", "up"};
    size_t count = cursor.statement->token_count;
    for (size_t at = 0; at <= count; at++) {
        double value;
        int64_t whole;
        size_t index;
        const char *text;
        for (int kind = 0; kind < QUANTITY_KIND_COUNT; kind += 4) {
            cursor.at = at;
            int code = cursor_quantity(&cursor, (enum quantity_kind)kind, "a quantity", &value);
            check_step(code, &cursor, at);
            require(code || isfinite(value), "a quantity that isn't finite");
        }
        cursor.at = at;
        check_step(cursor_plain(&cursor, "a number", -5, 1e6, &value), &cursor, at);
        cursor.at = at;
        check_step(cursor_count(&cursor, "a count", 1, 1000, &whole), &cursor, at);
        cursor.at = at;
        check_step(cursor_choice(&cursor, words, 6, &index), &cursor, at);
        cursor.at = at;
        check_step(cursor_text(&cursor, "a text", &text), &cursor, at);
        cursor.at = at;
        check_step(cursor_word(&cursor, "to"), &cursor, at);
        cursor.at = at;
        require(cursor_done(&cursor) == (at == count), "the end is elsewhere");
        if (cursor_end(&cursor))
            check_error(RIG_EINPUT, cursor.err);
    }
}

static void check_list(const struct statements *in, const struct statement *list, size_t count,
                       int line, int last_line, int depth, struct units *units)
{
    require(depth <= STATEMENT_DEPTH_LIMIT, "too deep");
    for (size_t i = 0; i < count; i++) {
        struct rig_err err = {0};
        const struct statement *statement = &list[i];
        require(statement->token_count > 0, "a statement of nothing");
        require(statement->line > line && statement->line < last_line, "lines out of order");
        int column = 0;
        for (size_t j = 0; j < statement->token_count; j++) {
            const struct token *token = &statement->tokens[j];
            require(token->column > column && token->width > 0, "columns out of order");
            column = token->column + token->width - 1;
            require(token->kind != TOKEN_NUMBER || isfinite(token->number), "not finite");
            require(token->kind == TOKEN_STRING || token->text[0], "an empty token");
        }
        ask_everything(cursor_of(in, statement, units, &err));
        line = statement->line;
        if (statement->is_block) {
            check_list(in, statement->body, statement->body_count, line, statement->end_line,
                       depth + 1, units);
            line = statement->end_line;
        }
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static struct units *units; /* reading the unit database takes longer than a run */
    static const char *const blocks[] = {"repeat", "each", "axis", "source", NULL};
    static const char *const known[] = {"ramp", "hold", "title", "end", NULL};
    static const struct statement_words any = {blocks, NULL}, strict = {blocks, known};
    struct rig_err err = {0};
    if (!units)
        units = units_open(&err);
    require(units != NULL, "no units");
    if (size > 4096) /* asking everything everywhere grows with the square */
        return 0;
    for (int round = 0; round < 2; round++) {
        struct statements statements;
        int code = statements_read(&statements, "fuzz.profile", (const char *)data, size,
                                   round ? &strict : &any, &err);
        if (code) {
            check_error(code, &err);
            require(!statements.arena, "something is left behind");
            continue;
        }
        check_list(&statements, statements.list, statements.count, 0, INT32_MAX, 0, units);
        statements_free(&statements);
    }
    return 0;
}
