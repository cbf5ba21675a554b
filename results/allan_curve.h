/* SPDX-License-Identifier: GPL-3.0-or-later
 * Allan deviation against averaging time, with intervals, and where it is least: how far
 * averaging helps before drift undoes it. Pure. */
#ifndef RESULTS_ALLAN_CURVE_H
#define RESULTS_ALLAN_CURVE_H

#include "base/err.h"

#include <stddef.h>

enum { ALLAN_CURVE_LIMIT = 48, ALLAN_CURVE_LEAST = 32 };

struct allan_point {
    double tau_s, deviation;
    double low, high; /* 95 % */
    double edf;       /* equivalent degrees of freedom of its square */
};

/* One series of means taken every tau0_s. */
struct allan_series {
    const double *y;
    size_t n;
};

/* Overlapping Allan deviation (results/allan.h) over m = 1, 2, 3, 4, 6, 8, 12 ... values, up to a
 * quarter of the shortest series; squares of several series are averaged. Intervals by
 * chi-squared with the equivalent degrees of freedom of Howe, Allan and Barnes (1981; NIST SP
 * 1065 table 5), for white, flicker or random-walk noise as the curve falls, stays or rises there.
 * points: room for ALLAN_CURVE_LIMIT. RIG_EUNKNOWABLE: no series, one below ALLAN_CURVE_LEAST
 * values. RIG_EINPUT: not finite. RIG_EMEMORY. */
int allan_curve_of(struct allan_point points[], size_t *count, const struct allan_series series[],
                   size_t series_count, double tau0_s, struct rig_err *err);

/* Index of the least point. RIG_EUNKNOWABLE with what is known instead, where the curve still
 * falls at its end, rises from its beginning, or rises later by no more than its
 * uncertainty. */
int allan_curve_least(size_t *least, const struct allan_point points[], size_t count,
                      const char *unit, struct rig_err *err);

#endif
