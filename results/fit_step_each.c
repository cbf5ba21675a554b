/* SPDX-License-Identifier: GPL-3.0-or-later
 * Each step of a direction by itself: its readings with the stage's move, the response fitted to
 * them by several threads, the outcomes taken in order. */
#include "results/fit_step.h"

#include "results/fit_watch.h"
#include "results/in_order.h"
#include "results/play.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

enum { STEP_RESULTS = FIT_STEP_QUANTITIES };

static int add_segment(struct fit_work *work, struct fit_step_data *data, size_t index,
                       double origin_s, double from_s, struct rig_err *err)
{
    struct digest_point *points;
    size_t count;
    int code = fit_segment_points(work, work->sensor_source, work->sensor_channel, index, &points,
                                  &count, err);
    if (code)
        return code;
    if (data->count + count > data->room) {
        size_t room = 2 * (data->count + count);
        struct sample *larger = realloc(data->samples, room * sizeof *larger);
        if (!larger) {
            free(points);
            return rig_fail_memory(err, "a step's points");
        }
        data->samples = larger;
        data->room = room;
        double *left = realloc(data->left, room * sizeof *left);
        if (!left) {
            free(points);
            return rig_fail_memory(err, "a step's points");
        }
        data->left = left;
    }
    if ((code = fit_saturates(work, index, &data->saturated, err))) {
        free(points);
        return code;
    }
    double start_s = plan_segments(work->plan)[index].start_s - origin_s;
    for (size_t i = 0; i < count; i++) {
        double depth = fit_inferred_depth(work, points[i].mean);
        if (isfinite(depth) && start_s + points[i].t_s >= from_s)
            data->samples[data->count++] =
                sample_of_bin(start_s + points[i].t_s, points[i].width_s, depth, points[i].n);
    }
    free(points);
    return RIG_OK;
}

static bool holds(const struct fit_work *work, size_t index)
{
    const struct plan_segment *segments = plan_segments(work->plan);
    return index < plan_segment_count(work->plan) && segments[index].kind == SEGMENT_HOLD;
}

/* Which way the water last moved before a segment; 0: it never did. */
static int moved_before(const struct fit_work *work, size_t index)
{
    const struct plan_segment *segments = plan_segments(work->plan);
    while (index-- > 0)
        if (segments[index].kind != SEGMENT_HOLD && segments[index].kind != SEGMENT_STAIR_HOLD)
            return segments[index].direction;
    return 0;
}

/* The step with the hold after it, and the end of the hold before it; the motion is that
 * behind the play. */
static int gather(struct fit_work *work, size_t index, double play_mm, struct fit_step_data *data,
                  struct rig_err *err)
{
    const struct plan_segment *segments = plan_segments(work->plan), *step = &segments[index];
    double before_s = 0;
    int code = RIG_OK;
    data->count = 0;
    data->saturated = false;
    if (index > 0 && holds(work, index - 1)) {
        before_s = -fmin(0.4 * segments[index - 1].duration_s, 2);
        code = add_segment(work, data, index - 1, step->start_s, before_s, err);
    }
    if (!code)
        code = add_segment(work, data, index, step->start_s, -INFINITY, err);
    if (!code && holds(work, index + 1))
        code = add_segment(work, data, index + 1, step->start_s, -INFINITY, err);
    double end_s = step->start_s + step->duration_s;
    if (holds(work, index + 1))
        end_s += segments[index + 1].duration_s;
    data->piece_count =
        plan_pieces(work->plan, step->start_s + before_s, end_s, data->pieces, FIT_STEP_PIECES);
    if (data->piece_count > FIT_STEP_PIECES)
        data->piece_count = 0;
    for (size_t i = 0; i < data->piece_count; i++) {
        data->pieces[i].start_s -= step->start_s;
        data->pieces[i].end_s -= step->start_s;
    }
    data->settled_mm = fit_depth_mm(work, step->start_s + before_s);
    data->piece_count = play_take_up(data->pieces, data->piece_count, &data->settled_mm,
                                     step->direction, moved_before(work, index), play_mm);
    return code;
}

/* A step of this direction that was run. */
static bool is_step(const struct fit_work *work, size_t index, int direction)
{
    const struct plan_segment *segment = &plan_segments(work->plan)[index];
    double start_s, end_s;
    return segment->kind == SEGMENT_STEP && segment->direction == direction &&
           digest_window(work->digests[work->sensor_source], index, &start_s, &end_s);
}

size_t fit_step_count(const struct fit_work *work, int direction)
{
    size_t count = 0;
    for (size_t i = 0; i < plan_segment_count(work->plan); i++)
        count += is_step(work, i, direction) && holds(work, i + 1);
    return count;
}

static void take(struct fit_step_tally *tally, struct estimate estimate)
{
    if (!isfinite(estimate.value) || !isfinite(estimate.u))
        return;
    tally->sum += estimate.value;
    tally->squares += estimate.value * estimate.value;
    tally->variance_sum += estimate.u * estimate.u;
    tally->dof += isfinite(estimate.dof) ? estimate.dof : 1000;
    tally->n++;
}

