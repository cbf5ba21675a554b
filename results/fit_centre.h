/* SPDX-License-Identifier: GPL-3.0-or-later
 * The mean characteristic: at each depth the reading half way between rising and
 * falling water, which is what a curve and its straightness are about (ISA-51.1). Pure. */
#ifndef RESULTS_FIT_CENTRE_H
#define RESULTS_FIT_CENTRE_H

#include "base/err.h"

#include <stdbool.h>
#include <stddef.h>

struct centre_sample {
    double depth_mm, reading;
    int direction; /* +1 rising, -1 falling */
    size_t cycle;
    double speed_mm_s; /* 0: at rest */
};

/* Parallel arrays, ascending in depth, then in cycle. */
struct centres {
    double *depth_mm, *reading;
    size_t *cycle;
    size_t n, cycles;
    double common_depth_u_mm; /* what all points may be off by together; 0: nothing known */
    bool one_sided;           /* never read from the other side: half a loop off */
};

/* From dwells at rest. Depths within 0.05 mm are one level. Where a cycle has a level from
 * one side only, as at the turn of stairs, the mean half width of the other levels'
 * loop is taken off: the mean in depth, where the slope (reading per mm at a depth) is known,
 * for a loop of one width in depth is higher where the curve is steep; NULL: the mean in
 * reading. RIG_EMEMORY; n 0 gives none. The caller frees. */
typedef double centre_slope(const void *curve, double depth_mm);
int centres_at_rest(struct centres *centres, const struct centre_sample samples[], size_t n,
                    centre_slope *slope, const void *curve, struct rig_err *err);

/* From passes at steady speed: samples of one grid of depths. The middle of rising and
 * falling moves with speed by half the difference of their lags, so it is drawn to rest
 * by a line over the speeds. With one speed it can't be: then common_depth_u_mm holds half a
 * loop's width, taken as a rectangle. slope: reading per mm, for that width. */
int centres_at_speed(struct centres *centres, const struct centre_sample samples[], size_t n,
                     double slope, struct rig_err *err);

void centres_free(struct centres *centres); /* zeroed allowed */

#endif
