/* SPDX-License-Identifier: GPL-3.0-or-later
 * The one statement syntax of rig files, profiles, bench files and limits: a
 * line is a statement of words, numbers with units, quoted strings and commas;
 * '#' starts a comment; a block opens with a word that the caller names and
 * ends with 'end'. Reads bytes in memory; opens nothing. */
#ifndef BASE_STATEMENT_H
#define BASE_STATEMENT_H

#include "base/err.h"
#include "base/quantity.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum { STATEMENT_FILE_LIMIT = 4 * 1024 * 1024, STATEMENT_DEPTH_LIMIT = 32 };

enum token_kind { TOKEN_WORD, TOKEN_NUMBER, TOKEN_STRING, TOKEN_COMMA };

struct token {
    enum token_kind kind;
    int column;       /* from 1, in bytes */
    const char *text; /* NUL-terminated; a string without its quotes and escapes */
    double number;    /* TOKEN_NUMBER only */
};

struct statement {
    int line; /* from 1 */
    const struct token *tokens;
    size_t token_count; /* at least 1; tokens[0] is usually a word */
    const struct statement *body; /* statements of the block, NULL if no block */
    size_t body_count;
    bool is_block;
    int end_line; /* line of its 'end', 0 if no block */
};

struct statements {
    const char *name; /* of the file, for errors */
    const struct statement *list;
    size_t count;
    void *arena; /* private */
};

/* What a text's blocks are called, NULL-terminated: {"repeat", "each", NULL}. */
struct statement_words {
    const char *const *blocks;
    /* A statement that opens a block only by its first word. All words that may
     * start a statement here, NULL-terminated, for "did you mean"; NULL allowed. */
    const char *const *known;
};

/* text[0..size): UTF-8, LF or CRLF. name is kept as a copy. Refused with
 * "NAME:LINE:COLUMN: what; what would be right": more than STATEMENT_FILE_LIMIT
 * bytes, NUL or other control bytes, invalid UTF-8, an unclosed string, a number
 * such as 1e400 or 12abc, 'nan', blocks nested deeper than STATEMENT_DEPTH_LIMIT,
 * an 'end' too many (says where) or too few (says which block, opened where).
 * A word is letters, digits, and any of _ - / . : ^ * + after a first letter, '/'
 * or '_'; a unit after a number is a word ("mm/s2"). "20mm" is read as 20 mm.
 * On success the caller frees with statements_free; on error nothing is kept. */
int statements_read(struct statements *statements, const char *name, const char *text, size_t size,
                    const struct statement_words *words, struct rig_err *err);
void statements_free(struct statements *statements); /* zeroed or NULL allowed */

/* A cursor reads one statement from left to right. All functions return 0 or
 * RIG_EINPUT with the place in err; `at` moves only on success. */
struct cursor {
    const struct statements *in;
    const struct statement *statement;
    size_t at;
    struct units *units;
    struct rig_err *err;
};

struct cursor cursor_of(const struct statements *in, const struct statement *statement,
                        struct units *units, struct rig_err *err);

bool cursor_done(const struct cursor *cursor);
bool cursor_sees(const struct cursor *cursor, const char *word); /* next token is this word */
bool cursor_takes(struct cursor *cursor, const char *word);      /* ... and step over it */
bool cursor_takes_comma(struct cursor *cursor);
const struct token *cursor_peek(const struct cursor *cursor); /* NULL at the end */

int cursor_word(struct cursor *cursor, const char *word); /* this word or an error */
/* One of words[0..count); the error lists them, and the nearest for a misspelt one. */
int cursor_choice(struct cursor *cursor, const char *const words[], size_t count, size_t *index);
int cursor_any_word(struct cursor *cursor, const char *what, const char **word);
int cursor_string(struct cursor *cursor, const char *what, const char **string);
/* A string or a bare word: for paths and ids. */
int cursor_text(struct cursor *cursor, const char *what, const char **text);
/* Number and unit to our unit; "14" without a unit, or of another kind: an error
 * that gives the example of the kind. A bare 0 needs its unit too. */
int cursor_quantity(struct cursor *cursor, enum quantity_kind kind, const char *what,
                    double *value);
/* A plain number without a unit, in [low, high]. */
int cursor_plain(struct cursor *cursor, const char *what, double low, double high, double *value);
int cursor_count(struct cursor *cursor, const char *what, int64_t low, int64_t high,
                 int64_t *value);
int cursor_end(struct cursor *cursor); /* nothing may follow */

/* An error at the next token (or, at the end, just past the last one):
 * "NAME:LINE:COLUMN: " and the text. Returns RIG_EINPUT. */
int cursor_fail(const struct cursor *cursor, const char *format, ...)
    __attribute__((format(printf, 2, 3)));
/* The same at token number `token`, or with another code (RIG_ELIMIT). */
int cursor_fail_at(const struct cursor *cursor, size_t token, enum rig_code code,
                   const char *format, ...) __attribute__((format(printf, 4, 5)));

/* The word of words[0..count) nearest to `word` by edit distance (a swap of
 * neighbours counts one), or NULL when none is near (more than a third of its
 * letters wrong). */
const char *nearest_word(const char *word, const char *const words[], size_t count);

#endif
