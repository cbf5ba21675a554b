/* SPDX-License-Identifier: GPL-3.0-or-later
 * Decimal text to double and back. No locale can change a result: what is handed
 * to the C library has no decimal point in it, and what comes back from it is read
 * digit by digit. */
#include "base/number.h"

#include <float.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* A double that lies halfway between two others has at most 767 significant decimal
 * digits, so that digits beyond 768 matter only as 'something follows'. (Derived from
 * 2^-1075 * odd; e.g. Clinger 1990, 'How to read floating point numbers accurately'.) */
enum { DIGITS_KEPT = 768 };

static bool is_digit(char c)
{
    return c >= '0' && c <= '9';
}

static bool refuse(const char **why, const char *phrase)
{
    if (why)
        *why = phrase;
    return false;
}

/* [+-]digits of an exponent; grows no further than 10^7, which is far out of range
 * whatever the mantissa's length (SIZE_MAX digits can't be in memory with it). */
static bool read_exponent(const char *text, size_t size, int64_t *exponent)
{
    size_t at = 0;
    bool negative = false;
    if (at < size && (text[at] == '+' || text[at] == '-'))
        negative = text[at++] == '-';
    if (at == size)
        return false;
    int64_t sum = 0;
    for (; at < size; at++) {
        if (!is_digit(text[at]))
            return false;
        if (sum < INT64_MAX / 100)
            sum = sum * 10 + (text[at] - '0');
    }
    *exponent = negative ? -sum : sum;
    return true;
}

/* The mantissa's significant digits as text and, the first 19 of them, as a number. */
struct decimal {
    bool negative;
    int64_t exponent;   /* value = 0.DIGITS * 10^... : of the last kept digit */
    uint64_t leading;   /* the number that the digits make, if there are at most 19 */
    size_t digit_count; /* without leading zeros */
    size_t kept;
    bool more; /* a digit other than 0 was left out */
    char digits[DIGITS_KEPT + 32];
};

static bool read_decimal(struct decimal *decimal, const char *text, size_t size)
{
    size_t at = 0;
    bool point = false, any = false;
    decimal->negative = false;
    decimal->exponent = 0;
    decimal->leading = 0;
    decimal->digit_count = decimal->kept = 0;
    decimal->more = false;
    if (at < size && (text[at] == '+' || text[at] == '-'))
        decimal->negative = text[at++] == '-';
    for (; at < size; at++) {
        char c = text[at];
        if (c == '.' && !point) {
            point = true;
            continue;
        }
        if (!is_digit(c))
            break;
        any = true;
        if (point)
            decimal->exponent--;
        if (decimal->digit_count == 0 && c == '0')
            continue;
        decimal->digit_count++;
        if (decimal->digit_count <= 19)
            decimal->leading = decimal->leading * 10 + (uint64_t)(c - '0');
        if (decimal->kept < DIGITS_KEPT) {
            decimal->digits[decimal->kept++] = c;
        } else {
            decimal->exponent++;
            decimal->more = decimal->more || c != '0';
        }
    }
    if (!any)
        return false;
    if (at == size)
        return true;
    if (text[at] != 'e' && text[at] != 'E')
        return false;
    int64_t exponent;
    if (!read_exponent(text + at + 1, size - at - 1, &exponent))
        return false;
    decimal->exponent += exponent;
    return true;
}

/* Correct rounding by the C library (glibc's strtod is exact) of an integer and an
 * exponent, "12345e-7": without a decimal point there is nothing for a locale to
 * change. */
static double read_slowly(struct decimal *decimal)
{
    if (decimal->more) { /* above the halfway point, if it was on it */
        decimal->digits[decimal->kept++] = '1';
        decimal->exponent--;
    }
    int64_t exponent = decimal->exponent;
    if (exponent > 100000)
        exponent = 100000;
    if (exponent < -100000)
        exponent = -100000;
    snprintf(decimal->digits + decimal->kept, sizeof decimal->digits - decimal->kept, "e%d",
             (int)exponent);
    return strtod(decimal->digits, NULL);
}

static const double tens[] = {1e0,  1e1,  1e2,  1e3,  1e4,  1e5,  1e6,  1e7,
                              1e8,  1e9,  1e10, 1e11, 1e12, 1e13, 1e14, 1e15,
                              1e16, 1e17, 1e18, 1e19, 1e20, 1e21, 1e22};

/* mantissa * 10^exponent where both are exact in a double, so that the one operation
 * rounds once (Clinger 1990). False elsewhere. */
static bool read_exactly(uint64_t mantissa, int64_t exponent, double *magnitude)
{
    if (FLT_EVAL_METHOD != 0 || mantissa > (uint64_t)1 << 53 || exponent < -22 || exponent > 22)
        return false;
    *magnitude =
        exponent < 0 ? (double)mantissa / tens[-exponent] : (double)mantissa * tens[exponent];
    return true;
}

/* What most of a recording is made of: a sign, at most 18 digits, a point among them.
 * False for all else, be it a number or not. */
