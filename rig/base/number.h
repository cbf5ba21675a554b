/* SPDX-License-Identifier: GPL-3.0-or-later
 * Numbers from text, strictly: the whole field or nothing, the same in every
 * locale, finite or refused. */
#ifndef BASE_NUMBER_H
#define BASE_NUMBER_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/* The whole of text[0..size) as a decimal number: [+-]digits[.digits][e[+-]digits],
 * at least one digit in the mantissa (".5" and "5." are numbers); no blanks, no hex, no
 * nan, no inf.
 * Correctly rounded. Returns true and sets *value, or false (then *why is a
 * phrase such as "is not a number", "is too large for a number") with *value
 * untouched. `why` may be NULL. A result that underflows to 0 is taken as 0. */
bool rig_number(const char *text, size_t size, double *value, const char **why);

/* The same for whole numbers in [low, high]. */
bool rig_whole_number(const char *text, size_t size, int64_t low, int64_t high, int64_t *value,
                      const char **why);

/* The fewest digits that read back as the same double, without an exponent from
 * 0.00001 to 1e17; "nan" for NaN, "inf"/"-inf", "-0" for a negative zero.
 * buffer has at least 32 bytes. Returns its length. Independent of locale. */
size_t rig_number_text(char buffer[32], double value);

#endif
