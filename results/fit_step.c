/* SPDX-License-Identifier: GPL-3.0-or-later
 * Steps: the response to each, then the mean over the steps of one direction. */
#include "results/fit_step.h"

#include "results/play.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { STEP_RESULTS = FIT_STEP_QUANTITIES };

/* What is asked of each step, in the order of the results. */
static const struct {
    const char *name, *title, *method;
    bool on_clock; /* contains the tie of the axis' clock to the host's */
} asked[STEP_RESULTS] = {
    {"step_lag", "Mean lag after a step", "area between true and inferred depth over the height",
     true},
    {"step_model_lag", "Mean lag of the step's model", "response model fitted to the stage's move",
     true},
    {"step_dead_time", "Dead time", "response model fitted to the stage's move", true},
    {"step_time_constant", "Time constant", "response model fitted to the stage's move", false},
    {"step_time_63", "Time to 63.2 %", "response model, ideal step", true},
    {"step_transition", "Transition duration, 10 to 90 %", "response model, ideal step (IEEE 181)",
     false},
    {"step_settling", "Settling to 2 % from the middle", "response model, ideal step (IEEE 181)",
     false},
};

const char *fit_step_quantity(size_t which)
{
    return which < STEP_RESULTS ? asked[which].name : "?";
}

static struct estimate asked_of(const struct step_fit *fit, size_t which)
{
    switch (which) {
    case 0:
        return fit->area_lag_s;
    case 1:
        return fit->mean_lag_s;
    case 2:
        return fit->dead_s;
    case 3:
        return fit->tau_s;
    case 4:
        return fit->time_63_s;
    case 5:
        return fit->transition_s;
    default:
        return fit->settling_s;
    }
}

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

/* Means of one quantity over the steps of a direction. */
struct tally {
    double sum, squares, variance_sum, dof;
    double play_u; /* what the play's uncertainty brings */
    size_t n;
};

static void take(struct tally *tally, struct estimate estimate)
{
    if (!isfinite(estimate.value) || !isfinite(estimate.u))
        return;
    tally->sum += estimate.value;
    tally->squares += estimate.value * estimate.value;
    tally->variance_sum += estimate.u * estimate.u;
    tally->dof += isfinite(estimate.dof) ? estimate.dof : 1000;
    tally->n++;
}

/* From four steps on their own scatter is believed; below that what each fit says. */
static void settle(const struct fit_work *work, struct result *result, const struct tally *tally,
                   bool on_clock, const char *method)
{
    double n = (double)tally->n, mean = tally->sum / n;
    if (tally->n >= 4) {
        double between = fmax(0, (tally->squares - n * mean * mean) / (n - 1));
        result_contribute(result, "replication by steps", 'A', sqrt(between / n), n - 1);
    } else
        result_contribute(result, "fit of the steps", 'A', sqrt(tally->variance_sum) / n,
                          tally->dof);
    if (on_clock)
        fit_contribute_time(work, result, 1);
    if (tally->play_u > 0)
        result_contribute(result, "play", 'A', tally->play_u, work->play_mm.dof);
    result_combine(result, mean, method);
}

static int results_of(struct fit_work *work, const struct tally tallies[], int direction,
                      const char *reason, struct rig_err *err)
{
    const char *way = direction > 0 ? "rising" : "falling";
    for (size_t i = 0; i < STEP_RESULTS; i++) {
        char name[RESULT_NAME_SIZE], title[RESULT_TEXT_SIZE];
        snprintf(name, sizeof name, "%s_%s", asked[i].name, way);
        snprintf(title, sizeof title, "%s, %s water", asked[i].title, way);
        struct result *result = result_add(&work->fit->results, name, title, "s", err);
        if (!result)
            return err->code;
        if (tallies[i].n)
            settle(work, result, &tallies[i], asked[i].on_clock, asked[i].method);
        else
            result_refuse(result, "%s", reason);
    }
    return RIG_OK;
}

/* How the steps of a direction are fitted, and what all of them say of each model. */
struct step_way {
    double play_mm;
    unsigned kinds;       /* bits of the models that may be chosen; 0: all */
    bool keep;            /* each step's quantities, and draw the first one */
    size_t every;         /* only every so many-th step is fitted; >= 1 */
    size_t few;           /* and of those every so many-th goes to `sparse` too */
    struct tally *sparse; /* NULL: not asked */
    double aicc[RESPONSE_KIND_COUNT];
    size_t aicc_steps; /* fitted */
    size_t refused;
};

