/* SPDX-License-Identifier: GPL-3.0-or-later
 * Student's t and the normal distribution: quantiles, coverage factors, p-values.
 * Degrees of freedom need not be whole; INFINITY stands for the normal distribution.
 * Pure. */
#ifndef RESULTS_STUDENT_H
#define RESULTS_STUDENT_H

/* t with probability p (0 < p < 1) below it; NaN for dof not > 0 or p out of range.
 * Checked against JCGM 100:2008 table G.2. */
double student_quantile(double p, double dof);

/* Factor k such that +-k standard uncertainties hold the given share (0.95) of the
 * distribution, JCGM 100:2008 G.3.1: t_p(dof). */
double student_coverage(double share, double dof);

/* Probability of |T| >= |t|. */
double student_p_two_sided(double t, double dof);

/* Degrees of freedom of a type B uncertainty that is itself known to `relative`
 * (0.25 for "within a quarter"), JCGM 100:2008 G.4.2: 1/2 relative^-2. */
double student_dof_of_reliability(double relative);

#endif
