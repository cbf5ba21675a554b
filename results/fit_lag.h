/* SPDX-License-Identifier: GPL-3.0-or-later
 * Private to results/fit_lag*.c. */
#ifndef RESULTS_FIT_LAG_H
#define RESULTS_FIT_LAG_H

#include "results/fit_parts.h"
#include "results/loop.h"

/* What the curve has a part in. */
enum {
    CURVE_ON_HYSTERESIS,
    CURVE_ON_SUM,
    CURVE_ON_RISING,
    CURVE_ON_FALLING,
    CURVE_ON_DIFFERENCE,
    CURVE_ON
};

/* A rising and a falling pass of one speed, one after the other, make a pair. `pairs` has room for
 * count; returns how many there are. */
size_t fit_lag_pairs(struct loop_pass pairs[], const struct ramp_pass passes[], size_t count);

/* What pairs and directions tell. RIG_EUNKNOWABLE as loop_separate and loop_by_direction say it. */
int fit_lag_separate(struct loop_fit *loop, struct loop_directions *ways,
                     const struct ramp_pass passes[], size_t count, struct rig_err *err);

/* Standard uncertainties, mm and s, of those results by the covariance of the curve's parameters
 * (JCGM 100:2008 5.2.2). False: not known in this way (one speed, no memory). */
bool fit_lag_curve_u(double u[CURVE_ON], const struct curve *curve, const struct ramp_pass passes[],
                     size_t count);

#endif
