/* SPDX-License-Identifier: GPL-3.0-or-later
 * Steps: the response to each, then the mean over the steps of one direction. */
#include "results/fit_step.h"

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

struct estimate fit_step_asked(const struct step_fit *fit, size_t which)
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

/* From four steps on their own scatter is believed; below that what each fit says. */
static void settle(const struct fit_work *work, struct result *result,
                   const struct fit_step_tally *tally, bool on_clock, const char *method)
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

static int results_of(struct fit_work *work, const struct fit_step_tally tallies[], int direction,
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

/* The model that all steps together speak for: each step by itself would take another one
 * now and then by chance, and its dead time would mean something else. A model of more
 * parameters has to be better by 6, as in step.h. */
static unsigned model_of_all(const struct fit_step_way *way)
{
    unsigned best = 0;
    for (unsigned k = 1; k < RESPONSE_KIND_COUNT; k++)
        if (way->aicc[k] < way->aicc[best] - (best == RESPONSE_FIRST_ORDER ? 6 : 0))
            best = k;
    return way->aicc_steps && isfinite(way->aicc[best]) ? 1u << best : 0;
}

/* First each step with a model of its own, then all with the one that they speak for; and
 * once more with as much more play as it is uncertain by, which tells what that makes of each
 * result. A night has more steps than that takes: MOST of them, spread evenly, give the
 * results, and FEW of those choose the model and tell of the play. */
static int one_direction(struct fit_work *work, int direction, struct rig_err *err)
{
    struct fit_step_tally first[STEP_RESULTS] = {0}, tallies[STEP_RESULTS] = {0},
                          wider[STEP_RESULTS] = {0};
    char reason[RESULT_TEXT_SIZE] = "the profile has no steps in this direction that were run";
    char ignored[RESULT_TEXT_SIZE];
    enum { MOST = 96, FEW = 24 };
    struct fit_step_tally sparse[STEP_RESULTS] = {0};
    size_t steps = fit_step_count(work, direction), every = (steps + MOST - 1) / MOST;
    every = every ? every : 1;
    size_t few = every * ((steps / every + FEW - 1) / FEW);
    few = few ? few : 1;
    struct fit_step_way way = {.play_mm = work->play_mm.value, .every = few, .few = few};
    int code = fit_step_each(work, direction, &way, first, reason, err);
    way.kinds = model_of_all(&way);
    way.keep = true;
    way.every = every;
    way.sparse = sparse;
    double aicc[RESPONSE_KIND_COUNT];
    memcpy(aicc, way.aicc, sizeof aicc);
    size_t judged = way.aicc_steps;
    if (!code)
        code = fit_step_each(work, direction, &way, tallies, reason, err);
    if (!code && tallies[0].n)
        code = fit_step_left_figure(work, &way.over, direction, way.kinds, aicc, judged, err);
    /* Where most steps are lost in the noise, the others stand out of it by luck. */
    bool lucky = way.refused > way.aicc_steps;
    way.play_mm += work->play_mm.u;
    way.keep = false;
    way.every = few;
    way.sparse = NULL;
    if (!code && work->play_mm.u > 0)
        code = fit_step_each(work, direction, &way, wider, ignored, err);
    for (size_t k = 0; k < STEP_RESULTS; k++)
        if (sparse[k].n && sparse[k].n == wider[k].n)
            tallies[k].play_u = fabs(wider[k].sum - sparse[k].sum) / (double)sparse[k].n;
    bool small = sparse[0].n > 0 && work->play_mm.u > 0 && wider[0].n < sparse[0].n;
    if (small)
        snprintf(reason, sizeof reason,
                 "the steps are no larger than the play may be: %.3g mm, uncertain by %.2g mm",
                 work->play_mm.value, work->play_mm.u);
    static const struct fit_step_tally none[STEP_RESULTS];
    return code ? code : results_of(work, lucky || small ? none : tallies, direction, reason, err);
}

int fit_steps(struct fit_work *work, struct rig_err *err)
{
    static const struct fit_step_tally none[STEP_RESULTS];
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
    int code = one_direction(work, +1, err);
    return code ? code : one_direction(work, -1, err);
}
