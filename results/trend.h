/* SPDX-License-Identifier: GPL-3.0-or-later
 * Trends without assumptions about the distribution: Theil-Sen slope with its
 * interval, Mann-Kendall test with ties. Pure. */
#ifndef RESULTS_TREND_H
#define RESULTS_TREND_H

#include "base/err.h"

#include <stddef.h>

enum { TREND_LIMIT = 4000 }; /* values; thin longer series first */

struct mann_kendall {
    double s;        /* sum of signs over all pairs */
    double variance; /* of s when there is no trend, ties counted */
    double z;        /* with continuity correction */
    double p;        /* two-sided */
};

/* y[n] in order of x; pairs of equal x (x NULL: no two are) don't count in s.
 * n >= 3, all finite, else RIG_EINPUT. Mann, Econometrica 13 (1945) 245; Kendall
 * (1975) for ties. */
int mann_kendall_of(struct mann_kendall *result, const double x[], const double y[], size_t n,
                    struct rig_err *err);

struct theil_sen {
    double slope;              /* median of the slopes of all pairs */
    double low, high;          /* interval, Sen (1968) equation 2.6 */
    double intercept;          /* median of y - slope x */
    double intercept_separate; /* median y - slope x median x */
    size_t slopes;             /* pairs of different x */
    struct mann_kendall test;
};

/* share: of the interval (0.95). RIG_EINPUT: n < 3 or above TREND_LIMIT, not finite,
 * all x equal. The interval's ranks are rounded outwards; where they lie beyond the
 * slopes there are, low is -INFINITY and high INFINITY. Sen, J. Am. Stat. Assoc. 63
 * (1968) 1379. Cost n^2 time, 4 n^2 bytes. */
int theil_sen_of(struct theil_sen *result, const double x[], const double y[], size_t n,
                 double share, struct rig_err *err);

#endif
