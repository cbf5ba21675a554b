/* SPDX-License-Identifier: GPL-3.0-or-later
 * Links of the chain: what a link did around each step, behind the link before it. */
#include "results/fit_links.h"

#include "results/links.h"

#include <math.h>
#include <stdlib.h>

struct side {
    struct sample *samples; /* from the plan's segment start */
    size_t count;
};

static int add_segment(const struct fit_work *work, size_t index, double origin_s, double from_s,
                       struct side *side, struct rig_err *err)
{
    struct digest_point *points;
    size_t count;
    int code = fit_segment_points(work, work->sensor_source, work->sensor_channel, index, &points,
                                  &count, err);
    if (code)
        return code;
    struct sample *larger =
        realloc(side->samples, (side->count + count + 1) * sizeof *side->samples);
    if (!larger) {
        free(points);
        return rig_fail_memory(err, "a link's step");
    }
    side->samples = larger;
    double start_s = plan_segments(work->plan)[index].start_s - origin_s;
    for (size_t i = 0; i < count; i++) {
        double depth = fit_inferred_depth(work, points[i].mean), t_s = start_s + points[i].t_s;
        bool later = !side->count || t_s > side->samples[side->count - 1].t_s;
        if (isfinite(depth) && t_s >= from_s && later)
            side->samples[side->count++] =
                sample_of_bin(t_s, points[i].width_s, depth, points[i].n);
    }
    free(points);
    return RIG_OK;
}

static bool holds(const struct fit_work *work, size_t index)
{
    return index < plan_segment_count(work->plan) &&
           plan_segments(work->plan)[index].kind == SEGMENT_HOLD;
}

/* The end of the hold before a step, the step, and the hold after it. */
static int around(const struct fit_work *work, size_t index, struct side *side, struct rig_err *err)
{
    const struct plan_segment *segments = plan_segments(work->plan);
    double origin_s = segments[index].start_s;
    int code = RIG_OK;
    side->count = 0;
    if (index > 0 && holds(work, index - 1))
        code = add_segment(work, index - 1, origin_s,
                           -fmin(0.4 * segments[index - 1].duration_s, 2), side, err);
    if (!code)
        code = add_segment(work, index, origin_s, -INFINITY, side, err);
    if (!code)
        code = add_segment(work, index + 1, origin_s, -INFINITY, side, err);
    return code;
}

struct tally {
    double sum, squares;
    size_t n;
};

static void take(struct tally *tally, double value)
{
    if (!isfinite(value))
        return;
    tally->sum += value;
    tally->squares += value * value;
    tally->n++;
}

static struct estimate mean_of(const struct tally *tally)
{
    double n = (double)tally->n, mean = n > 0 ? tally->sum / n : (double)NAN;
    if (tally->n < FEWEST_STEPS)
        return ESTIMATE_UNKNOWN;
    return (struct estimate){mean, sqrt(fmax(0, tally->squares - n * mean * mean) / (n - 1) / n),
                             n - 1};
}

int link_from_steps(struct link *link, const struct link *before, struct rig_err *err)
{
    const struct fit_work *work = &link->work;
    struct side ahead = {0}, behind = {0};
    struct tally tally[STEP_VALUES] = {0}, rate = {0};
    size_t limited = 0, steps = 0;
    size_t all = 0, met = 0, every;
    for (size_t i = 0; i < plan_segment_count(work->plan); i++)
        all += plan_segments(work->plan)[i].kind == SEGMENT_STEP;
    every = all / MOST_STEPS + 1; /* of a night's, some spread evenly; an odd number both ways */
    every += every > 1 && every % 2 == 0;
    double interval_s = link->updates ? link->update.interval_s.value : 0;
    double window_s = fmax(2.2 * interval_s, 5 * work->row_interval_s[work->sensor_source]);
    int code = RIG_OK;
    for (size_t i = 0; !code && i < plan_segment_count(work->plan); i++) {
        struct step_fit fit;
        struct rig_err why = {0};
        double start_s, end_s;
        if (plan_segments(work->plan)[i].kind != SEGMENT_STEP || !holds(work, i + 1) ||
            !digest_window(work->digests[work->sensor_source], i, &start_s, &end_s) ||
            met++ % every)
            continue;
        if ((code = around(&before->work, i, &ahead, err)) ||
            (code = around(work, i, &behind, err)))
            break;
        struct link_rate seen =
            link_rate_of(ahead.samples, ahead.count, behind.samples, behind.count, window_s);
        steps++;
        link->fastest_mm_s = fmax(link->fastest_mm_s, seen.most_mm_s);
        limited += seen.share > 0.5 && seen.most_mm_s < 0.85 * seen.input_mm_s;
        take(&rate, seen.most_mm_s);
        int known = link_step(&fit, ahead.samples, ahead.count, behind.samples, behind.count, &why);
        if (known == RIG_EMEMORY)
            code = rig_fail_memory(err, "a link's step");
        if (known)
            continue;
        take(&tally[0], fit.mean_lag_s.value);
        take(&tally[1], fit.resolved ? fit.dead_s.value : (double)NAN);
        take(&tally[2], fit.resolved ? fit.tau_s.value : (double)NAN);
        take(&tally[3], fit.resolved ? fit.time_63_s.value : (double)NAN);
    }
    free(ahead.samples);
    free(behind.samples);
    for (int v = 0; v < STEP_VALUES; v++)
        link->step[v] = mean_of(&tally[v]);
    if (steps >= FEWEST_STEPS && 2 * limited > steps)
        link->rate_mm_s = mean_of(&rate);
    return code;
}
