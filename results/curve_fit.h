/* SPDX-License-Identifier: GPL-3.0-or-later
 * Inside of results/curve.c: fits one polynomial or spline to calibration points and
 * chooses its size by AICc. Not for others. */
#ifndef RESULTS_CURVE_FIT_H
#define RESULTS_CURVE_FIT_H

#include "results/curve.h"
#include "results/lsq.h"

/* Fill curve->polynomial or ->spline, ->chosen and the candidates. size 0: choose. Points
 * are checked, two or more of different depth. `fit` tells parameters of the Chebyshev
 * basis or the knots. */
int curve_fit_polynomial(struct curve *curve, struct lsq_fit *fit,
                         const struct curve_points *points, size_t degree, struct rig_err *err);
int curve_fit_spline(struct curve *curve, struct lsq_fit *fit, const struct curve_points *points,
                     size_t knots, struct rig_err *err);

#endif
