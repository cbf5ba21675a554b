/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "results/curve_choose.h"

#include <math.h>

/* Fewer than one polynomial in a thousand that is right misses its points by as much; and AICc
 * has to be lower by what other models of more parameters are asked for. */
static const double misfit_p = 0.001, margin = 6;

static double squares_of(const struct curve *curve)
{
    return isfinite(curve->chi_squared)
               ? curve->chi_squared
               : curve->residual_sd * curve->residual_sd * curve->degrees_of_freedom;
}

double curve_aicc(const struct curve *curve)
{
    bool stated = isfinite(curve->chi_squared);
    double n = (double)curve->n, k = (double)curve_parameters(curve) + (stated ? 0 : 1);
    double spare = n - k - 1, squares = squares_of(curve);
    if (!(spare > 0) || !(squares > 0))
        return NAN;
    return (stated ? squares : n * log(squares / n)) + 2 * k + 2 * k * (k + 1) / spare;
}

int curve_choose(struct curve *curve, const struct curve_points *points, struct rig_err *err)
{
    struct curve polynomial, spline;
    const struct curve_options degrees = {.kind = CURVE_POLYNOMIAL}, knots = {.kind = CURVE_SPLINE};
    int code = curve_fit(&polynomial, points, &degrees, err);
    if (code)
        return code;
    *curve = polynomial;
    bool misfit = isnan(polynomial.chi_squared_p) || polynomial.chi_squared_p < misfit_p;
    if (misfit && curve_fit(&spline, points, &knots, NULL) == RIG_OK && !spline.spline.flattened &&
        curve_aicc(&spline) < curve_aicc(&polynomial) - margin)
        *curve = spline;
    return RIG_OK;
}

double curve_left_u(const struct curve *curve, const struct curve_points *points)
{
    if (!(curve->chi_squared_p < 0.01))
        return 0;
    double squares = 0, known = 0, n = (double)points->n;
    for (size_t i = 0; i < points->n; i++) {
        double off = points->reading[i] - curve_value(curve, points->depth[i]);
        squares += off * off;
        known += points->reading_u[i] * points->reading_u[i] / n;
    }
    return sqrt(fmax(squares / curve->degrees_of_freedom - known, 0));
}
