/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "results/significance.h"

#include "results/moments.h"
#include "results/student.h"

#include <math.h>
#include <stdlib.h>

int welch_of(struct welch *result, const double a[], size_t n_a, const double b[], size_t n_b,
             double share, struct rig_err *err)
{
    if (n_a < 2 || n_b < 2)
        return rig_fail(err, RIG_EUNKNOWABLE,
                        "%zu and %zu values; a comparison needs two or more on each side", n_a,
                        n_b);
    struct moments of_a = moments_of(a, n_a), of_b = moments_of(b, n_b);
    return welch_of_means(result, of_a.mean, of_a.standard_error, (double)(n_a - 1), of_b.mean,
                          of_b.standard_error, (double)(n_b - 1), share, err);
}

int welch_of_means(struct welch *result, double mean_a, double u_a, double dof_a, double mean_b,
                   double u_b, double dof_b, double share, struct rig_err *err)
{
    struct welch made = {.difference = mean_a - mean_b, .u = hypot(u_a, u_b)};
    if (!isfinite(made.difference) || !isfinite(made.u) || !(dof_a > 0) || !(dof_b > 0))
        return rig_fail(err, RIG_EINPUT, "a value to be compared is not finite");
    if (!(made.u > 0))
        return rig_fail(err, RIG_EUNKNOWABLE,
                        "neither side varies at all, so chance can't be judged");
    double share_a = (u_a / made.u) * (u_a / made.u), share_b = (u_b / made.u) * (u_b / made.u);
    double inverse = share_a * share_a / dof_a + share_b * share_b / dof_b;
    made.dof = inverse > 0 ? 1 / inverse : INFINITY;
    made.t = made.difference / made.u;
    made.p = student_p_two_sided(made.t, made.dof);
    double half = student_coverage(share, made.dof) * made.u;
    made.low = made.difference - half;
    made.high = made.difference + half;
    *result = made;
    return RIG_OK;
}

struct ranked {
    double p;
    size_t at;
};

static int by_p(const void *a, const void *b)
{
    const struct ranked *left = a, *right = b;
    if (left->p != right->p)
        return left->p < right->p ? -1 : 1;
    return left->at < right->at ? -1 : left->at > right->at;
}

int holm_correct(double corrected[], const double p[], size_t n, struct rig_err *err)
{
    struct ranked *order = calloc(n ? n : 1, sizeof *order);
    if (!order)
        return rig_fail_memory(err, "correcting several comparisons");
    size_t count = 0;
    for (size_t i = 0; i < n; i++) {
        corrected[i] = p[i];
        if (!isnan(p[i]))
            order[count++] = (struct ranked){p[i], i};
    }
    qsort(order, count, sizeof *order, by_p);
    double floor_so_far = 0;
    for (size_t i = 0; i < count; i++) {
        double raised = fmin((double)(count - i) * order[i].p, 1);
        floor_so_far = fmax(floor_so_far, raised);
        corrected[order[i].at] = floor_so_far;
    }
    free(order);
    return RIG_OK;
}

double smallest_difference(double u, double dof, double alpha, double power)
{
    return (student_quantile(1 - alpha / 2, dof) + student_quantile(power, dof)) * u;
}

double grubbs_p(const double values[], size_t n, size_t *which)
{
    *which = 0;
    if (n < 3)
        return NAN;
    struct moments all = moments_of(values, n);
    double farthest = 0, count = (double)n;
    for (size_t i = 0; i < n; i++)
        if (fabs(values[i] - all.mean) > farthest) {
            farthest = fabs(values[i] - all.mean);
            *which = i;
        }
    if (!(all.sd > 0))
        return NAN;
    double g = farthest / all.sd, most = (count - 1) / sqrt(count);
    double left = (count - 1) * (count - 1) - count * g * g;
    if (!(left > 0) || g >= most)
        return 0;
    double t = sqrt(count * (count - 2) * g * g / left);
    return fmin(1, count * student_p_two_sided(t, count - 2));
}