static bool read_simple(const char *text, size_t size, double *value)
{
    size_t at = 0, point = size;
    bool negative = size && text[0] == '-';
    uint64_t mantissa = 0;
    at += negative;
    if (size - at > 19 || at == size)
        return false;
    size_t first = at;
    for (; at < size; at++) {
        unsigned digit = (unsigned char)text[at] - (unsigned)'0';
        if (digit <= 9)
            mantissa = mantissa * 10 + digit;
        else if (text[at] == '.' && point == size)
            point = at;
        else
            return false;
    }
    size_t decimals = point < size ? size - point - 1 : 0;
    double magnitude;
    if (size - first == (point < size) || !read_exactly(mantissa, -(int64_t)decimals, &magnitude))
        return false;
    *value = negative ? -magnitude : magnitude;
    return true;
}

bool rig_number(const char *text, size_t size, double *value, const char **why)
{
    struct decimal decimal;
    if (read_simple(text, size, value))
        return true;
    if (!read_decimal(&decimal, text, size))
        return refuse(why, size ? "is not a number" : "is empty");
    double magnitude = 0;
    if (decimal.digit_count > 19 ||
        (decimal.digit_count > 0 && !read_exactly(decimal.leading, decimal.exponent, &magnitude)))
        magnitude = read_slowly(&decimal);
    if (!isfinite(magnitude))
        return refuse(why, "is too large for a number");
    *value = decimal.negative ? -magnitude : magnitude;
    return true;
}

bool rig_whole_number(const char *text, size_t size, int64_t low, int64_t high, int64_t *value,
                      const char **why)
{
    size_t at = 0;
    bool negative = false;
    if (at < size && (text[at] == '+' || text[at] == '-'))
        negative = text[at++] == '-';
    if (at == size)
        return refuse(why, size ? "is not a whole number" : "is empty");
    /* Summed below zero, where one value more fits. */
    int64_t sum = 0;
    bool beyond = false;
    for (; at < size; at++) {
        if (!is_digit(text[at]))
            return refuse(why, "is not a whole number");
        int digit = text[at] - '0';
        if (sum < (INT64_MIN + digit) / 10)
            beyond = true;
        else if (!beyond)
            sum = sum * 10 - digit;
    }
    if (!negative && sum == INT64_MIN)
        beyond = true;
    if (beyond)
        return refuse(why, negative ? "is too small" : "is too large");
    if (!negative)
        sum = -sum;
    if (sum < low || sum > high)
        return refuse(why, sum < low ? "is too small" : "is too large");
    *value = sum;
    return true;
}

/* Lays out DIGITS * 10^(power - count + 1): plain where that is readable, else with an
 * exponent. */
static size_t lay_out(char *to, bool negative, const char *digits, int count, int power)
{
    char *start = to;
    if (negative)
        *to++ = '-';
    if (power >= -5 && power < 0) {
        *to++ = '0';
        *to++ = '.';
        for (int i = -1; i > power; i--)
            *to++ = '0';
        memcpy(to, digits, (size_t)count);
        to += count;
    } else if (power >= 0 && power < 17) {
        for (int i = 0; i < count || i <= power; i++) {
            if (i == power + 1)
                *to++ = '.';
            *to++ = i < count ? digits[i] : '0';
        }
    } else {
        *to++ = digits[0];
        if (count > 1) {
            *to++ = '.';
            memcpy(to, digits + 1, (size_t)(count - 1));
            to += count - 1;
        }
        to += snprintf(to, 8, "e%d", power);
    }
    *to = 0;
    return (size_t)(to - start);
}

/* One way to print: `precision` significant digits. */
static size_t print_digits(char *to, double value, int precision)
{
    char text[48], digits[24] = "0";
    snprintf(text, sizeof text, "%.*e", precision - 1, fabs(value));
    const char *at = text;
    int count = 0;
    /* Whatever the locale puts for a point is passed over. */
    for (; *at && *at != 'e'; at++)
        if (is_digit(*at) && count < 20)
            digits[count++] = *at;
    int power = *at ? (int)strtol(at + 1, NULL, 10) : 0;
    while (count > 1 && digits[count - 1] == '0')
        count--;
    return lay_out(to, signbit(value), digits, count, power);
}

size_t rig_number_text(char buffer[32], double value)
{
    if (!isfinite(value)) {
        const char *word = isnan(value) ? "nan" : value > 0 ? "inf" : "-inf";
        size_t size = strlen(word);
        memcpy(buffer, word, size + 1);
        return size;
    }
    /* Whole numbers of up to 15 digits are common and need no search. */
    if (fabs(value) < 1e15 && rint(value) == value && !(value == 0 && signbit(value)))
        return (size_t)snprintf(buffer, 32, "%lld", (long long)value);
    /* Fifteen digits find every shorter text (DBL_DIG), except among subnormal
     * numbers, which have fewer digits to them. */
    size_t length = 0;
    for (int precision = fabs(value) < DBL_MIN ? 1 : 15; precision <= 17; precision++) {
        double back = 0;
        length = print_digits(buffer, value, precision);
        if (rig_number(buffer, length, &back, NULL) && back == value)
            break;
    }
    return length;
}
