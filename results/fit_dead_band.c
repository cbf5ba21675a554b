/* SPDX-License-Identifier: GPL-3.0-or-later
 * Dead band: what the depth went back by after a turn, and what the reading made of it, from
 * holds after a turn and from ramps too slow for any lag. */
#include "results/fit_parts.h"

#include "results/dead_band.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

/* A ramp counts as slow while its lag is worth less than this. */
static const double slow_mm = 0.1;
/* Without a lag from this recording one that no board exceeds (common practice, no source). */
static const double unknown_lag_s = 1;
/* Farther back than this is no reversal to look at bin by bin. */
static const double near_mm = 5;

struct reversals {
    struct reversal *list;
    size_t count, room;
};

static int put(struct reversals *reversals, double back_mm, double moved_mm, double u_mm,
               struct rig_err *err)
{
    if (reversals->count == reversals->room) {
        size_t room = reversals->room ? 2 * reversals->room : 64;
        struct reversal *larger = realloc(reversals->list, room * sizeof *larger);
        if (!larger)
            return rig_fail_memory(err, "reversals");
        reversals->list = larger;
        reversals->room = room;
    }
    reversals->list[reversals->count++] = (struct reversal){back_mm, moved_mm, u_mm};
    return RIG_OK;
}

/* Where the depth has been: the run that goes on, and the hold at which it began. */
struct run {
    int direction;                   /* 0: not known */
    double from_mm;                  /* where it began */
    double before_mm;                /* how far the run before it had gone */
    const struct static_point *turn; /* the hold at its beginning; NULL: none, or not settled */
    const struct static_point *last; /* the latest hold, NULL once the depth moved on */
};

/* Play is taken up after going one way for a millimetre, or three times as far as back. */
static bool taken_up(const struct run *run, double back_mm)
{
    return run->turn && run->before_mm >= fmax(1, 3 * back_mm);
}

static double lag_s(const struct fit_work *work, int direction)
{
    const struct result *lag =
        result_find(&work->fit->results, direction > 0 ? "lag_rising" : "lag_falling");
    return lag && isfinite(lag->value) ? fmax(lag->value, 0) : unknown_lag_s;
}

static double noise_mm(const struct fit_work *work, double n, double slope)
{
    return fmax(work->row_noise / sqrt(n) / fabs(slope), 1e-6);
}

static int from_hold(const struct fit_work *work, const struct run *run,
                     const struct static_point *here, struct reversals *reversals,
                     struct rig_err *err)
{
    const struct static_point *turn = run->turn;
    double back_mm = run->direction * (here->depth_mm - run->from_mm);
    if (!taken_up(run, back_mm) || !(back_mm > 0))
        return RIG_OK;
    double slope = curve_slope(&work->curve, (turn->depth_mm + here->depth_mm) / 2);
    double moved_mm = run->direction * (fit_inferred_depth(work, here->reading) -
                                        fit_inferred_depth(work, turn->reading));
    return put(reversals, back_mm, moved_mm,
               hypot(noise_mm(work, turn->n, slope), noise_mm(work, here->n, slope)), err);
}

static int from_ramp(const struct fit_work *work, const struct run *run, size_t segment,
                     struct reversals *reversals, struct rig_err *err)
{
    const struct plan_segment *ramp = &plan_segments(work->plan)[segment];
    double late_mm = (double)ramp->speed_mm_s * lag_s(work, run->direction);
    if (!run->turn || late_mm > slow_mm)
        return RIG_OK;
    struct digest_point *points = NULL;
    size_t count;
    int code = fit_segment_points(work, work->sensor_source, work->sensor_channel, segment, &points,
                                  &count, err);
    for (size_t i = 0; !code && i < count; i++) {
        double depth_mm = fit_depth_mm(work, ramp->start_s + points[i].t_s);
        double back_mm = run->direction * (depth_mm - run->from_mm);
        if (!(back_mm > 0) || back_mm > near_mm || !taken_up(run, back_mm))
            continue;
        double slope = curve_slope(&work->curve, depth_mm);
        double moved_mm = run->direction * (fit_inferred_depth(work, points[i].mean) -
                                            fit_inferred_depth(work, run->turn->reading));
        double noise =
            hypot(noise_mm(work, run->turn->n, slope), noise_mm(work, points[i].n, slope));
        /* Late by nothing at the turn, by the whole lag soon after. */
        code =
            put(reversals, back_mm, moved_mm + late_mm / 2, hypot(noise, late_mm / sqrt(12)), err);
    }
    free(points);
    return code;
}

