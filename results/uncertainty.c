/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "results/uncertainty.h"

#include "results/student.h"

#include <math.h>

struct uncertainty_sum uncertainty_combine(const struct uncertainty_input inputs[], size_t count,
                                           double share)
{
    struct uncertainty_sum sum = {0};
    for (size_t i = 0; i < count; i++)
        sum.u = hypot(sum.u, inputs[i].sensitivity * inputs[i].u);
    if (isnan(sum.u)) {
        sum.dof_effective = sum.dof = sum.coverage = sum.expanded = NAN;
        return sum;
    }
    /* Shares of the variance, so that nothing under- or overflows. */
    double inverse = 0;
    for (size_t i = 0; i < count; i++) {
        double ratio = sum.u > 0 ? inputs[i].sensitivity * inputs[i].u / sum.u : 0;
        if (isfinite(inputs[i].dof))
            inverse += pow(ratio, 4) / inputs[i].dof;
    }
    sum.dof_effective = inverse > 0 ? 1 / inverse : INFINITY;
    /* A hair above, so that three inputs of 5 degrees each don't lose one to rounding. */
    sum.dof = isinf(sum.dof_effective) ? INFINITY : fmax(floor(sum.dof_effective * (1 + 1e-12)), 1);
    sum.coverage = student_coverage(share, sum.dof);
    sum.expanded = sum.coverage * sum.u;
    return sum;
}

void uncertainty_propagate(double out[], const double jacobian[], size_t outputs,
                           const double covariance[], size_t inputs)
{
    for (size_t a = 0; a < outputs; a++)
        for (size_t b = 0; b < outputs; b++) {
            long double sum = 0;
            for (size_t i = 0; i < inputs; i++)
                for (size_t j = 0; j < inputs; j++)
                    sum += (long double)jacobian[a * inputs + i] * covariance[i * inputs + j] *
                           jacobian[b * inputs + j];
            out[a * outputs + b] = (double)sum;
        }
}

void uncertainty_of_means(double means[], double covariance[], const double observed[], size_t n,
                          size_t inputs)
{
    for (size_t i = 0; i < inputs; i++)
        for (size_t j = i; j < inputs; j++) {
            long double mean_i = 0, mean_j = 0, products = 0;
            for (size_t k = 0; k < n; k++) {
                mean_i += observed[k * inputs + i];
                mean_j += observed[k * inputs + j];
            }
            mean_i /= n ? (long double)n : NAN;
            mean_j /= n ? (long double)n : NAN;
            for (size_t k = 0; k < n; k++)
                products +=
                    (observed[k * inputs + i] - mean_i) * (observed[k * inputs + j] - mean_j);
            double value =
                n > 1 ? (double)(products / ((long double)n * (long double)(n - 1))) : NAN;
            covariance[i * inputs + j] = covariance[j * inputs + i] = value;
            if (means)
                means[i] = (double)mean_i;
        }
}
