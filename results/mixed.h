/* SPDX-License-Identifier: GPL-3.0-or-later
 * Least squares of many rows that fall into groups, each with an offset of its own that is
 * drawn from one common spread, beside a few parameters that all share: a mixed model. The
 * offsets are eliminated group by group (Schur complement), so that cost and memory grow with
 * the number of groups only by a row of sums each.
 *
 *   r = g offset_k + x' shared + noise of weight w = 1/sigma^2
 *
 * A row may be a prior: about an offset (g = 1), or about a shared parameter (mixed_prior). */
#ifndef RESULTS_MIXED_H
#define RESULTS_MIXED_H

#include "base/err.h"

#include <stdbool.h>
#include <stddef.h>

enum { MIXED_SHARED = 8 };

struct mixed_group {
    double a, y, b[MIXED_SHARED]; /* sums: w g g, w g r, w g x */
    double offset;                /* solved */
};

/* Opaque in use. */
struct mixed {
    size_t shared, count;
    struct mixed_group *groups;
    double n[MIXED_SHARED][MIXED_SHARED], right[MIXED_SHARED];
    double found[MIXED_SHARED], covariance[MIXED_SHARED][MIXED_SHARED]; /* solved */
};

/* shared: 1 to MIXED_SHARED parameters. Freed with mixed_free, also after an error. */
int mixed_open(struct mixed *mixed, size_t shared, size_t groups, struct rig_err *err);
void mixed_free(struct mixed *mixed); /* zeroed allowed */
void mixed_clear(struct mixed *mixed);

void mixed_add(struct mixed *mixed, size_t group, double g, const double x[], double r, double w);
void mixed_prior(struct mixed *mixed, size_t parameter, double r, double w);

/* False: a shared parameter that nothing determines. Groups without rows get offset 0. */
bool mixed_solve(struct mixed *mixed);

/* After mixed_solve. Variance of offset_k + direction' shared: 1/a + (direction - b/a)' C
 * (direction - b/a). direction: NULL for none. */
double mixed_variance(const struct mixed *mixed, size_t group, const double direction[]);
/* How the offset leans on the shared parameters, -b/a. */
void mixed_lean(const struct mixed *mixed, size_t group, double lean[]);
/* direction' C direction. */
double mixed_shared_variance(const struct mixed *mixed, const double direction[]);

#endif
