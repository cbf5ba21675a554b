/* SPDX-License-Identifier: GPL-3.0-or-later
 * A straight line (or any few columns) through values that follow one another in time
 * and may remember the ones before: besides each value's stated noise there is an unknown
 * scatter that decays with time. Takes what is not known about its size and memory into the
 * interval, so that a wandering value doesn't get the narrow interval of independent ones. Pure. */
#ifndef RESULTS_SERIAL_H
#define RESULTS_SERIAL_H

#include "base/err.h"

#include <stddef.h>

enum { SERIAL_COLUMNS = 4, SERIAL_LEAST = 4, SERIAL_COMBINATIONS = 4 };

/* What a combination of the parameters is. */
struct serial_value {
    double value;
    double u;         /* standard uncertainty: half the 95 % interval over the normal's 1.96 */
    double low, high; /* 95 % */
    double widening;  /* interval over Student's of independent errors of unknown size; about 1
                         for white noise */
};

/* Values y[n] at times t[n] (any unit, ascending) = design row (n x columns, row-major) times
 * parameters + errors. u[n] > 0: standard uncertainty of each value by its own noise.
 * combinations[count][columns]: what is asked, e.g. {0, 1} for the second parameter.
 * values[count] is filled.
 *
 * Errors: independent ones of variance u^2, and besides a part of variance a^2 and correlation
 * exp(-|dt|/T). For each (a, T) of a grid: generalised least squares by a Kalman filter; the
 * grid is then averaged with the weights that the restricted likelihood gives (Harville,
 * Biometrika 61 (1974) 383). Beforehand a = 0 counts a quarter, the rest is flat in the
 * logarithm of a; for a third of it T = 0, for the others the correlation of neighbours,
 * exp(-dt/T), is flat up to 0.95. A value whose memory is as long as the series can't be told from
 * a trend by any method.
 *
 * RIG_EINPUT: n < columns + 2 or < SERIAL_LEAST, columns that depend on one another, not finite,
 * times that don't ascend. RIG_EMEMORY. Cost about 200 n (columns + 1)^2. */
int serial_regression(struct serial_value values[], const double combinations[][SERIAL_COLUMNS],
                      size_t count, const double t[], const double design[], const double y[],
                      const double u[], size_t n, size_t columns, struct rig_err *err);

#endif
