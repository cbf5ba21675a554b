/* SPDX-License-Identifier: GPL-3.0-or-later
 * Links of the chain: what a link did around each step, behind the link before it. */
#include "results/fit_links.h"

#include "results/fit_watch.h"
#include "results/in_order.h"
#include "results/links.h"

#include <math.h>
#include <stdio.h>
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

/* All steps of a link. */
struct link_steps {
    struct link *link;
    const struct link *before;
    double window_s; /* over which a rate is taken */
    size_t *steps;   /* segments */
    size_t count;
    struct tally tally[STEP_VALUES], rate;
    size_t limited, saturated;
};

/* One step; of one thread. */
struct one {
    struct side ahead, behind;
    struct link_rate seen;
    struct step_fit fit;
    int known;      /* RIG_OK: there is a fit */
    bool saturates; /* the link before does: what it did is not seen */
};

static void close_one(void *part)
{
    struct one *one = part;
    free(one->ahead.samples);
    free(one->behind.samples);
}

static int fit_one(const void *whole, void *part, size_t item, struct in_order_worker *worker,
                   struct rig_err *err)
{
    (void)worker;
    const struct link_steps *all = whole;
    struct one *one = part;
    struct side *ahead = &one->ahead, *behind = &one->behind;
    struct rig_err why = {0};
    int code = around(&all->before->work, all->steps[item], ahead, err);
    if (!code)
        code = around(&all->link->work, all->steps[item], behind, err);
    if (code)
        return code;
    bool saturates = false;
    for (size_t i = 0; !code && i < 2; i++) /* the step, and the hold after it */
        code = fit_saturates(&all->before->work, all->steps[item] + i, &saturates, err);
    one->saturates = saturates;
    one->known = RIG_EUNKNOWABLE;
    if (code || saturates)
        return code;
    one->seen =
        link_rate_of(ahead->samples, ahead->count, behind->samples, behind->count, all->window_s);
    one->known =
        link_step(&one->fit, ahead->samples, ahead->count, behind->samples, behind->count, &why);
    return one->known == RIG_EMEMORY ? rig_fail_memory(err, "a link's step") : RIG_OK;
}

static int take_one(void *whole, void *part, size_t item, struct rig_err *err)
{
    (void)item;
    (void)err;
    struct link_steps *all = whole;
    const struct one *one = part;
    const struct step_fit *fit = &one->fit;
    if (one->saturates) {
        all->saturated++;
        return RIG_OK;
    }
    all->link->fastest_mm_s = fmax(all->link->fastest_mm_s, one->seen.most_mm_s);
    all->limited += one->seen.share > 0.5 && one->seen.most_mm_s < 0.85 * one->seen.input_mm_s;
    take(&all->rate, one->seen.most_mm_s);
    if (one->known)
        return RIG_OK;
    take(&all->tally[0], fit->mean_lag_s.value);
    take(&all->tally[1], fit->resolved ? fit->dead_s.value : (double)NAN);
    take(&all->tally[2], fit->resolved ? fit->tau_s.value : (double)NAN);
    take(&all->tally[3], fit->resolved ? fit->time_63_s.value : (double)NAN);
    take(&all->tally[4], fit->resolved ? fit->transition_s.value : (double)NAN);
    return RIG_OK;
}

/* Of a night's steps some, spread evenly. */
static void list(struct link_steps *all)
{
    const struct fit_work *work = &all->link->work;
    size_t steps = 0, met = 0;
    double start_s, end_s;
    for (size_t i = 0; i < plan_segment_count(work->plan); i++)
        steps += plan_segments(work->plan)[i].kind == SEGMENT_STEP;
    size_t every = steps / MOST_STEPS + 1;
    every += every > 1 && every % 2 == 0; /* an odd number: both ways */
    for (size_t i = 0; i < plan_segment_count(work->plan) && all->count < MOST_STEPS; i++)
        if (plan_segments(work->plan)[i].kind == SEGMENT_STEP && holds(work, i + 1) &&
            digest_window(work->digests[work->sensor_source], i, &start_s, &end_s) &&
            met++ % every == 0)
            all->steps[all->count++] = i;
}

int link_from_steps(struct link *link, const struct link *before, struct rig_err *err)
{
    const struct fit_work *work = &link->work;
    size_t steps[MOST_STEPS];
    double interval_s = link->updates ? link->update.interval_s.value : 0;
    struct link_steps all = {
        .link = link,
        .before = before,
        .steps = steps,
        .window_s = fmax(2.2 * interval_s, 5 * work->row_interval_s[work->sensor_source]),
    };
    list(&all);
    const struct in_order job = {&all, sizeof(struct one), NULL, fit_one, take_one, close_one};
    int code = in_order_run(&job, all.count, work->threads, err);
    for (int v = 0; v < STEP_VALUES; v++)
        link->step[v] = mean_of(&all.tally[v]);
    size_t steps_seen = all.count - all.saturated;
    if (steps_seen < FEWEST_STEPS && all.saturated)
        snprintf(link->step_reason, sizeof link->step_reason,
                 "the reading of the %s is saturated beside the steps", before->role);
    if (steps_seen >= FEWEST_STEPS && 2 * all.limited > steps_seen)
        link->rate_mm_s = mean_of(&all.rate);
    return code;
}
