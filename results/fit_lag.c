/* SPDX-License-Identifier: GPL-3.0-or-later
 * Lag told from hysteresis, from ramps at several speeds; and the loops as figures. */
#include "results/fit_lag.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

enum { LOOP_FIGURE_POINTS = 96 };

size_t fit_lag_pairs(struct loop_pass pairs[], const struct ramp_pass passes[], size_t passed)
{
    size_t count = 0;
    for (size_t i = 0; i + 1 < passed; i++) {
        const struct ramp_pass *first = &passes[i], *second = &passes[i + 1];
        if (first->direction == second->direction ||
            fabs(first->speed_mm_s - second->speed_mm_s) > 0.02 * first->speed_mm_s)
            continue;
        pairs[count++] = (struct loop_pass){.speed_mm_s = first->speed_mm_s,
                                            .width_mm = first->late_mm + second->late_mm};
        i++;
    }
    return count;
}

/* `offsets` has room for count. */
static void offsets_of(struct loop_offset offsets[], const struct ramp_pass passes[], size_t count)
{
    for (size_t i = 0; i < count; i++)
        offsets[i] = (struct loop_offset){.speed_mm_s = passes[i].speed_mm_s,
                                          .direction = passes[i].direction,
                                          .at_s = passes[i].host_s,
                                          .offset_mm = -passes[i].direction * passes[i].late_mm};
}

int fit_lag_separate(struct loop_fit *loop, struct loop_directions *ways,
                     const struct ramp_pass passes[], size_t count, struct rig_err *err)
{
    struct loop_pass *pairs = calloc(count + 1, sizeof *pairs);
    struct loop_offset *offsets = calloc(count + 1, sizeof *offsets);
    int code = pairs && offsets ? RIG_OK : rig_fail_memory(err, "the passes, once more");
    if (!code)
        code = loop_separate(loop, pairs, fit_lag_pairs(pairs, passes, count), 0, err);
    if (!code) {
        offsets_of(offsets, passes, count);
        code = loop_by_direction(ways, offsets, count, 0, err);
    }
    free(pairs);
    free(offsets);
    return code;
}

/* What a lag or a width is uncertain by besides its scatter: how often each error enters. */
struct shared {
    double times, steps; /* of the clocks and delays; of the stage */
    double curve_u, curve_dof;
};

static void put(const struct fit_work *work, struct result *result, struct estimate estimate,
                struct shared shared, const char *method)
{
    if (!isfinite(estimate.value) || !isfinite(estimate.u)) {
        result_refuse(result, "the passes scatter too much for a value");
        return;
    }
    result_contribute(result, "replication by passes", 'A', estimate.u, estimate.dof);
    if (shared.curve_u > 0)
        result_contribute(result, "calibration curve", 'A', shared.curve_u, shared.curve_dof);
    if (shared.times > 0)
        fit_contribute_time(work, result, shared.times);
    if (shared.steps > 0)
        fit_contribute_steps(work, result, shared.steps);
    result_combine(result, estimate.value, method);
}

/* Passes of different speed lie at different depths, so an error of the curve looks like
 * one of depth that comes with speed. Where its coefficients don't tell how much is left of it,
 * all of it. */
static void curve_uncertainties(const struct fit_work *work, double u[CURVE_ON])
{
    if (fit_lag_curve_u(u, &work->curve, work->passes, work->pass_count))
        return;
    double middle = (work->low_mm + work->high_mm) / 2, slowest = INFINITY, fastest = 0;
    for (size_t i = 0; i < work->pass_count; i++) {
        slowest = fmin(slowest, work->passes[i].speed_mm_s);
        fastest = fmax(fastest, work->passes[i].speed_mm_s);
    }
    double u_mm = curve_value_u(&work->curve, middle) / fabs(curve_slope(&work->curve, middle));
    u[CURVE_ON_HYSTERESIS] = u_mm;
    u[CURVE_ON_RISING] = u[CURVE_ON_FALLING] = fastest > slowest ? u_mm / (fastest - slowest) : 0;
    u[CURVE_ON_SUM] = u[CURVE_ON_DIFFERENCE] = 2 * u[CURVE_ON_RISING];
}

