/* SPDX-License-Identifier: GPL-3.0-or-later
 * The largest of quantities that were read at several depths, each with noise. The largest
 * of what was observed is too large on average: what stands out does so with the help of
 * its noise. Where the quantities change smoothly with depth, their smooth course has no
 * such bias. Pure. */
#ifndef RESULTS_LARGEST_H
#define RESULTS_LARGEST_H

#include "results/sample.h"

#include <stddef.h>

/* values[n] at x[n], each with standard uncertainty u >= 0 of dof degrees of freedom: the
 * largest, at the x, of a course through them with its uncertainty there: of a constant, or
 * where that does not fit (p < 0.05 by the F distribution) a straight line, or a parabola.
 * Where none fits, and for fewer than four values or no noise, the largest value itself, with
 * u. ESTIMATE_UNKNOWN for n = 0 or NaN. */
struct estimate largest_of(const double x[], const double values[], size_t n, double u, double dof);

#endif
