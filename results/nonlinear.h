/* SPDX-License-Identifier: GPL-3.0-or-later
 * Nonlinear least squares by Levenberg-Marquardt (GSL's multifit_nlinear), with the
 * covariance of the parameters. Knows nothing of the models that it fits. Pure.
 *
 * Trust region with QR, scaling after More, geodesic acceleration (Transtrum & Sethna):
 * of GSL's fifteen combinations the only one, with Levenberg's scaling, that ends in the
 * certified minimum from the far starts of both BoxBOD and MGH17. Reference cases: NIST
 * StRD nonlinear sets, from both published starts. */
#ifndef RESULTS_NONLINEAR_H
#define RESULTS_NONLINEAR_H

#include "base/err.h"

#include <stdbool.h>
#include <stddef.h>

enum { NONLINEAR_PARAMETER_LIMIT = 10 };

/* Fills residual[n] = sqrt(weight) (model - measured) at these parameters. Returns 0;
 * anything else means 'not defined here', and the fit steps back. Not finite counts
 * as not defined. */
typedef int nonlinear_residuals(void *context, const double parameters[], double residual[]);

struct nonlinear_problem {
    size_t n; /* residuals, n >= p */
    size_t p; /* parameters, 1 to NONLINEAR_PARAMETER_LIMIT */
    nonlinear_residuals *residuals;
    void *context;
    const double *typical;  /* p sizes that matter: steps of differences and the one that ends the
                               search are relative to max(|parameter|, typical); NULL: to
                               |parameter| */
    size_t iteration_limit; /* 0: 1000 */
    double tolerance;       /* relative step that ends the search; 0: 1e-11 */
    double flat; /* so little less sum of squares, relative, ends it too; 0: nothing does. 1e-8 of n
                    values is sqrt(1e-8 n) of a standard uncertainty */
    bool quick;  /* starts are near: differences to one side, no acceleration */
};

struct nonlinear_fit {
    size_t n, p;
    double parameters[NONLINEAR_PARAMETER_LIMIT];
    /* Inverse of J'J: times the residual variance it is the covariance of the
     * parameters, on its own where the weights are 1/u^2 with u known. NaN where the
     * parameters can't be told apart (a singular Jacobian). */
    double inverse[NONLINEAR_PARAMETER_LIMIT][NONLINEAR_PARAMETER_LIMIT];
    double sum_of_squares;
    double degrees_of_freedom; /* n - p */
    size_t iterations;
    bool determined; /* J'J could be inverted */
};

/* Minimises the sum of squares from start[p]. Jacobian by central differences (unless quick).
 * fit: caller's, untouched on error. Returns 0; RIG_EUNKNOWABLE when it ends nowhere
 * (the start is not defined, or no minimum within the limit of iterations);
 * RIG_EMEMORY. GSL's error handler should be off. */
int nonlinear_minimise(struct nonlinear_fit *fit, const struct nonlinear_problem *problem,
                       const double start[], struct rig_err *err);

/* The same numbers at given parameters, without a step: for parameters that were found
 * otherwise. iterations is 0. */
int nonlinear_describe(struct nonlinear_fit *fit, const struct nonlinear_problem *problem,
                       const double parameters[], struct rig_err *err);

/* sqrt(inverse[i][i] * residual variance); the residual variance is
 * sum_of_squares/degrees_of_freedom. */
double nonlinear_standard_uncertainty(const struct nonlinear_fit *fit, size_t parameter);

/* Standard uncertainty of a function of the parameters to first order (JCGM 100:2008
 * 5.2), its derivatives by central differences over a hundredth of each parameter's own
 * standard uncertainty. covariance: p rows of NONLINEAR_PARAMETER_LIMIT. NaN where it
 * is not defined. */
double nonlinear_propagate(double (*function)(const void *context, const double parameters[]),
                           const void *context, const double parameters[], size_t p,
                           const double covariance[][NONLINEAR_PARAMETER_LIMIT]);

/* Akaike's information criterion for least squares with unknown variance, corrected
 * for few data (Burnham & Anderson 2002, 7.36): n ln(rss/n) + 2k + 2k(k+1)/(n-k-1)
 * with k = p + 1. INFINITY where n <= k + 1. */
double nonlinear_aicc(size_t n, size_t p, double sum_of_squares);

#endif
