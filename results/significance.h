/* SPDX-License-Identifier: GPL-3.0-or-later
 * Comparing two groups, and several comparisons at once. Pure. */
#ifndef RESULTS_SIGNIFICANCE_H
#define RESULTS_SIGNIFICANCE_H

#include "base/err.h"

#include <stddef.h>

struct welch {
    double difference; /* mean a - mean b */
    double u;          /* its standard uncertainty */
    double dof;        /* Welch-Satterthwaite, not truncated */
    double t, p;       /* p two-sided */
    double low, high;  /* interval for the share asked for */
};

/* Means of two independent groups whose variances may differ (Welch, Biometrika 34
 * (1947) 28). RIG_EUNKNOWABLE: a group of fewer than two; both without any spread.
 * RIG_EINPUT: not finite. Reference case: Student's sleep data. */
int welch_of(struct welch *result, const double a[], size_t n_a, const double b[], size_t n_b,
             double share, struct rig_err *err);

/* The same from means, standard uncertainties of the means and their degrees of
 * freedom (> 0; INFINITY allowed). */
int welch_of_means(struct welch *result, double mean_a, double u_a, double dof_a, double mean_b,
                   double u_b, double dof_b, double share, struct rig_err *err);

/* p-values corrected for asking `n` questions (Holm, Scand. J. Statist. 6 (1979) 65):
 * corrected[i] belongs to p[i]; each is at most 1 and in the order of p. NaN stays NaN
 * and isn't counted. RIG_EMEMORY. */
int holm_correct(double corrected[], const double p[], size_t n, struct rig_err *err);

/* Smallest difference that a comparison with this standard uncertainty and these degrees of freedom
 * shows with the given power (0.8) at two-sided level alpha (0.05):
 * (t_(1-alpha/2) + t_power) u, the usual approximation (Cohen 1988, chapter 2, with
 * t for the normal). */
double smallest_difference(double u, double dof, double alpha, double power);

/* Grubbs' test for the value farthest from the mean of n: *which is its index, returned is
 * the chance of one as far among n of a normal law, to either side (Grubbs, Technometrics 11
 * (1969) 1). NaN below three values or without any spread. */
double grubbs_p(const double values[], size_t n, size_t *which);

#endif
