/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "results/cluster.h"

#include <math.h>
#include <stdlib.h>

/* Adds X_g' W e_g of every row to the group's p sums. */
static void add_scores(long double scores[], const struct lsq_fit *fit, const double design[],
                       const double y[], const double u[], const size_t group[], size_t n)
{
    size_t p = fit->p;
    for (size_t i = 0; i < n; i++) {
        const double *row = design + i * p;
        long double residual = y[i], weight = u ? 1 / ((long double)u[i] * u[i]) : 1;
        for (size_t k = 0; k < p; k++)
            residual -= row[k] * fit->exact[k];
        for (size_t k = 0; k < p; k++)
            scores[group[i] * p + k] += weight * row[k] * residual;
    }
}

int cluster_covariance(double covariance[], const struct lsq_fit *fit, const double design[],
                       const double y[], const double u[], const size_t group[], size_t n,
                       size_t groups, enum cluster_kind kind, struct rig_err *err)
{
    size_t p = fit->p, filled = 0;
    if (n != fit->n)
        return rig_fail(err, RIG_EBUG, "%zu rows for a fit of %llu", n, (unsigned long long)fit->n);
    long double *scores = calloc(groups * p + 1, sizeof *scores);
    size_t *counts = calloc(groups + 1, sizeof *counts);
    int failed = scores && counts ? RIG_OK : rig_fail_memory(err, "grouping residuals");
    for (size_t i = 0; i < n && !failed; i++) {
        if (group[i] >= groups)
            failed = rig_fail(err, RIG_EBUG, "row %zu is in group %zu of %zu", i, group[i], groups);
        else if (counts[group[i]]++ == 0)
            filled++;
    }
    if (!failed && filled < 2)
        failed = rig_fail(err, RIG_EINPUT,
                          "%zu pass can't show how much passes differ; two or more can", filled);
    if (!failed) {
        add_scores(scores, fit, design, y, u, group, n);
        long double factor = 1;
        if (kind == CLUSTER_CR1)
            factor = (long double)filled / (long double)(filled - 1) * (long double)(n - 1) /
                     (long double)(n > p ? n - p : 1);
        for (size_t i = 0; i < p * p; i++)
            covariance[i] = 0;
        for (size_t g = 0; g < groups; g++) {
            /* (X'X)^-1 = root root' */
            long double inner[LSQ_LIMIT], outer[LSQ_LIMIT];
            for (size_t k = 0; k < p; k++) {
                inner[k] = 0;
                for (size_t l = 0; l <= k; l++)
                    inner[k] += fit->root[l][k] * scores[g * p + l];
            }
            for (size_t k = 0; k < p; k++) {
                outer[k] = 0;
                for (size_t l = k; l < p; l++)
                    outer[k] += fit->root[k][l] * inner[l];
            }
            for (size_t k = 0; k < p; k++)
                for (size_t l = 0; l < p; l++)
                    covariance[k * p + l] += (double)(factor * outer[k] * outer[l]);
        }
    }
    free(scores);
    free(counts);
    return failed;
}
