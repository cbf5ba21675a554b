/* SPDX-License-Identifier: GPL-3.0-or-later
 * One cell of a recording to a number. Private to recording_parse.c. Pure. */
#ifndef RESULTS_RECORDING_CELL_H
#define RESULTS_RECORDING_CELL_H

#include "results/recording_parts.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

static const double cell_powers[] = {1e0,  1e1,  1e2,  1e3,  1e4,  1e5,  1e6,  1e7,  1e8, 1e9,
                                     1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18};
enum { CELL_PLAIN_BYTES = 19 }; /* longer ones could overflow: 18 digits and a point */

static inline unsigned cell_digit(const char *at)
{
    return (unsigned)(unsigned char)*at - '0'; /* 10 and more: none */
}

/* [-]digits[.digits], short enough to be exact. Returns where it ended; NULL when it
 * isn't so simple. A byte that is no digit must follow. */
static inline const char *cell_plain(const char *at, double *value)
{
    uint64_t whole = 0;
    size_t decimals = 0;
    bool negative = *at == '-';
    at += negative;
    const char *first = at;
    for (unsigned d; (d = cell_digit(at)) < 10; at++)
        whole = whole * 10 + d;
    const char *point = at;
    if (*at == '.') {
        at++;
        for (unsigned d; (d = cell_digit(at)) < 10; at++)
            whole = whole * 10 + d;
        decimals = (size_t)(at - point) - 1;
        if (decimals == 0)
            return NULL;
    }
    /* Up to 2^53 all whole numbers are exact in a double. */
    if (point == first || at - first > CELL_PLAIN_BYTES || whole > UINT64_C(1) << 53)
        return NULL;
    double number = (double)(int64_t)whole;
    if (decimals)
        number /= cell_powers[decimals];
    *value = negative ? -number : number;
    return at;
}

/* A cell's end: a comma, or of the last in its line "\n" or "\r\n". Its length, 0: none. */
static inline size_t cell_end(const char *at, bool last)
{
    if (!last)
        return *at == ',';
    return *at == '\n' ? 1 : *at == '\r' && at[1] == '\n' ? 2 : 0;
}

/* A whole line of plain numbers into a row of cells; where the next line starts, or NULL.
 * Nothing beyond the line is looked at. */
static inline const char *line_by_digits(size_t count, const char *at, double *cells)
{
    for (size_t c = 0; c < count; c++, cells += PARSE_BATCH_ROWS) {
        at = cell_plain(at, cells);
        size_t more = at ? cell_end(at, c + 1 == count) : 0;
        if (!more)
            return NULL;
        at += more;
    }
    return at;
}

#endif
