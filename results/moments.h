/* SPDX-License-Identifier: GPL-3.0-or-later
 * Mean, standard deviation, lag-1 autocorrelation, and one-way analysis of variance
 * with random effects. Two passes in long double, so that a small spread on a large
 * offset keeps its digits. Pure. */
#ifndef RESULTS_MOMENTS_H
#define RESULTS_MOMENTS_H

#include "base/err.h"

#include <stddef.h>

struct moments {
    size_t n;
    double mean;
    double sd;              /* n - 1; NaN for n < 2 */
    double standard_error;  /* sd / sqrt(n), independent values */
    double autocorrelation; /* lag 1, NIST StRD definition; NaN when it can't be known */
};

/* y: n finite values in order of time; others make everything NaN. n = 0: all NaN.
 * Reference cases: NIST StRD univariate sets. */
struct moments moments_of(const double y[], size_t n);

/* The value of rank k (from 0) of n; reorders `values`. NaN for n = 0. */
double moments_select(double values[], size_t n, size_t k);
/* Reorders. Mean of the two middle values for even n. */
double moments_median(double values[], size_t n);

/* y = mean + group + error, both random. Groups may differ in size. */
struct oneway {
    size_t n, groups;
    double mean; /* of all values */
    double between_squares, within_squares;
    double between_dof, within_dof;
    double between_mean_square, within_mean_square;
    double f, p;                 /* F and its probability under equal groups */
    double within_sd;            /* repeatability */
    double between_variance;     /* (MSB - MSW) / n0, not below 0 */
    double between_variance_raw; /* the same unclipped: negative is possible */
    double n0;                   /* effective size of a group */
};

/* group[i] from 0 to groups-1, any order. RIG_EINPUT: fewer than two groups that
 * hold values, no group with two, values that are not finite, too large a group
 * number. Reference case: NIST StRD SiRstv. Searle, Casella, McCulloch (1992) 3.6. */
int oneway_of(struct oneway *result, const double y[], const size_t group[], size_t n,
              size_t groups, struct rig_err *err);

#endif
