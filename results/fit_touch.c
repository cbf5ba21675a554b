/* SPDX-License-Identifier: GPL-3.0-or-later
 * The water's surface by the board's own touch: what depths are counted from, and how it falls from
 * touch to touch. The reading is late by its lag, and by half its play or all of it; so a
 * first look at the whole recording, by the rig file's datum, tells both. */
#include "results/fit_parts.h"

#include "results/touch.h"
#include "results/trend.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

/* Where no ramps tell the lag: standard uncertainty (common practice, no source). */
static const double LAG_UNKNOWN_U_S = 0.2;
/* Fewer touches than that don't tell their own scatter about a line. */
enum { SCATTER_FROM = 4, TREND_FROM = 3 };

static int find(struct fit_work *work, size_t segment, struct rig_err *err)
{
    const struct plan_segment *way = &plan_segments(work->plan)[segment];
    struct digest_point *points;
    size_t count, used = 0;
    double start_s, end_s;
    int code = fit_segment_points(work, work->sensor_source, work->sensor_channel, segment, &points,
                                  &count, err);
    if (code)
        return code;
    struct touch_point *touch = calloc(count + 1, sizeof *touch);
    if (!touch)
        code = rig_fail_memory(err, "a touch");
    for (size_t i = 0; touch && i < count; i++)
        if (isfinite(points[i].mean))
            touch[used++] = (struct touch_point){
                .depth_mm = plan_depth_mm(work->plan, way->start_s + points[i].t_s),
                .reading = points[i].mean,
                .weight = points[i].n};
    struct touch_fit found;
    struct rig_err why = {0};
    if (touch && digest_window(work->digests[work->sensor_source], segment, &start_s, &end_s)) {
        double from_mm = (double)way->from_mm, to_mm = (double)way->to_mm;
        if (touch_find(&found, touch, used, &why) == RIG_OK)
            work->touches.list[work->touches.count++] = (struct fit_touch){
                .host_s =
                    start_s + (end_s - start_s) * (found.surface_mm - from_mm) / (to_mm - from_mm),
                .speed_mm_s = (double)way->speed_mm_s,
                .surface_mm = found.surface_mm,
                .u_mm = found.surface_u_mm};
        else
            fit_warn(work->fit, "The touch at %.0f s did not find the surface: %s.", start_s,
                     why.text);
    }
    free(touch);
    free(points);
    return code;
}

/* Lag and play by the rig file's datum, which neither depends on. *undo: what moved through the
 * recording is taken out, so that depths count from its start. */
static int look(const struct fit_work *work, const struct fit_options *options, double *lag_s,
                double *lag_u_s, struct estimate *play_mm, bool *undo, struct rig_err *err)
{
    struct fit first = {0};
    struct fit_work copy = *work;
    copy.fit = &first;
    int code = fit_static(&copy, options ? options->degree : -1, err);
    if (!code)
        code = fit_ramps(&copy, err);
    const struct result *lag = result_find(&first.results, "lag_rising");
    bool told = lag && isfinite(lag->value) && isfinite(lag->standard_uncertainty);
    *lag_s = told ? lag->value : 0;
    *lag_u_s = told ? lag->standard_uncertainty : LAG_UNKNOWN_U_S;
    *play_mm = copy.play_mm;
    *undo = copy.night.undo;
    free(copy.points);
    free(copy.passes);
    centres_free(&copy.centres);
    night_free(&copy.night.night);
    free(copy.night.degc);
    fit_free(&first);
    return code;
}

/* The line of least squares through the touches: its value at a time, and the scatter about it. */
static void draw(const struct fit_touches *touches, double at_s, double *value, double *sd)
{
    double n = 0, t = 0, y = 0, tt = 0, ty = 0, yy = 0;
    for (size_t i = 0; i < touches->count; i++) {
        double dt = touches->list[i].host_s - t, dy = touches->list[i].surface_mm - y;
        n++;
        t += dt / n;
        y += dy / n;
        tt += dt * (touches->list[i].host_s - t);
        ty += dt * (touches->list[i].surface_mm - y);
        yy += dy * (touches->list[i].surface_mm - y);
    }
    double slope = tt > 0 && n >= TREND_FROM ? ty / tt : 0;
    *value = y + (n >= TREND_FROM ? slope * (at_s - t) : 0);
    *sd = n > 2 ? sqrt(fmax(0, yy - slope * ty) / (n - 2)) : 0;
}

static int settle(struct fit_work *work, const struct fit_options *options, struct rig_err *err)
{
    struct fit_touches *touches = &work->touches;
    struct estimate play_mm;
    double lag_s, lag_u_s, own = 0, speed = 0, middle_s = 0, sd;
    bool undo;
    int code = look(work, options, &lag_s, &lag_u_s, &play_mm, &undo, err);
    if (code)
        return code;
    double n = (double)touches->count;
    for (size_t i = 0; i < touches->count; i++) {
        own += touches->list[i].u_mm * touches->list[i].u_mm;
        speed += touches->list[i].speed_mm_s / n;
        middle_s += touches->list[i].host_s / n;
    }
    draw(touches, undo ? 0 : middle_s, &touches->surface_mm, &sd);
    touches->u_mm = sqrt(own) / n;
    touches->dof = INFINITY;
    if (touches->count >= SCATTER_FROM && sd / sqrt(n) > touches->u_mm) {
        touches->u_mm = sd / sqrt(n);
        touches->dof = n - 2;
    }
    /* A dry board takes up half of the play before it reads more, one that was wet all of it. */
    double play = fmax(play_mm.value, 0), play_u = isfinite(play_mm.u) ? 0.75 * play_mm.u : 0;
    touches->late_mm = lag_s * speed + 0.75 * play;
    touches->late_u_mm = hypot(lag_u_s * speed, hypot(play_u, play / 4 / sqrt(3)));
    touches->surface_mm -= touches->late_mm;
    touches->known = true;
    return RIG_OK;
}