static int keep_step(struct fit_work *work, size_t index, const struct step_fit *fit,
                     struct rig_err *err)
{
    int code = RIG_OK;
    double start_s = NAN, end_s = NAN;
    digest_window(work->digests[work->sensor_source], index, &start_s, &end_s);
    for (size_t k = 0; !code && k < STEP_RESULTS; k++) {
        struct estimate estimate = fit_step_asked(fit, k);
        if (isfinite(estimate.value) && isfinite(estimate.u))
            code = fit_keep_pass(
                work->fit,
                &(struct fit_pass){.kind = FIT_PASS_STEP,
                                   .segment = index,
                                   .direction = plan_segments(work->plan)[index].direction,
                                   .x = (double)k,
                                   .value = estimate.value,
                                   .host_s = (start_s + end_s) / 2},
                err);
    }
    return code;
}

/* What steps are fitted, and where their outcomes go. */
struct each {
    struct fit_work *work;
    struct fit_step_way *way;
    int direction;
    struct fit_step_tally *tallies;
    char *reason;            /* RESULT_TEXT_SIZE */
    size_t *steps, *numbers; /* segments; which of the direction's steps they are */
    size_t count;
    bool drawn;
};

/* Of one thread. */
struct one {
    struct fit_step_data data;
    struct step_fit fit;
    int known; /* RIG_OK: there is a fit */
    struct rig_err why;
};

static void close_one(void *part)
{
    struct one *one = part;
    free(one->data.samples);
    free(one->data.left);
}

static int fit_one(const void *whole, void *part, size_t item, struct in_order_worker *worker,
                   struct rig_err *err)
{
    (void)worker;
    const struct each *each = whole;
    struct one *one = part;
    struct fit_step_data *data = &one->data;
    const struct fit_step_way *way = each->way;
    const struct step_options options = {.kinds = way->kinds};
    int code = gather(each->work, each->steps[item], way->play_mm, data, err);
    if (code)
        return code;
    one->why = (struct rig_err){0};
    if (data->saturated)
        one->known =
            rig_fail(&one->why, RIG_EUNKNOWABLE, "the reading is saturated beside the step");
    else if (!data->piece_count)
        one->known = rig_fail(&one->why, RIG_EUNKNOWABLE, "the step has no motion beyond the play");
    else
        one->known = step_estimate(&one->fit, data->pieces, data->piece_count, data->settled_mm,
                                   data->samples, data->count, &options, data->left, &one->why);
    return one->known == RIG_EMEMORY ? rig_fail_memory(err, "the fit of a step") : RIG_OK;
}

static int take_one(void *whole, void *part, size_t item, struct rig_err *err)
{
    struct each *each = whole;
    struct one *one = part;
    struct fit_step_way *way = each->way;
    const struct step_fit *fit = &one->fit;
    if (one->known) {
        snprintf(each->reason, RESULT_TEXT_SIZE, "%.*s", RESULT_TEXT_SIZE - 1, one->why.text);
        way->refused++;
        return RIG_OK;
    }
    for (size_t k = 0; k < STEP_RESULTS; k++)
        take(&each->tallies[k], fit_step_asked(fit, k));
    for (size_t k = 0; way->sparse && each->numbers[item] % way->few == 0 && k < STEP_RESULTS; k++)
        take(&way->sparse[k], fit_step_asked(fit, k));
    for (size_t k = 0; k < RESPONSE_KIND_COUNT; k++)
        way->aicc[k] += fit->aicc[k];
    way->aicc_steps++;
    if (!fit->resolved)
        snprintf(each->reason, RESULT_TEXT_SIZE,
                 "the response is faster than the readings are apart");
    else if (*fit->area_reason)
        snprintf(each->reason, RESULT_TEXT_SIZE, "%s", fit->area_reason);
    if (!way->keep)
        return RIG_OK;
    int code = keep_step(each->work, each->steps[item], fit, err);
    if (!code && !each->drawn && one->data.count > 2) {
        each->drawn = true;
        code = fit_step_figure(each->work, &one->data, fit, each->direction, err);
        fit_step_left_begin(&way->over, &one->data, fit);
    }
    if (!code)
        fit_step_left_add(&way->over, &one->data);
    return code;
}

/* The steps to fit. */
static void list(struct each *each)
{
    const struct fit_work *work = each->work;
    size_t met = 0;
    for (size_t i = 0; i < plan_segment_count(work->plan); i++) {
        if (!is_step(work, i, each->direction))
            continue;
        if (!holds(work, i + 1)) {
            snprintf(each->reason, RESULT_TEXT_SIZE, "a step needs a hold after it, to settle in");
            continue;
        }
        if (met % each->way->every == 0) {
            each->steps[each->count] = i;
            each->numbers[each->count++] = met;
        }
        met++;
    }
}

int fit_step_each(struct fit_work *work, int direction, struct fit_step_way *way,
                  struct fit_step_tally tallies[], char reason[RESULT_TEXT_SIZE],
                  struct rig_err *err)
{
    size_t room = fit_step_count(work, direction) / way->every + 1;
    struct each each = {.work = work,
                        .way = way,
                        .direction = direction,
                        .tallies = tallies,
                        .reason = reason,
                        .steps = calloc(2 * room, sizeof *each.steps)};
    if (!each.steps)
        return rig_fail_memory(err, "the steps of a direction");
    each.numbers = each.steps + room;
    way->aicc_steps = way->refused = 0;
    for (size_t k = 0; k < RESPONSE_KIND_COUNT; k++)
        way->aicc[k] = 0;
    list(&each);
    const struct in_order job = {&each, sizeof(struct one), NULL, fit_one, take_one, close_one};
    int code = in_order_run(&job, each.count, work->threads, err);
    free(each.steps);
    return code;
}