static int keep_step(struct fit_work *work, size_t index, const struct step_fit *fit, double host_s,
                     struct rig_err *err)
{
    int code = RIG_OK;
    for (size_t k = 0; !code && k < STEP_RESULTS; k++) {
        struct estimate estimate = asked_of(fit, k);
        if (isfinite(estimate.value) && isfinite(estimate.u))
            code = fit_keep_pass(
                work->fit,
                &(struct fit_pass){.kind = FIT_PASS_STEP,
                                   .segment = index,
                                   .direction = plan_segments(work->plan)[index].direction,
                                   .x = (double)k,
                                   .value = estimate.value,
                                   .host_s = host_s},
                err);
    }
    return code;
}

static int each_step(struct fit_work *work, int direction, struct step_way *way,
                     struct fit_step_data *data, struct tally tallies[],
                     char reason[RESULT_TEXT_SIZE], struct rig_err *err)
{
    const struct step_options options = {.kinds = way->kinds};
    bool drawn = !way->keep;
    size_t met = 0;
    way->aicc_steps = way->refused = 0;
    for (size_t k = 0; k < RESPONSE_KIND_COUNT; k++)
        way->aicc[k] = 0;
    const struct plan_segment *segments = plan_segments(work->plan);
    for (size_t i = 0; i < plan_segment_count(work->plan); i++) {
        double start_s, end_s;
        if (segments[i].kind != SEGMENT_STEP || segments[i].direction != direction ||
            !digest_window(work->digests[work->sensor_source], i, &start_s, &end_s))
            continue;
        if (!holds(work, i + 1)) {
            snprintf(reason, RESULT_TEXT_SIZE, "a step needs a hold after it, to settle in");
            continue;
        }
        size_t number = met++;
        if (number % way->every)
            continue;
        int code = gather(work, i, way->play_mm, data, err);
        if (code)
            return code;
        struct step_fit fit;
        struct rig_err why = {0};
        code = data->piece_count
                   ? step_estimate(&fit, data->pieces, data->piece_count, data->settled_mm,
                                   data->samples, data->count, &options, data->left, &why)
                   : rig_fail(&why, RIG_EUNKNOWABLE, "the step has no motion beyond the play");
        if (code == RIG_EMEMORY)
            return rig_fail_memory(err, "the fit of a step");
        if (code) {
            snprintf(reason, RESULT_TEXT_SIZE, "%.*s", RESULT_TEXT_SIZE - 1, why.text);
            way->refused++;
            continue;
        }
        for (size_t k = 0; k < STEP_RESULTS; k++)
            take(&tallies[k], asked_of(&fit, k));
        for (size_t k = 0; way->sparse && number % way->few == 0 && k < STEP_RESULTS; k++)
            take(&way->sparse[k], asked_of(&fit, k));
        if (way->keep && (code = keep_step(work, i, &fit, (start_s + end_s) / 2, err)))
            return code;
        for (size_t k = 0; k < RESPONSE_KIND_COUNT; k++)
            way->aicc[k] += fit.aicc[k];
        way->aicc_steps++;
        if (!fit.resolved)
            snprintf(reason, RESULT_TEXT_SIZE,
                     "the response is faster than the readings are apart");
        else if (*fit.area_reason)
            snprintf(reason, RESULT_TEXT_SIZE, "%s", fit.area_reason);
        if (!drawn && data->count > 2) {
            drawn = true;
            if ((code = fit_step_figure(work, data, &fit, direction, err)))
                return code;
            fit_step_left_begin(&data->over, data, &fit);
        }
        if (way->keep)
            fit_step_left_add(&data->over, data);
    }
    return RIG_OK;
}

/* The model that all steps together speak for: each step by itself would take another one
 * now and then by chance, and its dead time would mean something else. A model of more
 * parameters has to be better by 6, as in step.h. */
static unsigned model_of_all(const struct step_way *way)
{
    unsigned best = 0;
    for (unsigned k = 1; k < RESPONSE_KIND_COUNT; k++)
        if (way->aicc[k] < way->aicc[best] - (best == RESPONSE_FIRST_ORDER ? 6 : 0))
            best = k;
    return way->aicc_steps && isfinite(way->aicc[best]) ? 1u << best : 0;
}