int fit_touches(struct fit_work *work, const struct fit_options *options, struct rig_err *err)
{
    const struct plan_segment *segments = plan_segments(work->plan);
    size_t count = 0;
    for (size_t i = 0; i < plan_segment_count(work->plan); i++)
        count += segments[i].kind == SEGMENT_TOUCH;
    if (count == 0)
        return RIG_OK;
    work->touches.list = calloc(count, sizeof *work->touches.list);
    int code = work->touches.list ? RIG_OK : rig_fail_memory(err, "the touches of a recording");
    for (size_t i = 0; !code && i < plan_segment_count(work->plan); i++)
        if (segments[i].kind == SEGMENT_TOUCH)
            code = find(work, i, err);
    return code || work->touches.count == 0 ? code : settle(work, options, err);
}

/* ---- what is told ---- */

static int surface_figure(struct fit_work *work, struct rig_err *err)
{
    const struct fit_touches *touches = &work->touches;
    const char *unit;
    char label[FIGURE_TEXT_SIZE];
    double unit_s = fit_time_unit(touches->list[touches->count - 1].host_s, &unit);
    snprintf(label, sizeof label, "time since the run began, %s", unit);
    struct figure *figure = figure_add(&work->fit->figures, "water-surface", "The water's surface",
                                       label, "below the rig file's datum, mm", err);
    if (!figure)
        return err->code;
    snprintf(figure->sentence, sizeof figure->sentence,
             "Where the board met the water at each touch: it lies lower as water evaporates.");
    struct figure_series *series =
        figure_series_add(figure, "touches", FIGURE_POINTS, touches->count, true, err);
    if (!series)
        return err->code;
    for (size_t i = 0; i < touches->count; i++) {
        const struct fit_touch *touch = &touches->list[i];
        series->x[i] = touch->host_s / unit_s;
        series->y[i] = touch->surface_mm - touches->late_mm;
        series->low[i] = series->y[i] - 1.96 * touch->u_mm;
        series->high[i] = series->y[i] + 1.96 * touch->u_mm;
    }
    return RIG_OK;
}

/* Lag and play are the same at each touch, so they are not in the trend. */
static int tell_trend(struct fit_work *work, struct rig_err *err)
{
    const struct fit_touches *touches = &work->touches;
    struct result *result = result_add(&work->fit->results, "evaporation_touched",
                                       "Water falls by, as touched", "mm/h", err);
    size_t n = touches->count < TREND_LIMIT ? touches->count : TREND_LIMIT;
    double *hours = calloc(2 * n + 1, sizeof *hours), *surface = hours ? hours + n : NULL;
    struct theil_sen trend;
    struct rig_err why = {0};
    if (!result || !hours) {
        free(hours);
        return result ? rig_fail_memory(err, "the touches of a recording") : (int)err->code;
    }
    for (size_t i = 0; i < n; i++) {
        hours[i] = touches->list[i].host_s / 3600;
        surface[i] = touches->list[i].surface_mm;
    }
    if (n < TREND_FROM) {
        result_refuse(result, "needs three touches or more, and has %zu", n);
    } else if (theil_sen_of(&trend, hours, surface, n, 0.95, &why)) {
        result_refuse(result, "%s", why.text);
    } else if (!isfinite(trend.low) || !isfinite(trend.high)) {
        result_refuse(result, "%zu touches are too few for an interval of 95 %%", n);
    } else {
        result_set(result, trend.slope, (trend.high - trend.low) / (2 * 1.96), INFINITY,
                   "Theil-Sen slope of the touches, interval by Sen");
        result->low_95 = trend.low;
        result->high_95 = trend.high;
    }
    free(hours);
    return RIG_OK;
}

int fit_touch_results(struct fit_work *work, struct rig_err *err)
{
    const struct fit_touches *touches = &work->touches;
    if (!touches->list)
        return RIG_OK;
    struct result *result = result_add(&work->fit->results, "water_surface",
                                       "Surface below the rig file's datum", "mm", err);
    if (!result)
        return err->code;
    if (!touches->known) {
        result_refuse(result, "no touch found the surface");
        return RIG_OK;
    }
    char method[RESULT_TEXT_SIZE];
    snprintf(method, sizeof method, "%zu touches, less %.3f mm of lag and play", touches->count,
             touches->late_mm);
    fit_contribute_datum(work, result, 1);
    fit_contribute_place(work, result, 1);
    result_combine(result, touches->surface_mm, method);
    int code = tell_trend(work, err);
    return code ? code : surface_figure(work, err);
}
