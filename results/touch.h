/* SPDX-License-Identifier: GPL-3.0-or-later
 * Where a board that goes slowly down from the air meets the water, by its own reading: flat in
 * air, straight in the water, and the place where both meet. Pure. */
#ifndef RESULTS_TOUCH_H
#define RESULTS_TOUCH_H

#include "base/err.h"

#include <stddef.h>

struct touch_point {
    double depth_mm; /* that the stage was at, by the datum in use */
    double reading;
    double weight; /* > 0: readings that it is the mean of */
};

struct touch_fit {
    double surface_mm, surface_u_mm; /* depth at which the reading leaves its value in air */
    double air, slope;               /* reading in air; per mm below the surface */
};

/* points: ascending in depth, at least 12 of different depths, half of them at most in air. Least
 * squares of air + slope max(0, depth - surface); the uncertainty from how fast the sum of squares
 * grows beside its minimum (likelihood ratio of one parameter, noise from the residuals).
 * RIG_EUNKNOWABLE with the reason: the reading does not change within the way, or from its
 * very beginning. */
int touch_find(struct touch_fit *fit, const struct touch_point points[], size_t n,
               struct rig_err *err);

#endif
