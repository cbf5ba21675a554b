/* SPDX-License-Identifier: GPL-3.0-or-later
 * Covariance of fitted parameters when the residuals of one group (a pass, a cycle)
 * hang together: the group, not the point, is what was repeated. Pure.
 *
 *   V = (X'X)^-1 [ sum over groups g of (X_g' e_g)(X_g' e_g)' ] (X'X)^-1
 *
 * CR0 is V itself, CR1 is V x G/(G-1) x (N-1)/(N-K) (Liang and Zeger, Biometrika 73
 * (1986) 13; the factor of common econometrics programs). Intervals take G - 1
 * degrees of freedom. Every point its own group: CR0 becomes White's covariance,
 * and when in addition all squared residuals are equal it becomes the ordinary one,
 * but for the factor (N-K)/N; a test shows both. Where every group repeats the same design, V is
 * exactly the spread of the parameters fitted group by group, divided by G (CR0: with G in place of
 * G - 1). */
#ifndef RESULTS_CLUSTER_H
#define RESULTS_CLUSTER_H

#include "base/err.h"
#include "results/lsq.h"

#include <stddef.h>

enum cluster_kind { CLUSTER_CR0, CLUSTER_CR1 };

/* covariance: p x p row-major. fit: of the same design and y (row-major n x p),
 * weighted by 1/u^2 where u is not NULL. group[i] from 0 to groups-1, groups that are
 * empty don't count. RIG_EINPUT for fewer than two groups. Reference case: Grunfeld. */
int cluster_covariance(double covariance[], const struct lsq_fit *fit, const double design[],
                       const double y[], const double u[], const size_t group[], size_t n,
                       size_t groups, enum cluster_kind kind, struct rig_err *err);

#endif
