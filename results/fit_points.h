/* SPDX-License-Identifier: GPL-3.0-or-later
 * Settled dwells from the digest of a hold. Pure. */
#ifndef RESULTS_FIT_POINTS_H
#define RESULTS_FIT_POINTS_H

#include "results/digest.h"

#include <stdbool.h>

struct settled {
    double mean, row_sd, n;
    double middle_s; /* since the hold's start */
    bool settled;    /* trend within noise; else the reading still crept */
};

/* points: of one hold in order of time. Tries from 40 % of the dwell on, then later
 * and later, until the trend lies within its noise. Returns false when there are too
 * few rows for any mean; *settled is then unspecified. */
bool fit_settled_mean(struct settled *settled, const struct digest_point points[], size_t count,
                      double duration_s);

#endif
