/* SPDX-License-Identifier: GPL-3.0-or-later
 * A monotone spline through smoothed knots: Steffen's interpolation (Astron. Astrophys.
 * 239 (1990) 443), whose knots are fitted to the points by least squares. It never
 * overshoots: between two knots it stays between their readings. For characteristics
 * that no polynomial follows, such as one with a knee. Pure. */
#ifndef RESULTS_SPLINE_H
#define RESULTS_SPLINE_H

#include "base/err.h"
#include "results/lsq.h"

#include <stdbool.h>
#include <stddef.h>

enum { SPLINE_KNOTS = 16 };

/* Plain data, may be copied. */
struct spline {
    size_t knots; /* 3 to SPLINE_KNOTS */
    double x[SPLINE_KNOTS], y[SPLINE_KNOTS];
    double covariance[SPLINE_KNOTS][SPLINE_KNOTS]; /* of y */
    bool flattened; /* knots that ran against the trend were levelled */
};

/* Beyond the end knots both continue straight. */
double spline_value(const struct spline *spline, double x);
double spline_slope(const struct spline *spline, double x);
/* Change of the value per change of each knot's y, gradient[knots]. */
void spline_gradient(const struct spline *spline, double x, double gradient[]);
double spline_value_u(const struct spline *spline, double x);

/* Depths closer than this share of their range count as one. */
#define SPLINE_SAME 1e-9
/* How many different x there are; x[n] ascending. */
size_t spline_different(const double x[], size_t n);

/* Knots at even shares of the different depths, both ends included. x[n] ascending.
 * RIG_EINPUT for fewer different x than knots. */
int spline_place_knots(struct spline *spline, const double x[], size_t n, size_t knots,
                       struct rig_err *err);

/* Fits the knots' y (Gauss-Newton). u as for lsq: NULL, or stated. fit (may be NULL)
 * holds the last linearisation: parameters are the knots' y. Knots that run against
 * the trend are then levelled (pool adjacent violators, weights 1/variance). */
int spline_fit(struct spline *spline, struct lsq_fit *fit, const double x[], const double y[],
               const double u[], size_t n, struct rig_err *err);

#endif