static int loop_width_figure(struct fit_work *work, const struct loop_pass pairs[], size_t count,
                             const struct loop_fit *loop, struct rig_err *err)
{
    struct figure *figure = figure_add(&work->fit->figures, "loop-width", "Loop width and speed",
                                       "speed, mm/s", "loop width, mm of depth", err);
    if (!figure)
        return err->code;
    snprintf(figure->sentence, sizeof figure->sentence,
             "How far falling lies above rising, pair by pair: the line meets speed zero at the "
             "hysteresis at rest, and its slope is the sum of both lags.");
    struct figure_series *points =
        figure_series_add(figure, "pairs of passes", FIGURE_POINTS, count, false, err);
    if (!points)
        return err->code;
    double fastest = 0;
    for (size_t i = 0; i < count; i++) {
        points->x[i] = pairs[i].speed_mm_s;
        points->y[i] = pairs[i].width_mm;
        fastest = fmax(fastest, pairs[i].speed_mm_s);
    }
    if (!loop)
        return RIG_OK;
    struct figure_series *line =
        figure_series_add(figure, "hysteresis + speed x lags", FIGURE_LINE, 2, false, err);
    if (!line)
        return err->code;
    for (size_t i = 0; i < 2; i++) {
        line->x[i] = i ? fastest : 0;
        line->y[i] = loop->hysteresis_mm.value + line->x[i] * loop->lag_sum_s.value;
    }
    return RIG_OK;
}

/* One rising and one falling pass of each speed, reading against true depth. */
static int loops_figure(struct fit_work *work, struct rig_err *err)
{
    struct figure *figure = figure_add(&work->fit->figures, "loops", "Up and down loops",
                                       "depth, mm", "inferred less true depth, mm", err);
    if (!figure)
        return err->code;
    snprintf(figure->sentence, sizeof figure->sentence,
             "The first pass each way at each speed: how far the depth that the reading stands "
             "for lies from the true one.");
    double drawn[32][2];
    size_t drawn_count = 0;
    for (size_t i = 0; i < work->pass_count && drawn_count < 8; i++) {
        const struct ramp_pass *pass = &work->passes[i];
        bool again = false;
        for (size_t k = 0; k < drawn_count; k++)
            again |= fabs(drawn[k][0] - pass->speed_mm_s) < 0.02 * pass->speed_mm_s &&
                     drawn[k][1] == pass->direction;
        if (again)
            continue;
        drawn[drawn_count][0] = pass->speed_mm_s;
        drawn[drawn_count++][1] = pass->direction;
        struct digest_point *points;
        size_t count;
        int code = fit_segment_points(work, work->sensor_source, work->sensor_channel,
                                      pass->segment, &points, &count, err);
        if (code)
            return code;
        char name[FIGURE_TEXT_SIZE];
        snprintf(name, sizeof name, "%s, %.3g mm/s", pass->direction > 0 ? "rising" : "falling",
                 pass->speed_mm_s);
        struct figure_series *series =
            figure_series_add(figure, name, FIGURE_LINE, count, false, err);
        if (series) {
            const struct plan_segment *ramp = &plan_segments(work->plan)[pass->segment];
            for (size_t k = 0; k < count; k++) {
                /* x must ascend; a falling pass runs backwards. */
                const struct digest_point *point = &points[pass->direction > 0 ? k : count - 1 - k];
                series->x[k] = fit_depth_mm(work, ramp->start_s + point->t_s);
                series->y[k] = fit_inferred_depth(work, point->mean) - series->x[k];
            }
        }
        free(points);
        if (!series)
            return err->code;
    }
    return RIG_OK;
}

static int refuse_all(struct fit_work *work, const char *reason, struct rig_err *err)
{
    static const char *const names[][3] = {
        {"hysteresis_at_rest", "Hysteresis at rest", "mm"},
        {"lag_sum", "Lag rising plus lag falling", "s"},
        {"lag_rising", "Lag with rising water", "s"},
        {"lag_falling", "Lag with falling water", "s"},
        {"cling_difference", "Lag falling less lag rising", "s"},
    };
    for (size_t i = 0; i < sizeof names / sizeof *names; i++) {
        if (result_find(&work->fit->results, names[i][0]))
            continue;
        struct result *result =
            result_add(&work->fit->results, names[i][0], names[i][1], names[i][2], err);
        if (!result)
            return err->code;
        result_refuse(result, "%s", reason);
    }
    return RIG_OK;
}

static struct result *add(struct fit_work *work, const char *name, const char *title,
                          const char *unit, struct rig_err *err)
{
    return result_add(&work->fit->results, name, title, unit, err);
}

