/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "results/largest.h"

#include "results/polynomial.h"

#include <gsl/gsl_cdf.h>
#include <math.h>
#include <stdbool.h>
#include <stdlib.h>

static double misfit(const struct polynomial *course, const double x[], const double values[],
                     size_t n, double u)
{
    double squares = 0;
    for (size_t i = 0; i < n; i++) {
        double off = (values[i] - polynomial_value(course, x[i])) / u;
        squares += off * off;
    }
    return squares;
}

static double chance(double squares, double freedom, double dof)
{
    if (isinf(dof))
        return gsl_cdf_chisq_Q(squares, freedom);
    return gsl_cdf_fdist_Q(squares / freedom, freedom, dof);
}

struct estimate largest_of(const double x[], const double values[], size_t n, double u, double dof)
{
    double top = -INFINITY, sum = 0;
    for (size_t i = 0; i < n; i++) {
        top = fmax(top, values[i]);
        sum += values[i] + x[i];
    }
    if (n == 0 || isnan(sum) || isnan(u))
        return ESTIMATE_UNKNOWN;
    struct estimate largest = {top, u, dof};
    double *each_u = n >= 4 && u > 0 ? calloc(n, sizeof *each_u) : NULL;
    if (!each_u)
        return largest;
    for (size_t i = 0; i < n; i++)
        each_u[i] = u;
    struct polynomial course;
    bool fits = false;
    for (size_t degree = 0; degree <= 2 && !fits; degree++)
        fits = polynomial_fit(&course, NULL, x, values, each_u, n, degree, NULL) == RIG_OK &&
               chance(misfit(&course, x, values, n, u), (double)(n - degree - 1), dof) >= 0.05;
    free(each_u);
    if (!fits)
        return largest;
    largest.value = -INFINITY;
    for (size_t i = 0; i < n; i++) {
        double value = polynomial_value(&course, x[i]);
        if (value > largest.value) {
            largest.value = value;
            largest.u = polynomial_value_u(&course, x[i]);
        }
    }
    return largest;
}
