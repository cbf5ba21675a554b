/* SPDX-License-Identifier: GPL-3.0-or-later
 * Linear least squares by Householder QR: any design, optional weights, rows added
 * one by one, so that memory doesn't grow with their number. All sums are kept in
 * long double (64-bit significand or better), which is what the harder reference
 * sets need: Longley 9 digits, Filip 7. Pure; nothing is allocated by the
 * accumulating calls.
 *
 *   struct lsq sums;
 *   lsq_start(&sums, p);
 *   for each row: lsq_add(&sums, row, y, u);
 *   lsq_solve(&fit, &sums, LSQ_FROM_RESIDUALS, err);
 *
 * Polynomials are better served by results/polynomial.h, which picks a basis that
 * keeps its digits. */
#ifndef RESULTS_LSQ_H
#define RESULTS_LSQ_H

#include "base/err.h"

#include <stddef.h>
#include <stdint.h>

enum { LSQ_LIMIT = 20 }; /* most parameters of one fit */

/* Where the parameters' uncertainties come from. */
enum lsq_scale {
    LSQ_FROM_RESIDUALS, /* covariance times the residual variance; JCGM 100:2008 H.3 */
    LSQ_FROM_STATED     /* the u given with each row, not rescaled; ISO/TS 28037:2010 6.2 */
};

/* Rows so far: the triangle R of the weighted design with the right-hand side as its
 * last column. Plain data, may be copied. */
struct lsq {
    size_t p;
    uint64_t n;
    long double r[LSQ_LIMIT + 1][LSQ_LIMIT + 1];
};

struct lsq_fit {
    size_t p;
    uint64_t n;
    double degrees_of_freedom; /* n - p */
    double chi_squared;        /* sum of (residual / u)^2; u = 1 where none was given */
    double residual_sd;        /* sqrt(chi_squared / dof); NaN when dof is 0 */
    double parameter[LSQ_LIMIT];
    double covariance[LSQ_LIMIT][LSQ_LIMIT]; /* scaled as asked; NaN when it can't be known */
    double unscaled[LSQ_LIMIT][LSQ_LIMIT];   /* (X' W X)^-1 */
    /* The same unrounded, for those who transform parameters: covariance of the
     * unscaled kind is root root'. */
    long double exact[LSQ_LIMIT];
    long double root[LSQ_LIMIT][LSQ_LIMIT]; /* R^-1, upper triangle */
};

/* p from 1 to LSQ_LIMIT, else RIG_EBUG. */
int lsq_start(struct lsq *sums, size_t p, struct rig_err *err);

/* One row: x[0..p), the observation y and its standard uncertainty u > 0 (1 for
 * unweighted). Not finite: the sums become NaN and lsq_solve refuses. */
void lsq_add(struct lsq *sums, const double x[], double y, double u);
void lsq_add_exact(struct lsq *sums, const long double x[], long double y, long double u);

/* Adds the rows of `from`, which has the same p. */
void lsq_merge(struct lsq *into, const struct lsq *from);

/* Parameters from the sums. RIG_EINPUT: fewer rows than parameters, columns that
 * depend on one another (which one), a row that wasn't finite. n = p is solved,
 * without an uncertainty unless it is stated. `fit` is untouched on error. */
int lsq_solve(struct lsq_fit *fit, const struct lsq *sums, enum lsq_scale scale,
              struct rig_err *err);

/* The first p' <= p columns only, from the same sums: nested models cost nothing. */
int lsq_solve_first(struct lsq_fit *fit, const struct lsq *sums, size_t p, enum lsq_scale scale,
                    struct rig_err *err);

/* All at once: design row-major n x p; u[n] or NULL. With u the covariance is the
 * stated one. Then, from a second pass over the residuals, chi_squared loses
 * nothing to cancellation. Sources checked: NIST StRD linear sets. */
int lsq_fit_rows(struct lsq_fit *fit, const double design[], const double y[], const double u[],
                 size_t n, size_t p, struct rig_err *err);

/* Generalised least squares: observations with a full covariance matrix (n x n,
 * row-major, symmetric, positive definite, else RIG_EINPUT), which is taken as
 * stated. Cost n^3; n at most 2000. */
int lsq_fit_covariance(struct lsq_fit *fit, const double design[], const double y[],
                       const double covariance[], size_t n, size_t p, struct rig_err *err);

/* Value of the fitted function at a row of the design, and its standard uncertainty
 * (may be NULL) from the parameters' covariance. */
double lsq_predict(const struct lsq_fit *fit, const double x[], double *u);

#endif