static int from_pairs(struct fit_work *work, struct rig_err *err)
{
    struct loop_pass *pairs = calloc(work->pass_count + 1, sizeof *pairs);
    if (!pairs)
        return rig_fail_memory(err, "pairs of passes");
    size_t count = fit_lag_pairs(pairs, work->passes, work->pass_count);
    double curve_u[CURVE_ON], dof = work->curve.parameter_dof;
    curve_uncertainties(work, curve_u);
    struct loop_fit loop;
    struct rig_err why = {0};
    int code = loop_separate(&loop, pairs, count, 0, &why);
    bool known = code == RIG_OK;
    struct result *hysteresis = add(work, "hysteresis_at_rest", "Hysteresis at rest", "mm", err);
    if (!hysteresis)
        goto out_of_memory;
    if (known) {
        /* The axis' own play widens every loop. */
        struct estimate own = loop.hysteresis_mm;
        own.value -= fit_contribute_backlash(work, hysteresis, 1);
        put(work, hysteresis, own,
            (struct shared){.steps = 1, .curve_u = curve_u[CURVE_ON_HYSTERESIS], .curve_dof = dof},
            "loop width against speed, extrapolated to rest, less the axis' backlash (half of it "
            "where it is only stated)");
    } else
        result_refuse(hysteresis, "%s", why.text);
    struct result *sum = add(work, "lag_sum", "Lag rising plus lag falling", "s", err);
    if (!sum)
        goto out_of_memory;
    if (known)
        put(work, sum, loop.lag_sum_s,
            (struct shared){.times = 2, .curve_u = curve_u[CURVE_ON_SUM], .curve_dof = dof},
            "slope of loop width against speed");
    else
        result_refuse(sum, "%s", why.text);
    if (known)
        work->play_mm = (struct estimate){fmax(loop.hysteresis_mm.value, 0), loop.hysteresis_mm.u,
                                          loop.hysteresis_mm.dof};
    if (known && *loop.note)
        fit_warn(work->fit, "%s", loop.note);
    code = count ? loop_width_figure(work, pairs, count, known ? &loop : NULL, err) : RIG_OK;
    free(pairs);
    return code;
out_of_memory:
    free(pairs);
    return err->code;
}

static int by_direction(struct fit_work *work, struct rig_err *err)
{
    struct loop_offset *offsets = calloc(work->pass_count + 1, sizeof *offsets);
    if (!offsets)
        return rig_fail_memory(err, "the passes' offsets");
    offsets_of(offsets, work->passes, work->pass_count);
    struct loop_directions loop;
    struct rig_err why = {0};
    int code = loop_by_direction(&loop, offsets, work->pass_count, 0, &why);
    free(offsets);
    if (code)
        return refuse_all(work, why.text, err);
    double curve_u[CURVE_ON];
    curve_uncertainties(work, curve_u);
    struct shared shared = {
        .times = 1, .curve_u = curve_u[CURVE_ON_RISING], .curve_dof = work->curve.parameter_dof};
    struct result *result = add(work, "lag_rising", "Lag with rising water", "s", err);
    if (!result)
        return err->code;
    put(work, result, loop.lag_rising_s, shared, "offset of rising passes against speed");
    if (!(result = add(work, "lag_falling", "Lag with falling water", "s", err)))
        return err->code;
    shared.curve_u = curve_u[CURVE_ON_FALLING];
    put(work, result, loop.lag_falling_s, shared, "offset of falling passes against speed");
    if (!(result = add(work, "cling_difference", "Lag falling less lag rising", "s", err)))
        return err->code;
    put(work, result, loop.lag_difference_s,
        (struct shared){.curve_u = curve_u[CURVE_ON_DIFFERENCE], .curve_dof = shared.curve_dof},
        "offsets of falling and rising passes against speed; free of the clocks' alignment");
    return RIG_OK;
}

int fit_ramps(struct fit_work *work, struct rig_err *err)
{
    if (!work->has_curve)
        return refuse_all(work, "there is no calibration curve to turn readings into depth", err);
    int code = fit_ramp_passes(work, err);
    if (code)
        return code;
    if (work->pass_count == 0)
        return refuse_all(work, "the profile has no ramps long enough for a steady part", err);
    code = from_pairs(work, err);
    if (!code)
        code = by_direction(work, err);
    if (!code)
        code = loops_figure(work, err);
    return code;
}
