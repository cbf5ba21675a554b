/* SPDX-License-Identifier: GPL-3.0-or-later
 * Small reader of the reference tables in tests/reference: numbers by column name,
 * certified values by set and parameter. Fails the test when something is missing. */
#ifndef TESTS_REFDATA_H
#define TESTS_REFDATA_H

#include <stddef.h>

enum { REFDATA_ROWS = 1100, REFDATA_COLUMNS = 8 };

struct refdata {
    size_t rows, columns;
    char names[REFDATA_COLUMNS][64];
    double values[REFDATA_COLUMNS][REFDATA_ROWS]; /* NaN where a cell is no number */
};

/* Of a file in tests/reference. */
void refdata_read(struct refdata *data, const char *file);
const double *refdata_column(const struct refdata *data, const char *name);

/* NIST StRD certified value, and its standard deviation where `sd` is not NULL. */
double certified(const char *set, const char *parameter, double *sd);

#endif