static void move_on(struct run *run, const struct plan_segment *segment)
{
    if (segment->direction == 0) { /* a sine, a trace: the depth went both ways */
        *run = (struct run){0};
        return;
    }
    if (segment->direction != run->direction) {
        double from_mm = (double)segment->from_mm;
        *run = (struct run){.direction = segment->direction,
                            .from_mm = from_mm,
                            .before_mm = run->direction ? fabs(from_mm - run->from_mm) : 0,
                            .turn = run->last};
    }
    run->last = NULL;
}

static bool serves(const struct fit_work *work, const struct static_point *point)
{
    return point->settled && point->depth_mm >= work->low_mm && point->depth_mm <= work->high_mm;
}

static int gather(const struct fit_work *work, struct reversals *reversals, struct rig_err *err)
{
    const struct plan_segment *segments = plan_segments(work->plan);
    struct run run = {0};
    size_t point = 0;
    int code = RIG_OK;
    for (size_t i = 0; !code && i < plan_segment_count(work->plan); i++) {
        bool hold = segments[i].kind == SEGMENT_HOLD || segments[i].kind == SEGMENT_STAIR_HOLD;
        while (point < work->point_count && work->points[point].segment < i)
            point++;
        if (hold) {
            bool known = point < work->point_count && work->points[point].segment == i &&
                         serves(work, &work->points[point]);
            run.last = known ? &work->points[point] : NULL;
            if (known && run.turn)
                code = from_hold(work, &run, run.last, reversals, err);
        } else if (segments[i].kind != SEGMENT_LEAD) {
            move_on(&run, &segments[i]);
            if (segments[i].kind == SEGMENT_RAMP && segments[i].direction != 0)
                code = from_ramp(work, &run, i, reversals, err);
        }
    }
    return code;
}

int fit_dead_band(struct fit_work *work, struct rig_err *err)
{
    struct reversals reversals = {0};
    struct dead_band band;
    struct rig_err why = {0};
    int code = work->has_curve ? gather(work, &reversals, err) : RIG_OK;
    struct result *result =
        code ? NULL : result_add(&work->fit->results, "dead_band", "Dead band", "mm", err);
    if (!code && !result)
        code = err->code;
    if (result && !work->has_curve) {
        result_refuse(result, "there is no calibration curve to turn readings into depth");
    } else if (result && dead_band_of(&band, reversals.list, reversals.count, &why)) {
        result_refuse(result, "%s", why.text);
    } else if (result) {
        const struct rig_axis *axis = &work->rig->axis;
        struct estimate play = fit_measured_backlash(work);
        char method[RESULT_TEXT_SIZE];
        snprintf(method, sizeof method,
                 "smallest reversal that moves the reading, from %zu small ones, of which %zu did "
                 "not; the axis' %s play is taken off",
                 band.small, band.stuck, isfinite(play.value) ? "measured" : "stated");
        /* Stated, it is off by half of that at most. */
        if (!isfinite(play.value))
            play = (struct estimate){axis->backlash_mm, axis->backlash_mm / 2 / sqrt(3), INFINITY};
        result_contribute(result, "reversals", 'A', band.u_mm, band.dof);
        result_contribute(result, "play of the axis", 'B', play.u, play.dof);
        result_contribute(result, "steps of the axis", 'B', axis->step_mm / sqrt(6), INFINITY);
        result_combine(result, fmax(band.mm - play.value, 0), method);
    }
    free(reversals.list);
    return code;
}
