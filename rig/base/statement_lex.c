/* SPDX-License-Identifier: GPL-3.0-or-later
 * From bytes to lines of tokens, in one pass. */
#include "base/statement_parts.h"

#include "base/number.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

struct lexer {
    struct statement_lines *out;
    const char *text;
    size_t size, at;
    size_t line_start;
    int line;
    char *free_characters;
    struct rig_err *err;
};

__attribute__((format(printf, 3, 4))) static int fail_at(const struct lexer *lexer, size_t at,
                                                         const char *format, ...)
{
    char text[sizeof lexer->err->text];
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(text, sizeof text, format, arguments);
    va_end(arguments);
    return rig_fail(lexer->err, RIG_EINPUT, "%s:%d:%zu: %s", lexer->out->name, lexer->line,
                    at - lexer->line_start + 1, text);
}

const char *statement_shown(char buffer[SHOWN_SIZE], const char *text, size_t size)
{
    size_t most = SHOWN_SIZE - 4;
    if (size <= most) {
        memcpy(buffer, text, size);
        buffer[size] = 0;
        return buffer;
    }
    while (most > 0 && ((unsigned char)text[most] & 0xc0) == 0x80)
        most--;
    memcpy(buffer, text, most);
    memcpy(buffer + most, "...", 4);
    return buffer;
}

/* Bytes of the character at text[0..size), 0 when it isn't valid UTF-8 (RFC 3629,
 * section 4: no overlong forms, no surrogates, nothing past U+10FFFF). */
static size_t utf8_length(const unsigned char *text, size_t size)
{
    unsigned char first = text[0], low = 0x80, high = 0xbf;
    size_t length;
    if (first < 0x80)
        return 1;
    if (first >= 0xc2 && first <= 0xdf) {
        length = 2;
    } else if (first >= 0xe0 && first <= 0xef) {
        length = 3;
        low = first == 0xe0 ? 0xa0 : low;
        high = first == 0xed ? 0x9f : high;
    } else if (first >= 0xf0 && first <= 0xf4) {
        length = 4;
        low = first == 0xf0 ? 0x90 : low;
        high = first == 0xf4 ? 0x8f : high;
    } else {
        return 0;
    }
    if (length > size || text[1] < low || text[1] > high)
        return 0;
    for (size_t i = 2; i < length; i++)
        if (text[i] < 0x80 || text[i] > 0xbf)
            return 0;
    return length;
}

/* Every byte of the text is looked at here before anything else is made of it. */
static int check_bytes(struct lexer *lexer)
{
    const unsigned char *text = (const unsigned char *)lexer->text;
    for (size_t at = lexer->at; at < lexer->size;) {
        unsigned char c = text[at];
        if (c >= ' ' && c < 0x7f) {
            at++;
            continue;
        }
        if (c == '\n') {
            lexer->line++;
            lexer->line_start = ++at;
            continue;
        }
        if (c == '\r' && at + 1 < lexer->size && text[at + 1] != '\n')
            return fail_at(lexer, at, "a carriage return stands alone; end lines with a newline");
        if (c == '\t' || c == '\r') {
            at++;
            continue;
        }
        if (c == 0)
            return fail_at(lexer, at, "a NUL byte; this is not a text file");
        if (c < ' ' || c == 0x7f)
            return fail_at(lexer, at, "a control byte (hex %02x); remove it", c);
        size_t length = utf8_length(text + at, lexer->size - at);
        if (length == 0)
            return fail_at(lexer, at, "a byte that is not UTF-8 (hex %02x); save the file as UTF-8",
                           c);
        if (c == 0xc2 && text[at + 1] < 0xa0)
            return fail_at(lexer, at, "a control character (U+00%02X); remove it", text[at + 1]);
        at += length;
    }
    lexer->line = 1;
    lexer->line_start = 0;
    return 0;
}

static bool is_digit(char c)
{
    return c >= '0' && c <= '9';
}

