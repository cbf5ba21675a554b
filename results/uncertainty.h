/* SPDX-License-Identifier: GPL-3.0-or-later
 * The law of propagation of uncertainty: budgets of independent contributions with
 * effective degrees of freedom, and correlated inputs. Pure. */
#ifndef RESULTS_UNCERTAINTY_H
#define RESULTS_UNCERTAINTY_H

#include <stddef.h>

/* One line of a budget. */
struct uncertainty_input {
    const char *name;
    char type;          /* 'A' by statistics, 'B' by other means */
    double sensitivity; /* change of the result per change of the input */
    double u;           /* standard uncertainty of the input, >= 0 */
    double dof;         /* its degrees of freedom, INFINITY when known well */
};

struct uncertainty_sum {
    double u;             /* combined standard uncertainty */
    double dof_effective; /* Welch-Satterthwaite, JCGM 100:2008 G.4.1, equation G.2b */
    double dof;           /* the same truncated to a whole number, at least 1 (G.4.1 note, H.1.6) */
    double coverage;      /* t_p(dof) */
    double expanded;      /* coverage x u */
};

/* Root sum of squares of count independent contributions, expanded for the given
 * share (0.95, 0.99). NaN contributions give NaN. Reference case: JCGM 100:2008 H.1. */
struct uncertainty_sum uncertainty_combine(const struct uncertainty_input inputs[], size_t count,
                                           double share);

/* Half the width of the interval that holds the given share of a sum of independent errors:
 * one that follows Student's t with dof degrees of freedom, scaled by u (>= 0), and `count`
 * rectangular ones, each within +-half_widths[i]. The distributions are convolved, as JCGM
 * 101:2008 propagates them: for rectangular contributions t times the root sum of squares is
 * too wide (their interval is 0.95 of the half width where one rules, not 1.13). Accurate to
 * 1e-4 of the result. Below two degrees of freedom, where the first moment does not exist, and
 * without rectangles it is t times the root sum of squares. NaN for NaN. Reference cases: JCGM
 * 101:2008 9.2. */
double uncertainty_half_width(double u, double dof, const double half_widths[], size_t count,
                              double share);

/* Covariance of `outputs` results that depend on `inputs` correlated inputs:
 * out = J C J', with J outputs x inputs and C inputs x inputs, row-major.
 * JCGM 100:2008 5.2.2 and H.2.3; out is outputs x outputs and must not overlap. */
void uncertainty_propagate(double out[], const double jacobian[], size_t outputs,
                           const double covariance[], size_t inputs);

/* Covariance of the means of `inputs` quantities observed together `n` times, rows
 * of observations row-major n x inputs (JCGM 100:2008 5.2.3, equation 17); means may
 * be NULL. n < 2 gives NaN. */
void uncertainty_of_means(double means[], double covariance[], const double observed[], size_t n,
                          size_t inputs);

#endif
