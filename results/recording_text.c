/* SPDX-License-Identifier: GPL-3.0-or-later
 * Numbers to text for the cells of a recording. printf would follow the locale, and
 * is slow where every row has several. */
#include "results/recording_parts.h"

#include <math.h>

static const double POWERS[] = {1e0, 1e1, 1e2,  1e3,  1e4,  1e5,  1e6,  1e7,
                                1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15};

enum { DIGITS = 9, LOWEST_PLAIN = -5, HIGHEST_PLAIN = 14 };

size_t cell_fixed(char to[CELL_SIZE], double value, unsigned decimals)
{
    double scaled = fabs(value) * POWERS[decimals];
    if (decimals > 6 || !(scaled < 9e15))
        return 0;
    uint64_t digits = (uint64_t)(scaled + 0.5);
    char reversed[CELL_SIZE];
    size_t n = 0, size = 0;
    if (value < 0 && digits)
        to[size++] = '-';
    for (unsigned i = 0; i < decimals; i++, digits /= 10)
        reversed[n++] = (char)('0' + digits % 10);
    if (decimals)
        reversed[n++] = '.';
    do {
        reversed[n++] = (char)('0' + digits % 10);
        digits /= 10;
    } while (digits);
    while (n)
        to[size++] = reversed[--n];
    return size;
}

/* value = 0.d1d2...d9 * 10^(exponent + 1), value > 0. */
static uint32_t significant(double value, int *exponent)
{
    int moved = 0;
    /* A step at a time costs an ulp each, far below the ninth digit. */
    while (value < 1e-5) {
        value *= 1e10;
        moved -= 10;
    }
    while (value >= 1e15) {
        value /= 1e10;
        moved += 10;
    }
    int at = LOWEST_PLAIN;
    while (at < HIGHEST_PLAIN && value >= (at + 1 < 0 ? 1 / POWERS[-(at + 1)] : POWERS[at + 1]))
        at++;
    int scale = DIGITS - 1 - at; /* -6 .. 13: these powers are exact */
    double scaled = scale >= 0 ? value * POWERS[scale] : value / POWERS[-scale];
    uint64_t digits = (uint64_t)(scaled + 0.5);
    if (digits >= 1000000000) {
        digits /= 10;
        at++;
    } else if (digits < 100000000) { /* value lay an ulp below the power of ten */
        digits = (uint64_t)(scaled * 10 + 0.5);
        at--;
    }
    *exponent = at + moved;
    return (uint32_t)digits;
}

size_t cell_value(char to[CELL_SIZE], double value)
{
    if (!isfinite(value))
        return 0;
    double size_of = fabs(value);
    if (size_of < 1e9 && value == rint(value))
        return cell_fixed(to, value, 0);
    int exponent;
    uint32_t left = significant(size_of, &exponent);
    char digits[DIGITS];
    int count = DIGITS;
    for (int i = DIGITS; i--; left /= 10)
        digits[i] = (char)('0' + left % 10);
    while (count > 1 && digits[count - 1] == '0')
        count--;
    size_t size = 0;
    if (value < 0)
        to[size++] = '-';
    bool plain = exponent >= LOWEST_PLAIN && exponent <= HIGHEST_PLAIN;
    int point = plain ? exponent + 1 : 1; /* digits before the point */
    if (point <= 0) {
        to[size++] = '0';
        to[size++] = '.';
        for (int i = point; i < 0; i++)
            to[size++] = '0';
    }
    for (int i = 0; i < count || i < point; i++) {
        if (i == point && i > 0)
            to[size++] = '.';
        to[size++] = i < count ? digits[i] : '0';
    }
    if (!plain) {
        to[size++] = 'e';
        size += cell_fixed(to + size, exponent, 0);
    }
    return size;
}
