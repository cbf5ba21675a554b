/* SPDX-License-Identifier: GPL-3.0-or-later
 * What the tests need beyond cmocka, whose own float comparison works in float. */
#ifndef TESTS_CHECK_H
#define TESTS_CHECK_H

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

/* |actual - expected| <= tolerance, in doubles; both NaN counts as equal. */
#define assert_near(actual, expected, tolerance, unit)                                             \
    check_near((actual), (expected), (tolerance), #actual, (unit), __FILE__, __LINE__)
/* At least `digits` matching significant digits: -log10 of the relative error. */
#define assert_digits(actual, expected, digits)                                                    \
    check_digits((actual), (expected), (digits), #actual, __FILE__, __LINE__)
/* A substring is there; prints both when it is not. */
#define assert_contains(text, part) check_contains((text), (part), __FILE__, __LINE__)

void check_near(double actual, double expected, double tolerance, const char *what,
                const char *unit, const char *file, int line);
void check_digits(double actual, double expected, double digits, const char *what, const char *file,
                  int line);
void check_contains(const char *text, const char *part, const char *file, int line);

/* Path of a file in tests/reference, in a static buffer. */
const char *reference_path(const char *name);

/* Runs the shipped program with arguments (as for the shell). Output is captured,
 * NUL-terminated, freed by the caller; stderr too when `errors` is not NULL.
 * Returns its exit status. */
int run_program(const char *arguments, char **output, char **errors);

#endif
