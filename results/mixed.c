/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "results/mixed.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

int mixed_open(struct mixed *mixed, size_t shared, size_t groups, struct rig_err *err)
{
    *mixed = (struct mixed){.shared = shared, .count = groups};
    if (shared < 1 || shared > MIXED_SHARED)
        return rig_fail(err, RIG_EBUG, "%zu shared parameters", shared);
    mixed->groups = calloc(groups + 1, sizeof *mixed->groups);
    return mixed->groups ? RIG_OK : rig_fail_memory(err, "the groups of a fit");
}

void mixed_free(struct mixed *mixed)
{
    free(mixed->groups);
    *mixed = (struct mixed){0};
}

void mixed_clear(struct mixed *mixed)
{
    memset(mixed->groups, 0, (mixed->count + 1) * sizeof *mixed->groups);
    memset(mixed->n, 0, sizeof mixed->n);
    memset(mixed->right, 0, sizeof mixed->right);
}

void mixed_add(struct mixed *mixed, size_t group, double g, const double x[], double r, double w)
{
    struct mixed_group *own = &mixed->groups[group];
    own->a += w * g * g;
    own->y += w * g * r;
    for (size_t i = 0; i < mixed->shared; i++) {
        own->b[i] += w * g * x[i];
        mixed->right[i] += w * x[i] * r;
        for (size_t k = 0; k <= i; k++)
            mixed->n[i][k] += w * x[i] * x[k];
    }
}

void mixed_prior(struct mixed *mixed, size_t parameter, double r, double w)
{
    mixed->n[parameter][parameter] += w;
    mixed->right[parameter] += w * r;
}

/* Inverse of a symmetric positive matrix (lower triangle given) by Cholesky, scaled by its
 * diagonal so that units don't matter. */
static bool invert(size_t n, double a[][MIXED_SHARED], double inverse[][MIXED_SHARED])
{
    double l[MIXED_SHARED][MIXED_SHARED] = {{0}}, scale[MIXED_SHARED];
    for (size_t i = 0; i < n; i++) {
        if (!(a[i][i] > 0))
            return false;
        scale[i] = 1 / sqrt(a[i][i]);
    }
    for (size_t i = 0; i < n; i++)
        for (size_t k = 0; k <= i; k++) {
            double sum = a[i][k] * scale[i] * scale[k];
            for (size_t m = 0; m < k; m++)
                sum -= l[i][m] * l[k][m];
            if (i == k && !(sum > 1e-13))
                return false;
            l[i][k] = i == k ? sqrt(sum) : sum / l[k][k];
        }
    for (size_t column = 0; column < n; column++) {
        double x[MIXED_SHARED] = {0};
        for (size_t i = 0; i < n; i++) {
            x[i] = i == column;
            for (size_t m = 0; m < i; m++)
                x[i] -= l[i][m] * x[m];
            x[i] /= l[i][i];
        }
        for (size_t i = n; i-- > 0;) {
            for (size_t m = i + 1; m < n; m++)
                x[i] -= l[m][i] * x[m];
            x[i] /= l[i][i];
            inverse[i][column] = x[i] * scale[i] * scale[column];
        }
    }
    return true;
}

bool mixed_solve(struct mixed *mixed)
{
    size_t p = mixed->shared;
    double n[MIXED_SHARED][MIXED_SHARED], right[MIXED_SHARED];
    memcpy(n, mixed->n, sizeof n);
    memcpy(right, mixed->right, sizeof right);
    for (size_t k = 0; k < mixed->count; k++) {
        const struct mixed_group *own = &mixed->groups[k];
        if (!(own->a > 0))
            continue;
        for (size_t i = 0; i < p; i++) {
            right[i] -= own->b[i] * own->y / own->a;
            for (size_t j = 0; j <= i; j++)
                n[i][j] -= own->b[i] * own->b[j] / own->a;
        }
    }
    if (!invert(p, n, mixed->covariance))
        return false;
    for (size_t i = 0; i < p; i++) {
        mixed->found[i] = 0;
        for (size_t k = 0; k < p; k++)
            mixed->found[i] += mixed->covariance[i][k] * right[k];
    }
    for (size_t k = 0; k < mixed->count; k++) {
        struct mixed_group *own = &mixed->groups[k];
        double left = own->y;
        for (size_t i = 0; i < p; i++)
            left -= own->b[i] * mixed->found[i];
        own->offset = own->a > 0 ? left / own->a : 0;
    }
    return true;
}

double mixed_shared_variance(const struct mixed *mixed, const double direction[])
{
    double sum = 0;
    for (size_t i = 0; i < mixed->shared; i++)
        for (size_t k = 0; k < mixed->shared; k++)
            sum += direction[i] * mixed->covariance[i][k] * direction[k];
    return fmax(sum, 0);
}

void mixed_lean(const struct mixed *mixed, size_t group, double lean[])
{
    const struct mixed_group *own = &mixed->groups[group];
    for (size_t i = 0; i < mixed->shared; i++)
        lean[i] = own->a > 0 ? -own->b[i] / own->a : 0;
}

double mixed_variance(const struct mixed *mixed, size_t group, const double direction[])
{
    double lean[MIXED_SHARED], a = mixed->groups[group].a;
    mixed_lean(mixed, group, lean);
    for (size_t i = 0; direction && i < mixed->shared; i++)
        lean[i] += direction[i];
    return (a > 0 ? 1 / a : 0) + mixed_shared_variance(mixed, lean);
}
