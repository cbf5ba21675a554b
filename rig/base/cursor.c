/* SPDX-License-Identifier: GPL-3.0-or-later
 * Reading one statement from left to right, with errors that people can act on. */
#include "base/statement_parts.h"

#include "base/number.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

struct cursor cursor_of(const struct statements *in, const struct statement *statement,
                        struct units *units, struct rig_err *err)
{
    return (struct cursor){.in = in, .statement = statement, .at = 0, .units = units, .err = err};
}

const struct token *cursor_peek(const struct cursor *cursor)
{
    if (cursor->at >= cursor->statement->token_count)
        return NULL;
    return &cursor->statement->tokens[cursor->at];
}

bool cursor_done(const struct cursor *cursor)
{
    return !cursor_peek(cursor);
}

bool cursor_sees(const struct cursor *cursor, const char *word)
{
    const struct token *token = cursor_peek(cursor);
    return token && token->kind == TOKEN_WORD && strcmp(token->text, word) == 0;
}

bool cursor_takes(struct cursor *cursor, const char *word)
{
    bool seen = cursor_sees(cursor, word);
    cursor->at += seen;
    return seen;
}

bool cursor_takes_comma(struct cursor *cursor)
{
    const struct token *token = cursor_peek(cursor);
    bool seen = token && token->kind == TOKEN_COMMA;
    cursor->at += seen;
    return seen;
}

__attribute__((format(printf, 4, 0))) static int fail_with(const struct cursor *cursor, size_t at,
                                                           enum rig_code code, const char *format,
                                                           va_list arguments)
{
    char text[sizeof cursor->err->text];
    const struct statement *statement = cursor->statement;
    int column = 1;
    if (at < statement->token_count)
        column = statement->tokens[at].column;
    else if (statement->token_count)
        column = statement->tokens[statement->token_count - 1].column +
                 statement->tokens[statement->token_count - 1].width;
    vsnprintf(text, sizeof text, format, arguments);
    return rig_fail(cursor->err, code, "%s:%d:%d: %s", cursor->in->name, statement->line, column,
                    text);
}

int cursor_fail(const struct cursor *cursor, const char *format, ...)
{
    va_list arguments;
    va_start(arguments, format);
    int code = fail_with(cursor, cursor->at, RIG_EINPUT, format, arguments);
    va_end(arguments);
    return code;
}

int cursor_fail_at(const struct cursor *cursor, size_t token, enum rig_code code,
                   const char *format, ...)
{
    va_list arguments;
    va_start(arguments, format);
    fail_with(cursor, token, code, format, arguments);
    va_end(arguments);
    return code;
}

/* The next token as it stands in the file: 'ramp', "a string", the end of the line. */
enum { FOUND_SIZE = SHOWN_SIZE + 4 };
static const char *found(const struct cursor *cursor, char buffer[FOUND_SIZE])
{
    const struct token *token = cursor_peek(cursor);
    char shown[SHOWN_SIZE];
    if (!token)
        return "the end of the line";
    statement_shown(shown, token->text, strlen(token->text));
    snprintf(buffer, FOUND_SIZE, token->kind == TOKEN_STRING ? "\"%s\"" : "'%s'", shown);
    return buffer;
}

int cursor_word(struct cursor *cursor, const char *word)
{
    char buffer[FOUND_SIZE];
    if (cursor_takes(cursor, word))
        return 0;
    if (cursor_done(cursor))
        return cursor_fail(cursor, "the statement is cut short; '%s' belongs here", word);
    return cursor_fail(cursor, "%s is not expected here; write '%s'", found(cursor, buffer), word);
}

int cursor_choice(struct cursor *cursor, const char *const words[], size_t count, size_t *index)
{
    char buffer[FOUND_SIZE], listed[LISTED_SIZE];
    const struct token *token = cursor_peek(cursor);
    for (size_t i = 0; i < count; i++)
        if (cursor_takes(cursor, words[i])) {
            *index = i;
            return 0;
        }
    statement_listed(listed, words, count);
    if (!token)
        return cursor_fail(cursor, "the statement is cut short; %s belongs here", listed);
    const char *nearest =
        token->kind == TOKEN_WORD ? nearest_word(token->text, words, count) : NULL;
    if (nearest && count > 1)
        return cursor_fail(cursor, "%s is not known here; did you mean '%s'? (there is %s)",
                           found(cursor, buffer), nearest, listed);
    if (nearest)
        return cursor_fail(cursor, "%s is not known here; did you mean '%s'?",
                           found(cursor, buffer), nearest);
    return cursor_fail(cursor, "%s is not known here; write %s", found(cursor, buffer), listed);
}

/* A token of one of two kinds. */
static int take_text(struct cursor *cursor, bool word, bool string, const char *what,
                     const char *remedy, const char **text)
{
    char buffer[FOUND_SIZE];
    const struct token *token = cursor_peek(cursor);
    if (!token)
        return cursor_fail(cursor, "%s is missing; %s", what, remedy);
    if (!(word && token->kind == TOKEN_WORD) && !(string && token->kind == TOKEN_STRING))
        return cursor_fail(cursor, "%s stands where %s belongs; %s", found(cursor, buffer), what,
                           remedy);
    *text = token->text;
    cursor->at++;
    return 0;
}

int cursor_any_word(struct cursor *cursor, const char *what, const char **word)
{
    return take_text(cursor, true, false, what, "write a word", word);
}

int cursor_string(struct cursor *cursor, const char *what, const char **string)
{
    return take_text(cursor, false, true, what, "write it in quotes: \"...\"", string);
}

