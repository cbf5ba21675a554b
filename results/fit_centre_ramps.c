/* SPDX-License-Identifier: GPL-3.0-or-later
 * The mean characteristic from ramps, for profiles without stairs: readings of steady
 * passes at a grid of depths, both ways and at every speed. */
#include "results/fit_parts.h"

#include <math.h>
#include <stdlib.h>

enum { GRID = 16 };

/* Where a pass counts as steady before any lag is known: after this long, or this share
 * of it if that is sooner. */
static const double settle_s = 1.5, settle_share = 0.35;

static bool is_ramp(const struct plan_segment *segment)
{
    return segment->kind == SEGMENT_RAMP && segment->direction != 0;
}

static bool steady(const struct fit_work *work, const struct plan_segment *ramp, double t_s)
{
    double speed = fabs(plan_speed_mm_s(work->plan, ramp->start_s + t_s));
    return t_s >= fmin(settle_s, settle_share * ramp->duration_s) &&
           fabs(speed - (double)ramp->speed_mm_s) < 0.005 * (double)ramp->speed_mm_s;
}

/* The depths that the slowest ramps pass steadily, both ways. */
static bool find_grid(const struct fit_work *work, double *low, double *high)
{
    const struct plan_segment *segments = plan_segments(work->plan);
    double slowest = INFINITY, from[2] = {0, INFINITY}, start_s, end_s;
    for (size_t i = 0; i < plan_segment_count(work->plan); i++)
        if (is_ramp(&segments[i]))
            slowest = fmin(slowest, (double)segments[i].speed_mm_s);
    for (size_t i = 0; i < plan_segment_count(work->plan); i++) {
        const struct plan_segment *ramp = &segments[i];
        if (!is_ramp(ramp) || (double)ramp->speed_mm_s > 1.02 * slowest ||
            !digest_window(work->digests[work->sensor_source], i, &start_s, &end_s))
            continue;
        double lost = fmin(settle_s, settle_share * ramp->duration_s) * (double)ramp->speed_mm_s;
        /* Rising passes lose their shallow end to settling, falling ones the deep end. */
        if (ramp->direction > 0)
            from[0] = fmax(from[0], (double)ramp->from_mm + lost);
        else
            from[1] = fmin(from[1], (double)ramp->from_mm - lost);
    }
    *low = from[0];
    *high = from[1];
    return isfinite(from[1]) && from[0] > 0 && from[1] - from[0] > GRID * 0.2;
}

/* Readings of one pass at the grid's depths, between its bins by a straight line. */
static size_t sample_pass(const struct fit_work *work, const struct plan_segment *ramp,
                          const struct digest_point points[], size_t count, double low, double high,
                          struct centre_sample samples[])
{
    size_t n = 0;
    for (size_t g = 0; g < GRID; g++) {
        double depth = low + (high - low) * (double)g / (GRID - 1);
        for (size_t i = 1; i < count; i++) {
            if (!steady(work, ramp, points[i - 1].t_s) || !steady(work, ramp, points[i].t_s))
                continue;
            double a = fit_depth_mm(work, ramp->start_s + points[i - 1].t_s);
            double b = fit_depth_mm(work, ramp->start_s + points[i].t_s);
            if ((depth - a) * (depth - b) > 0 || a == b)
                continue;
            samples[n++] = (struct centre_sample){.depth_mm = depth,
                                                  .reading = points[i - 1].mean +
                                                             (points[i].mean - points[i - 1].mean) *
                                                                 (depth - a) / (b - a),
                                                  .direction = ramp->direction,
                                                  .speed_mm_s = (double)ramp->speed_mm_s};
            break;
        }
    }
    return n;
}

int fit_centres_of_ramps(struct fit_work *work, struct rig_err *err)
{
    const struct plan_segment *segments = plan_segments(work->plan);
    size_t ramps = 0, n = 0;
    double low, high;
    if (!find_grid(work, &low, &high))
        return RIG_OK;
    for (size_t i = 0; i < plan_segment_count(work->plan); i++)
        ramps += is_ramp(&segments[i]);
    struct centre_sample *samples = calloc(ramps * GRID + 1, sizeof *samples);
    if (!samples)
        return rig_fail_memory(err, "the passes of a recording");
    int code = RIG_OK;
    for (size_t i = 0; !code && i < plan_segment_count(work->plan); i++) {
        struct digest_point *points = NULL;
        size_t count;
        if (!is_ramp(&segments[i]))
            continue;
        code = fit_segment_points(work, work->sensor_source, work->sensor_channel, i, &points,
                                  &count, err);
        if (!code)
            n += sample_pass(work, &segments[i], points, count, low, high, samples + n);
        free(points);
    }
    if (!code && n > 1) {
        double first = samples[0].reading, last = samples[0].reading;
        for (size_t i = 0; i < n; i++) {
            if (samples[i].depth_mm == low)
                first = samples[i].reading;
            if (samples[i].depth_mm == high)
                last = samples[i].reading;
        }
        code = centres_at_speed(&work->centres, samples, n, (last - first) / (high - low), err);
    }
    free(samples);
    return code;
}
