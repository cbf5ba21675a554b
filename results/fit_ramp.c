/* SPDX-License-Identifier: GPL-3.0-or-later
 * Ramps: how far behind the true depth the inferred one lies once the response is
 * steady, pass by pass. */
#include "results/fit_parts.h"

#include <math.h>
#include <stdlib.h>

/* Responses have died out to e^-7 = 0.1 % after seven lags. */
static const double lags_to_steady = 7;

struct offsets {
    double mean, sd_of_mean, from_mm, to_mm;
    size_t bins;
};

static bool covered(const struct fit_work *work, double depth)
{
    return depth >= work->low_mm && depth <= work->high_mm;
}

/* direction x (true - inferred), over the bins at full speed that begin after from_s. What of a lag
 * of lag_s has not built up yet, e^(-t/lag), is added: little from seven lags on, but one way. */
static struct offsets offset_after(const struct fit_work *work, size_t segment,
                                   const struct digest_point points[], size_t count, double from_s,
                                   double lag_s)
{
    const struct plan_segment *ramp = &plan_segments(work->plan)[segment];
    struct offsets offsets = {.mean = NAN};
    double sum = 0, squares = 0, weight = 0;
    for (size_t i = 0; i < count; i++) {
        double plan_s = ramp->start_s + points[i].t_s;
        double speed = fabs(plan_speed_mm_s(work->plan, plan_s));
        bool steady = fabs(speed - (double)ramp->speed_mm_s) < 0.005 * (double)ramp->speed_mm_s;
        if (points[i].t_s < from_s + points[i].width_s || !steady)
            continue;
        double inferred = fit_inferred_depth(work, points[i].mean);
        double depth = fit_depth_mm(work, plan_s);
        /* Beyond its ends the curve goes straight on: good for noise, not for a mean. */
        if (!covered(work, inferred) || !covered(work, depth))
            continue;
        double late = ramp->direction * (depth - inferred);
        if (lag_s > 0)
            late += (double)ramp->speed_mm_s * lag_s * exp(-points[i].t_s / lag_s);
        sum += points[i].n * late;
        squares += points[i].n * late * late;
        weight += points[i].n;
        if (offsets.bins++ == 0)
            offsets.from_mm = depth;
        offsets.to_mm = depth;
    }
    if (offsets.bins < 3)
        return offsets;
    offsets.mean = sum / weight;
    double bins = (double)offsets.bins;
    double variance = fmax(0, squares / weight - offsets.mean * offsets.mean) * bins / (bins - 1);
    offsets.sd_of_mean = sqrt(variance / bins);
    return offsets;
}

/* The lag is not known beforehand: a first look at the second half of the ramp gives it,
 * a second one begins where the response is steady. False where no part is. */
static bool steady_offset(const struct fit_work *work, size_t segment,
                          const struct digest_point points[], size_t count, struct offsets *offsets)
{
    const struct plan_segment *ramp = &plan_segments(work->plan)[segment];
    double from_s = 0.5 * ramp->duration_s;
    *offsets = offset_after(work, segment, points, count, from_s, 0);
    if (!isfinite(offsets->mean))
        return false;
    for (int look = 0; look < 2; look++) {
        double lag_s = fmax(offsets->mean, 0) / (double)ramp->speed_mm_s;
        from_s = fmax(lags_to_steady * lag_s, 0.1 * ramp->duration_s);
        if (from_s > 0.75 * ramp->duration_s)
            return false;
        *offsets = offset_after(work, segment, points, count, from_s, lag_s);
        if (!isfinite(offsets->mean))
            return false;
    }
    return true;
}

int fit_ramp_passes(struct fit_work *work, struct rig_err *err)
{
    size_t segments = plan_segment_count(work->plan), ramps = 0;
    const struct plan_segment *segment = plan_segments(work->plan);
    for (size_t i = 0; i < segments; i++)
        ramps += segment[i].kind == SEGMENT_RAMP;
    work->passes = calloc(ramps + 1, sizeof *work->passes);
    if (!work->passes)
        return rig_fail_memory(err, "the passes of a recording");
    for (size_t i = 0; i < segments; i++) {
        if (segment[i].kind != SEGMENT_RAMP || segment[i].direction == 0)
            continue;
        struct digest_point *points;
        size_t count;
        int code = fit_segment_points(work, work->sensor_source, work->sensor_channel, i, &points,
                                      &count, err);
        if (code)
            return code;
        struct offsets offsets;
        double start_s, end_s;
        if (count > 0 && digest_window(work->digests[work->sensor_source], i, &start_s, &end_s) &&
            steady_offset(work, i, points, count, &offsets))
            work->passes[work->pass_count++] = (struct ramp_pass){
                .speed_mm_s = (double)segment[i].speed_mm_s,
                .direction = segment[i].direction,
                .late_mm = offsets.mean,
                .late_sd = offsets.sd_of_mean,
                .host_s = (start_s + end_s) / 2,
                .from_mm = offsets.from_mm,
                .to_mm = offsets.to_mm,
                .bins = offsets.bins,
                .segment = i,
                .family = segment[i].family,
            };
        free(points);
    }
    return RIG_OK;
}
