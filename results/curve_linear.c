/* SPDX-License-Identifier: GPL-3.0-or-later
 * A curve as what it is in its parameters, Chebyshev coefficients or readings at knots: nearly or
 * wholly linear, so that any error of theirs can be carried on. */
#include "results/curve.h"

#include <math.h>

size_t curve_parameters(const struct curve *curve)
{
    return curve->kind == CURVE_SPLINE ? curve->spline.knots : curve->polynomial.degree + 1;
}

void curve_gradient(const struct curve *curve, double depth, double gradient[])
{
    if (curve->kind == CURVE_SPLINE) {
        spline_gradient(&curve->spline, depth, gradient);
        return;
    }
    long double row[POLYNOMIAL_TERMS];
    polynomial_row(&curve->polynomial, depth, row);
    for (size_t k = 0; k <= curve->polynomial.degree; k++)
        gradient[k] = (double)row[k];
}

double curve_covariance(const struct curve *curve, size_t k, size_t l)
{
    return curve->kind == CURVE_SPLINE ? curve->spline.covariance[k][l]
                                       : curve->polynomial.basis_covariance[k][l];
}

double curve_slope_u(const struct curve *curve, double depth)
{
    if (curve->kind == CURVE_POLYNOMIAL)
        return polynomial_slope_u(&curve->polynomial, depth);
    double before[CURVE_PARAMETERS] = {0}, behind[CURVE_PARAMETERS] = {0}, variance = 0;
    double step = 1e-4 * (curve->high - curve->low);
    size_t count = curve_parameters(curve);
    curve_gradient(curve, depth - step, before);
    curve_gradient(curve, depth + step, behind);
    for (size_t k = 0; k < count; k++)
        for (size_t l = 0; l < count; l++)
            variance +=
                (behind[k] - before[k]) * curve_covariance(curve, k, l) * (behind[l] - before[l]);
    return sqrt(fmax(variance, 0)) / (2 * step);
}
