/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "results/calibration.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static double along_curve(const void *curve, double depth)
{
    return curve_value(curve, depth);
}

static int measure_straightness(struct calibration *calibration, struct rig_err *err)
{
    size_t count = calibration->levels.count;
    double *depth = calloc(count, 2 * sizeof *depth), *reading = depth ? depth + count : NULL;
    if (!depth)
        return rig_fail_memory(err, "measuring straightness");
    for (size_t i = 0; i < count; i++) {
        depth[i] = calibration->levels.level[i].depth;
        reading[i] = calibration->levels.level[i].mean;
    }
    struct rig_err why;
    int failed = straightness_of(&calibration->straightness, depth, reading, count, &why);
    free(depth);
    if (failed == RIG_EMEMORY) {
        if (err)
            *err = why;
        return failed;
    }
    if (failed)
        snprintf(calibration->straightness_reason, sizeof calibration->straightness_reason,
                 "%.255s", why.text);
    return RIG_OK;
}

/* What a single reading's uncertainty is, as far as the table tells. */
static double typical_reading_u(const struct curve *curve, const struct curve_points *points)
{
    if (!points->reading_u)
        return isfinite(curve->residual_sd) && !points->depth_u ? curve->residual_sd : 0;
    double squares = 0;
    for (size_t i = 0; i < points->n; i++)
        squares += points->reading_u[i] * points->reading_u[i];
    return sqrt(squares / (double)points->n);
}

int calibration_make(struct calibration *calibration, const struct curve_points *points,
                     const signed char direction[], const struct curve_options *options,
                     struct rig_err *err)
{
    struct calibration made;
    memset(&made, 0, sizeof made);
    int failed = curve_fit(&made.curve, points, options, err);
    if (failed)
        return failed;
    for (size_t i = 0; direction && i < points->n; i++)
        made.directed = made.directed || direction[i] != LEVEL_UNKNOWN;
    struct level_readings readings = {points->n, points->depth, points->reading,
                                      made.directed ? direction : NULL, points->cycle};
    failed = levels_of(&made.levels, &readings, along_curve, &made.curve, err);
    if (!failed)
        failed = measure_straightness(&made, err);
    if (failed) {
        levels_free(&made.levels);
        return failed;
    }
    hysteresis_of(&made.hysteresis, &made.levels);
    made.inverse_reading_u = typical_reading_u(&made.curve, points);
    *calibration = made;
    return RIG_OK;
}

void calibration_free(struct calibration *calibration)
{
    if (calibration)
        levels_free(&calibration->levels);
}
