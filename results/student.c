/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "results/student.h"

#include <gsl/gsl_cdf.h>
#include <math.h>

double student_quantile(double p, double dof)
{
    if (!(p > 0 && p < 1) || !(dof > 0))
        return NAN;
    /* Beyond a million the library's t loses digits and the normal law has them. */
    if (dof >= 1e6)
        return gsl_cdf_ugaussian_Pinv(p);
    double t = gsl_cdf_tdist_Pinv(p, dof);
    /* One Newton step on the exact distribution function: the library's own
     * inverse stops at about ten digits for some degrees of freedom. */
    double slope = exp(lgamma((dof + 1) / 2) - lgamma(dof / 2)) / sqrt(dof * acos(-1.0)) *
                   pow(1 + t * t / dof, -(dof + 1) / 2);
    double off = t < 0 ? gsl_cdf_tdist_P(t, dof) - p : (1 - p) - gsl_cdf_tdist_Q(t, dof);
    double better = t - off / slope;
    return isfinite(better) ? better : t;
}

double student_coverage(double share, double dof)
{
    return student_quantile(0.5 + share / 2, dof);
}

double student_p_two_sided(double t, double dof)
{
    if (!(dof > 0) || isnan(t))
        return NAN;
    if (dof >= 1e6)
        return 2 * gsl_cdf_ugaussian_Q(fabs(t));
    return 2 * gsl_cdf_tdist_Q(fabs(t), dof);
}

double student_dof_of_reliability(double relative)
{
    return relative > 0 ? 0.5 / (relative * relative) : INFINITY;
}