int cursor_text(struct cursor *cursor, const char *what, const char **text)
{
    return take_text(cursor, true, true, what, "write a word, or a text in quotes: \"...\"", text);
}

/* Is the token after a number its unit? 'at' is a pressure to UDUNITS-2, and 'in' an
 * inch: in "150 in 14 steps" neither is meant. */
static bool is_unit(const struct cursor *cursor, size_t at)
{
    const struct statement *statement = cursor->statement;
    if (at >= statement->token_count || statement->tokens[at].kind != TOKEN_WORD)
        return false;
    const char *word = statement->tokens[at].text;
    bool number_follows =
        at + 1 < statement->token_count && statement->tokens[at + 1].kind == TOKEN_NUMBER;
    return strcmp(word, "at") != 0 && !(strcmp(word, "in") == 0 && number_follows);
}

int cursor_quantity(struct cursor *cursor, enum quantity_kind kind, const char *what, double *value)
{
    char buffer[FOUND_SIZE];
    const struct token *token = cursor_peek(cursor);
    if (!token)
        return cursor_fail(cursor, "%s is missing; write it as, for example, %s", what,
                           quantity_example(kind));
    if (token->kind != TOKEN_NUMBER)
        return cursor_fail(cursor, "%s stands where %s belongs; write it as, for example, %s",
                           found(cursor, buffer), what, quantity_example(kind));
    if (!is_unit(cursor, cursor->at + 1))
        return cursor_fail(cursor, "%s has no unit; %s belongs here, such as %s",
                           found(cursor, buffer), quantity_name(kind), quantity_example(kind));
    const char *unit = token[1].text;
    double converted;
    struct rig_err inner = {0};
    int code =
        units_convert(cursor->units, kind, token->number, unit, strlen(unit), &converted, &inner);
    if (code)
        return cursor_fail_at(cursor, cursor->at, code, "%s", inner.text);
    *value = converted;
    cursor->at += 2;
    return 0;
}

/* A word that touches the number ("12abc") was never meant as the next word. */
static bool touched(const struct cursor *cursor)
{
    const struct token *token = cursor_peek(cursor);
    return cursor->at + 1 < cursor->statement->token_count && token[1].kind == TOKEN_WORD &&
           token[1].column == token->column + token->width;
}

static int take_number(struct cursor *cursor, const char *what, const char *such,
                       const struct token **token)
{
    char buffer[FOUND_SIZE], shown[SHOWN_SIZE];
    *token = cursor_peek(cursor);
    if (!*token)
        return cursor_fail(cursor, "%s is missing; write %s", what, such);
    if ((*token)->kind != TOKEN_NUMBER)
        return cursor_fail(cursor, "%s stands where %s belongs; write %s", found(cursor, buffer),
                           what, such);
    if (touched(cursor))
        return cursor_fail(cursor, "%s is a number without a unit, and '%s' touches it; write %s",
                           what, statement_shown(shown, (*token)[1].text, strlen((*token)[1].text)),
                           such);
    return 0;
}

/* "from 1 to 20", "of 1 or more", "up to 20". */
static const char *range(char buffer[80], double low, double high)
{
    char a[32], b[32];
    rig_number_text(a, low);
    rig_number_text(b, high);
    if (isfinite(low) && isfinite(high))
        snprintf(buffer, 80, "from %s to %s", a, b);
    else if (isfinite(low))
        snprintf(buffer, 80, "of %s or more", a);
    else if (isfinite(high))
        snprintf(buffer, 80, "up to %s", b);
    else
        snprintf(buffer, 80, "such as 12.5");
    return buffer;
}

int cursor_plain(struct cursor *cursor, const char *what, double low, double high, double *value)
{
    char limits[80], such[100], buffer[FOUND_SIZE];
    const struct token *token;
    snprintf(such, sizeof such, "a number %s", range(limits, low, high));
    int code = take_number(cursor, what, such, &token);
    if (code)
        return code;
    if (token->number < low || token->number > high)
        return cursor_fail(cursor, "%s is too %s for %s; write %s", found(cursor, buffer),
                           token->number < low ? "small" : "large", what, such);
    *value = token->number;
    cursor->at++;
    return 0;
}

/* "2^32", "1e6" and "3.0" are whole numbers too, which an integer's text is not. */
static bool read_whole(const struct token *token, int64_t low, int64_t high, int64_t *value,
                       const char **why)
{
    double number = token->number;
    char text[320]; /* 1.8e308 in full */
    if (!strpbrk(token->text, ".eE^") || rint(number) != number)
        return rig_whole_number(token->text, strlen(token->text), low, high, value, why);
    snprintf(text, sizeof text, "%.0f", number);
    return rig_whole_number(text, strlen(text), low, high, value, why);
}

int cursor_count(struct cursor *cursor, const char *what, int64_t low, int64_t high, int64_t *value)
{
    char such[100], buffer[FOUND_SIZE];
    const struct token *token;
    const char *why = NULL;
    if (high == INT64_MAX)
        snprintf(such, sizeof such, "a whole number of %lld or more", (long long)low);
    else
        snprintf(such, sizeof such, "a whole number from %lld to %lld", (long long)low,
                 (long long)high);
    int code = take_number(cursor, what, such, &token);
    if (code)
        return code;
    if (!read_whole(token, low, high, value, &why))
        return cursor_fail(cursor, "%s %s for %s; write %s", found(cursor, buffer), why, what,
                           such);
    cursor->at++;
    return 0;
}

int cursor_end(struct cursor *cursor)
{
    char buffer[FOUND_SIZE];
    if (cursor_done(cursor))
        return 0;
    return cursor_fail(cursor, "%s is one too many; the statement ends before it",
                       found(cursor, buffer));
}
