/* SPDX-License-Identifier: GPL-3.0-or-later
 * Polynomials of one variable and their least-squares fit. Worked in Chebyshev
 * polynomials of t = (x - centre) / half, t in [-1, 1] over the data, which keeps
 * the digits that powers of x lose; turned into powers of x at the end in long
 * double, for those who need coefficients. Evaluation uses the Chebyshev form.
 * Pure. Reference cases: NIST StRD Norris, Pontius, Wampler 1 to 5, Filip. */
#ifndef RESULTS_POLYNOMIAL_H
#define RESULTS_POLYNOMIAL_H

#include "base/err.h"
#include "results/lsq.h"

#include <stddef.h>

enum { POLYNOMIAL_DEGREE_LIMIT = 12, POLYNOMIAL_TERMS = POLYNOMIAL_DEGREE_LIMIT + 1 };

/* Plain data, may be copied. */
struct polynomial {
    size_t degree;
    double low, high;               /* the data it was fitted to, x */
    double centre, half;            /* t = (x - centre) / half; half > 0 */
    double basis[POLYNOMIAL_TERMS]; /* Chebyshev coefficients */
    double basis_covariance[POLYNOMIAL_TERMS][POLYNOMIAL_TERMS];
    double power[POLYNOMIAL_TERMS]; /* y = sum power[k] x^k */
    double power_covariance[POLYNOMIAL_TERMS][POLYNOMIAL_TERMS];
};

/* Sets domain and scale from the range of the data; RIG_EINPUT when all x are equal
 * or one is not finite. Coefficients become 0. */
int polynomial_domain(struct polynomial *polynomial, const double x[], size_t n, size_t degree,
                      struct rig_err *err);

/* The Chebyshev polynomials 0..degree at x, a row of the design. */
void polynomial_row(const struct polynomial *polynomial, double x, long double row[]);

/* Takes coefficients and covariance from a fit whose first degree+1 columns are
 * polynomial_row; further columns are nuisance parameters and are left out. */
void polynomial_take(struct polynomial *polynomial, const struct lsq_fit *fit);

/* Replaces the covariance by another of the same Chebyshev coefficients (one over
 * clusters, say; row-major (degree+1)^2), in both forms. */
void polynomial_set_covariance(struct polynomial *polynomial, const double covariance[]);

/* Fits y[n] with standard uncertainties u[n] (NULL: unweighted, covariance from the
 * residuals). fit may be NULL. RIG_EINPUT as lsq_solve, and for a degree above
 * POLYNOMIAL_DEGREE_LIMIT or one that the number of different x can't carry. */
int polynomial_fit(struct polynomial *polynomial, struct lsq_fit *fit, const double x[],
                   const double y[], const double u[], size_t n, size_t degree,
                   struct rig_err *err);

double polynomial_value(const struct polynomial *polynomial, double x);
double polynomial_slope(const struct polynomial *polynomial, double x);
/* Standard uncertainty of value and slope from the coefficients' covariance. */
double polynomial_value_u(const struct polynomial *polynomial, double x);
double polynomial_slope_u(const struct polynomial *polynomial, double x);

#endif