static bool starts_word(char c)
{
    return (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') || c == '/' || c == '_' || c == '%' ||
           (unsigned char)c >= 0x80;
}

static bool continues_word(char c)
{
    return starts_word(c) || is_digit(c) || c == '-' || c == '.' || c == ':' || c == '^' ||
           c == '*' || c == '+';
}

/* The byte `ahead` of here, or a newline past the end. */
static char peek(const struct lexer *lexer, size_t ahead)
{
    size_t at = lexer->at + ahead;
    return at < lexer->size ? lexer->text[at] : '\n';
}

/* Room for one more of an array that doubles. */
static bool grow(void **array, size_t *room, size_t count, size_t item)
{
    if (count < *room)
        return true;
    size_t larger = *room ? *room * 2 : 64;
    void *moved = realloc(*array, larger * item);
    if (!moved)
        return false;
    *array = moved;
    *room = larger;
    return true;
}

/* text: already NUL-terminated among the characters. */
static int add_token(struct lexer *lexer, enum token_kind kind, size_t from, const char *text,
                     double number)
{
    struct statement_lines *out = lexer->out;
    void *tokens = out->tokens;
    bool grown = grow(&tokens, &out->token_room, out->token_count, sizeof *out->tokens);
    out->tokens = tokens;
    if (!grown)
        return rig_fail_memory(lexer->err, out->name);
    out->tokens[out->token_count++] = (struct token){.kind = kind,
                                                     .column = (int)(from - lexer->line_start + 1),
                                                     .width = (int)(lexer->at - from),
                                                     .text = text,
                                                     .number = number};
    return 0;
}

static const char *keep(struct lexer *lexer, size_t from)
{
    char *text = lexer->free_characters;
    size_t length = lexer->at - from;
    memcpy(text, lexer->text + from, length);
    text[length] = 0;
    lexer->free_characters += length + 1;
    return text;
}

static bool is_no_number(const char *word)
{
    static const char *const words[] = {"nan", "inf", "infinity"};
    for (size_t i = 0; i < 3; i++) {
        const char *a = word, *b = words[i];
        while (*b && (*a | 0x20) == *b)
            a++, b++;
        if (!*b && !*a)
            return true;
    }
    return false;
}

static int read_word(struct lexer *lexer)
{
    size_t from = lexer->at;
    while (continues_word(peek(lexer, 0)))
        lexer->at++;
    const char *text = keep(lexer, from);
    if (is_no_number(text))
        return fail_at(lexer, from, "'%s' is not a number that can be used; write a finite one",
                       text);
    return add_token(lexer, TOKEN_WORD, from, text, 0);
}

static void pass_digits(struct lexer *lexer)
{
    while (is_digit(peek(lexer, 0)))
        lexer->at++;
}

/* To the end of what a person would take for one piece. */
static int fail_number(struct lexer *lexer, size_t from, const char *why, const char *remedy)
{
    char shown[SHOWN_SIZE];
    for (;;) {
        char c = peek(lexer, 0);
        if (!continues_word(c))
            break;
        lexer->at++;
    }
    statement_shown(shown, lexer->text + from, lexer->at - from);
    return fail_at(lexer, from, "'%s' %s; %s", shown, why, remedy);
}

/* The exponent of "2^32", and the value. */
static bool read_power(struct lexer *lexer, double base, double *value)
{
    size_t from = ++lexer->at;
    pass_digits(lexer);
    int64_t exponent;
    if (!rig_whole_number(lexer->text + from, lexer->at - from, 0, 1023, &exponent, NULL))
        return false;
    double power = 1;
    for (int64_t i = 0; i < exponent; i++)
        power *= base;
    *value = power;
    return isfinite(power);
}

static int read_number(struct lexer *lexer)
{
    size_t from = lexer->at;
    double value = 0;
    const char *why = NULL;
    if (peek(lexer, 0) == '+' || peek(lexer, 0) == '-')
        lexer->at++;
    pass_digits(lexer);
    if (peek(lexer, 0) == '.') {
        lexer->at++;
        pass_digits(lexer);
    }
    /* An e without digits may be the start of a unit. */
    if ((peek(lexer, 0) | 0x20) == 'e') {
        size_t sign = peek(lexer, 1) == '+' || peek(lexer, 1) == '-';
        if (is_digit(peek(lexer, 1 + sign))) {
            lexer->at += 1 + sign;
            pass_digits(lexer);
        }
    }
    if (!rig_number(lexer->text + from, lexer->at - from, &value, &why))
        return fail_number(lexer, from, why, "write one such as 12.5");
    if (peek(lexer, 0) == '^' && !read_power(lexer, value, &value))
        return fail_number(lexer, from, "is not a number", "write one such as 12.5 or 2^32");
    char next = peek(lexer, 0);
    if (continues_word(next) && !starts_word(next))
        return fail_number(lexer, from, "is not a number",
                           "write one such as 12.5, or put quotes around a text");
    return add_token(lexer, TOKEN_NUMBER, from, keep(lexer, from), value);
}

static int read_string(struct lexer *lexer)
{
    size_t from = lexer->at++;
    char *to = lexer->free_characters, *text = to;
    for (;;) {
        char c = peek(lexer, 0);
        if (c == '\n' || c == '\r')
            return fail_at(lexer, from, "this string is not closed; end it with \" in its line");
        if (c == '"')
            break;
        if (c == '\\') {
            c = peek(lexer, 1);
            if (c != '"' && c != '\\')
                return fail_at(lexer, lexer->at,
                               "a backslash before something that needs none; write \\\\ for a "
                               "backslash or \\\" for a quote");
            lexer->at++;
        }
        *to++ = c;
        lexer->at++;
    }
    *to++ = 0;
    lexer->free_characters = to;
    lexer->at++;
    return add_token(lexer, TOKEN_STRING, from, text, 0);
}

static int read_token(struct lexer *lexer)
{
    char c = peek(lexer, 0);
    if (starts_word(c))
        return read_word(lexer);
    size_t sign = c == '+' || c == '-';
    size_t point = peek(lexer, sign) == '.';
    if (is_digit(peek(lexer, sign + point)))
        return read_number(lexer);
    if (c == '"')
        return read_string(lexer);
    if (c == ',') {
        size_t from = lexer->at++;
        return add_token(lexer, TOKEN_COMMA, from, ",", 0);
    }
    if (sign && starts_word(peek(lexer, 1))) {
        lexer->at++;
        return fail_number(lexer, lexer->at - 1, "is not a number",
                           "write one such as 12.5, or put quotes around a text");
    }
    return fail_at(lexer, lexer->at,
                   "'%c' has no meaning here; statements are words, numbers with units, commas and "
                   "\"strings\"",
                   c);
}

static int read_line(struct lexer *lexer)
{
    struct statement_lines *out = lexer->out;
    size_t first = out->token_count;
    int code = 0;
    while (!code) {
        char c = peek(lexer, 0);
        if (c == '\n' || c == '#')
            break;
        if (c == ' ' || c == '\t' || c == '\r')
            lexer->at++;
        else
            code = read_token(lexer);
    }
    if (code)
        return code;
    const char *newline = lexer->at < lexer->size
                              ? memchr(lexer->text + lexer->at, '\n', lexer->size - lexer->at)
                              : NULL;
    lexer->at = newline ? (size_t)(newline - lexer->text) + 1 : lexer->size;
    if (out->token_count > first) {
        void *lines = out->lines;
        bool grown = grow(&lines, &out->line_room, out->line_count, sizeof *out->lines);
        out->lines = lines;
        if (!grown)
            return rig_fail_memory(lexer->err, out->name);
        out->lines[out->line_count++] =
            (struct statement_line){first, out->token_count - first, lexer->line};
    }
    lexer->line++;
    lexer->line_start = lexer->at;
    return 0;
}

int statement_lex(struct statement_lines *lines, const char *text, size_t size, struct rig_err *err)
{
    struct lexer lexer = {.out = lines, .text = text, .size = size, .line = 1, .err = err};
    if (size >= 3 && memcmp(text, "\xef\xbb\xbf", 3) == 0)
        lexer.at = lexer.line_start = 3;
    int code = check_bytes(&lexer);
    if (code)
        return code;
    lexer.line_start = lexer.at;
    /* Each token takes its bytes and a NUL; tokens that touch ("20mm") make that two
     * bytes for each byte of the text at worst. */
    lines->characters = malloc(2 * size + 1);
    if (!lines->characters)
        return rig_fail_memory(err, lines->name);
    lexer.free_characters = lines->characters;
    while (!code && lexer.at < size)
        code = read_line(&lexer);
    return code;
}

void statement_lines_free(struct statement_lines *lines)
{
    free(lines->characters);
    free(lines->tokens);
    free(lines->lines);
    *lines = (struct statement_lines){0};
}
