/* SPDX-License-Identifier: GPL-3.0-or-later
 * How a quantity that was taken once a cycle moved with time, and with temperature where
 * that was recorded: slope with an honest interval, significance, what temperature explains
 * and what it leaves. Pure. Formulas: docs/methods_night.md. */
#ifndef RESULTS_DRIFT_H
#define RESULTS_DRIFT_H

#include "base/err.h"
#include "results/serial.h"

#include <stdbool.h>
#include <stddef.h>

enum { DRIFT_RANKS_FROM = 8, DRIFT_TEXT_SIZE = 200 };

struct drift_series {
    size_t n; /* at most TREND_LIMIT; cycles, ascending in time */
    const double *t_h, *value;
    const double *u;           /* of each value by its readings' noise, > 0 */
    const double *temperature; /* degC, one a cycle; NULL: none was recorded */
    double temperature_u;      /* noise of one of them */
};

/* slope.value is NaN where there is none, and then `reason` says why. */
struct drift {
    struct serial_value slope; /* per hour, as it was: temperature's part included */
    double p;                  /* Mann-Kendall, two-sided, widened likewise; NaN below 8 values */
    char method[DRIFT_TEXT_SIZE], reason[DRIFT_TEXT_SIZE];
    /* Straight line in time and temperature. */
    struct serial_value coefficient; /* per degC */
    struct serial_value left;        /* per hour, at steady temperature */
    bool explains; /* the coefficient's interval leaves out 0: temperature was part of it */
    char temperature_reason[DRIFT_TEXT_SIZE]; /* why there is neither */
};

/* Two or three values: a straight line, its interval from the stated u. Up to 7: a straight line
 * with serial correlation (results/serial.h). From 8: Theil-Sen slope (results/trend.h), with as
 * wide an interval as the straight line's with serial correlation: Sen's own, for
 * independent values, would be too narrow. Temperature is used from 8 values on, where its variance
 * about its own trend is at least 100 times that of its noise: then the coefficient comes out less
 * than 1 % too small for that. Where it explains part of the drift, the slope is that of the
 * straight line, its interval that of what temperature leaves. Only RIG_EMEMORY is an error. */
int drift_of(struct drift *drift, const struct drift_series *series, struct rig_err *err);

#endif
