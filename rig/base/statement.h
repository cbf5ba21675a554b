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
    int width;        /* bytes that it takes in the line, quotes included */
    const char *text; /* NUL-terminated; a string without its quotes and escapes */
    double number;    /* TOKEN_NUMBER only, finite */
};

struct statement {
    int line; /* from 1 */
    const struct token *tokens;
    size_t token_count;           /* at least 1; tokens[0] is usually a word */
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

/* A statement opens a block by its first word, and only by that. */
struct statement_words {
    /* What a text's blocks are called, NULL-terminated: {"repeat", "each", NULL}. */
    const char *const *blocks;
    /* All words that may start a statement here, anywhere in the text and those of
     * `blocks` included or not, NULL-terminated. Any other first word is refused with
     * "did you mean", so that a misspelt block isn't reported as an 'end' too many.
     * NULL: any statement is taken, even one that starts with no word. */
    const char *const *known;
};

/* text[0..size): UTF-8 (a byte-order mark is passed over), LF or CRLF. name is kept
 * as a copy. Takes time and memory in proportion to size. Refused with
 * "NAME:LINE:COLUMN: what; what would be right": more than STATEMENT_FILE_LIMIT
 * bytes (before a byte is read), NUL or other control bytes, invalid UTF-8, an
 * unclosed string, a number such as 1e400 or 1.2.3, 'nan', blocks nested deeper
 * than STATEMENT_DEPTH_LIMIT, an 'end' too many (says where) or too few (says which
 * block, opened where).
 * A word starts with a letter, '/', '_' or '%' and goes on with these, digits, and
 * any of - . : ^ * + ("mm/s2", "/dev/ttyUSB0", "status-polled"). All that isn't ASCII
 * is a letter. A number may touch the unit after it: "20mm" is read as 20 mm, and so
 * "12abc" as 12 abc, which the cursor refuses since abc is no unit. "2^32" is one
 * number. In a string, \" and \\ stand for a quote and a backslash; what holds
 * anything else than words hold (a blank, a first digit) needs quotes.
 * On success the caller frees with statements_free; on error nothing is kept. */
int statements_read(struct statements *statements, const char *name, const char *text, size_t size,
                    const struct statement_words *words, struct rig_err *err);
void statements_free(struct statements *statements); /* zeroed or NULL allowed */

/* A cursor reads one statement from left to right. All functions return 0 or
 * RIG_EINPUT with the place in err; `at` moves only on success. `what` is a noun
 * phrase with its article, for people: "the speed of the ramp". units may be NULL
 * where no quantity is read. */
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
 * that gives the example of the kind. A bare 0 needs its unit too. 'at' and 'in'
 * mean a pressure and an inch to UDUNITS-2: in "150 in 14 steps" and before any
 * other number they are taken as words, so that the missing unit is reported. */
int cursor_quantity(struct cursor *cursor, enum quantity_kind kind, const char *what,
                    double *value);
/* A plain number without a unit, in [low, high] (infinities allowed there). What
 * follows it is another word of the statement, unless it touches ("14mm"). */
int cursor_plain(struct cursor *cursor, const char *what, double low, double high, double *value);
/* A whole number in [low, high]; "2^32" and "1e6" count as such. */
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
 * neighbours counts one, capitals count as small letters), the first of equals, or
 * NULL when none is near: more than a third of the letters of the longer one wrong.
 * Words of more than 47 bytes are near to none. */
const char *nearest_word(const char *word, const char *const words[], size_t count);

#endif