/* Steps of a direction that were run and have a hold after them. */
static size_t count_steps(const struct fit_work *work, int direction)
{
    const struct plan_segment *segments = plan_segments(work->plan);
    double start_s, end_s;
    size_t count = 0;
    for (size_t i = 0; i < plan_segment_count(work->plan); i++)
        count += segments[i].kind == SEGMENT_STEP && segments[i].direction == direction &&
                 holds(work, i + 1) &&
                 digest_window(work->digests[work->sensor_source], i, &start_s, &end_s);
    return count;
}

/* First each step with a model of its own, then all with the one that they speak for; and
 * once more with as much more play as it is uncertain by, which tells what that makes of each
 * result. A night has more steps than that takes: MOST of them, spread evenly, give the
 * results, and FEW of those choose the model and tell of the play. */
static int one_direction(struct fit_work *work, int direction, struct fit_step_data *data,
                         struct rig_err *err)
{
    struct tally first[STEP_RESULTS] = {0}, tallies[STEP_RESULTS] = {0}, wider[STEP_RESULTS] = {0};
    char reason[RESULT_TEXT_SIZE] = "the profile has no steps in this direction that were run";
    char ignored[RESULT_TEXT_SIZE];
    enum { MOST = 96, FEW = 24 };
    struct tally sparse[STEP_RESULTS] = {0};
    size_t steps = count_steps(work, direction), every = (steps + MOST - 1) / MOST;
    every = every ? every : 1;
    size_t few = every * ((steps / every + FEW - 1) / FEW);
    few = few ? few : 1;
    struct step_way way = {.play_mm = work->play_mm.value, .every = few, .few = few};
    int code = each_step(work, direction, &way, data, first, reason, err);
    way.kinds = model_of_all(&way);
    way.keep = true;
    way.every = every;
    way.sparse = sparse;
    double aicc[RESPONSE_KIND_COUNT];
    memcpy(aicc, way.aicc, sizeof aicc);
    size_t judged = way.aicc_steps;
    if (!code)
        code = each_step(work, direction, &way, data, tallies, reason, err);
    if (!code && tallies[0].n)
        code = fit_step_left_figure(work, &data->over, direction, way.kinds, aicc, judged, err);
    /* Where most steps are lost in the noise, the others stand out of it by luck. */
    bool lucky = way.refused > way.aicc_steps;
    way.play_mm += work->play_mm.u;
    way.keep = false;
    way.every = few;
    way.sparse = NULL;
    if (!code && work->play_mm.u > 0)
        code = each_step(work, direction, &way, data, wider, ignored, err);
    for (size_t k = 0; k < STEP_RESULTS; k++)
        if (sparse[k].n && sparse[k].n == wider[k].n)
            tallies[k].play_u = fabs(wider[k].sum - sparse[k].sum) / (double)sparse[k].n;
    bool small = sparse[0].n > 0 && work->play_mm.u > 0 && wider[0].n < sparse[0].n;
    if (small)
        snprintf(reason, sizeof reason,
                 "the steps are no larger than the play may be: %.3g mm, uncertain by %.2g mm",
                 work->play_mm.value, work->play_mm.u);
    static const struct tally none[STEP_RESULTS];
    return code ? code : results_of(work, lucky || small ? none : tallies, direction, reason, err);
}

int fit_steps(struct fit_work *work, struct rig_err *err)
{
    static const struct tally none[STEP_RESULTS];
    const char *no_curve = "there is no calibration curve to turn readings into depth";
    if (!work->has_curve) {
        int code = results_of(work, none, +1, no_curve, err);
        return code ? code : results_of(work, none, -1, no_curve, err);
    }
    bool steps = false;
    for (size_t i = 0; i < plan_segment_count(work->plan); i++)
        steps |= plan_segments(work->plan)[i].kind == SEGMENT_STEP;
    if (steps && isnan(work->play_mm.u))
        fit_warn(work->fit,
                 "Neither stairs nor ramps tell how much play board and axis have: lags and "
                 "dead times of steps hold the time that it takes to take it up.");
    struct fit_step_data *data = calloc(1, sizeof *data);
    if (!data)
        return rig_fail_memory(err, "a step's points");
    int code = one_direction(work, +1, data, err);
    if (!code)
        code = one_direction(work, -1, data, err);
    free(data->samples);
    free(data->left);
    free(data);
    return code;
}
