/* SPDX-License-Identifier: GPL-3.0-or-later
 * Repeatability from ramps, where stairs were not repeated: the largest spread of
 * passes of one kind at one depth (43 CFR 3175.135). */
#include "results/fit_parts.h"

#include <math.h>
#include <stdlib.h>

struct spread {
    double low, high, sum, squares;
    size_t n;
};

/* Passes of one family have the same bins, so bin k is one depth from one side: nearly so,
 * since rows fall a little earlier or later in it. Readings are moved along the curve to
 * that depth, which is what the difference from the curve amounts to. */
static void take(const struct fit_work *work, double start_s, struct spread spreads[], size_t bins,
                 const struct digest_point points[], size_t count)
{
    if (count != bins) /* a pass with a gap can't be laid beside the others */
        return;
    for (size_t k = 0; k < bins; k++) {
        struct spread *spread = &spreads[k];
        double depth = fit_depth_mm(work, start_s + points[k].t_s);
        double reading = points[k].mean - curve_value(&work->curve, depth);
        if (depth < work->low_mm || depth > work->high_mm)
            continue;
        spread->low = spread->n ? fmin(spread->low, reading) : reading;
        spread->high = spread->n ? fmax(spread->high, reading) : reading;
        spread->sum += reading;
        spread->squares += reading * reading;
        spread->n++;
    }
}

static int one_family(struct fit_work *work, uint32_t family, double *largest, double *squares,
                      double *freedom, struct rig_err *err)
{
    const struct plan_segment *segments = plan_segments(work->plan);
    struct spread *spreads = NULL;
    size_t bins = 0;
    int code = RIG_OK;
    for (size_t i = 0; !code && i < plan_segment_count(work->plan); i++) {
        struct digest_point *points = NULL;
        size_t count;
        if (segments[i].family != family)
            continue;
        code = fit_segment_points(work, work->sensor_source, work->sensor_channel, i, &points,
                                  &count, err);
        if (!code && !spreads && count) {
            bins = count;
            spreads = calloc(bins, sizeof *spreads);
            code = spreads ? RIG_OK : rig_fail_memory(err, "the spread of passes");
        }
        if (!code && spreads)
            take(work, segments[i].start_s, spreads, bins, points, count);
        free(points);
    }
    for (size_t k = 0; !code && k < bins; k++) {
        const struct spread *spread = &spreads[k];
        if (spread->n < 2)
            continue;
        double n = (double)spread->n, mean = spread->sum / n;
        *largest = fmax(*largest, spread->high - spread->low);
        *squares += fmax(0, spread->squares - n * mean * mean);
        *freedom += n - 1;
    }
    free(spreads);
    return code;
}

int fit_repeat_of_ramps(struct fit_work *work, struct rig_err *err)
{
    struct result *result = result_find_mutable(&work->fit->results, "repeatability");
    if (!result || isfinite(result->value) || !work->has_curve)
        return RIG_OK;
    double largest = 0, squares = 0, freedom = 0;
    for (size_t f = 0; f < plan_family_count(work->plan); f++) {
        if (plan_families(work->plan)[f].kind != SEGMENT_RAMP)
            continue;
        int code = one_family(work, (uint32_t)f, &largest, &squares, &freedom, err);
        if (code)
            return code;
    }
    if (freedom > 0)
        result_set(result, 100 * largest / fabs(work->span),
                   100 * sqrt(squares / freedom) / fabs(work->span), freedom,
                   "largest spread of ramps of one kind at one depth (43 CFR 3175.135)");
    return RIG_OK;
}
