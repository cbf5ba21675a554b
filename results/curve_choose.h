/* SPDX-License-Identifier: GPL-3.0-or-later
 * Polynomial or spline: which of them a characteristic is. Pure. */
#ifndef RESULTS_CURVE_CHOOSE_H
#define RESULTS_CURVE_CHOOSE_H

#include "results/curve.h"

/* The polynomial whose degree AICc chooses; where that misses the points beyond their scatter
 * (chi-squared, p < 0.001; without stated uncertainties AICc alone judges), a monotone spline
 * whose AICc is lower by more than 6 and which nowhere had to be levelled. Errors as curve_fit's;
 * `curve` is untouched on error. */
int curve_choose(struct curve *curve, const struct curve_points *points, struct rig_err *err);

/* AICc, comparable between curves through the same points; NaN for too few of them, and for a
 * curve that meets all of them. */
double curve_aicc(const struct curve *curve);

/* What the curve leaves over at its points beyond what is stated of them: a standard deviation, in
 * the reading's unit, with the curve's degrees_of_freedom; 0 where chi-squared finds nothing
 * (p >= 0.01). points: those that it was fitted to, reading_u stated. */
double curve_left_u(const struct curve *curve, const struct curve_points *points);

#endif
