/* SPDX-License-Identifier: GPL-3.0-or-later
 * Between the parts of the statement reader; nobody else includes it. */
#ifndef BASE_STATEMENT_PARTS_H
#define BASE_STATEMENT_PARTS_H

#include "base/statement.h"

/* A line of tokens, before blocks are made of them. */
struct statement_line {
    size_t first_token, token_count;
    int line;
};

/* What the lexer leaves: all tokens of the text, and the lines that have any. */
struct statement_lines {
    const char *name;
    char *characters; /* what the texts of the tokens point into */
    struct token *tokens;
    size_t token_count, token_room;
    struct statement_line *lines;
    size_t line_count, line_room;
};

/* On error some of *lines is allocated all the same: free in any case. */
int statement_lex(struct statement_lines *lines, const char *text, size_t size,
                  struct rig_err *err);
void statement_lines_free(struct statement_lines *lines);

/* As much of a text as fits into an error: whole characters, "..." for the rest. */
enum { SHOWN_SIZE = 48 };
const char *statement_shown(char buffer[SHOWN_SIZE], const char *text, size_t size);

/* "a, b or c" of words[0..count), cut short with "..." when it would be too long. */
enum { LISTED_SIZE = 240 };
const char *statement_listed(char buffer[LISTED_SIZE], const char *const words[], size_t count);

#endif
