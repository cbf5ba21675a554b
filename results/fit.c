/* SPDX-License-Identifier: GPL-3.0-or-later
 * The order of things in a fit, and the one pass over the rows. */
#include "results/fit.h"

#include "results/fit_parts.h"
#include "results/fit_watch.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

void fit_warn(struct fit *fit, const char *format, ...)
{
    if (fit->warning_count == FIT_WARNING_LIMIT)
        return;
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(fit->warnings[fit->warning_count++], FIT_WARNING_SIZE, format, arguments);
    va_end(arguments);
}

int fit_keep_pass(struct fit *fit, const struct fit_pass *pass, struct rig_err *err)
{
    if (fit->pass_count == fit->pass_room) {
        size_t room = 2 * fit->pass_room + 64;
        struct fit_pass *larger = realloc(fit->passes, room * sizeof *larger);
        if (!larger)
            return rig_fail_memory(err, "the passes of a recording");
        fit->passes = larger;
        fit->pass_room = room;
    }
    fit->passes[fit->pass_count++] = *pass;
    return RIG_OK;
}

static int keep_passes(struct fit_work *work, struct rig_err *err)
{
    int code = RIG_OK;
    for (size_t i = 0; !code && i < work->pass_count; i++)
        code = fit_keep_pass(work->fit,
                             &(struct fit_pass){.kind = FIT_PASS_RAMP,
                                                .segment = work->passes[i].segment,
                                                .direction = work->passes[i].direction,
                                                .x = work->passes[i].speed_mm_s,
                                                .value = work->passes[i].late_mm,
                                                .host_s = work->passes[i].host_s},
                             err);
    for (size_t i = 0; !code && i < work->centres.n; i++)
        code = fit_keep_pass(
            work->fit,
            &(struct fit_pass){.kind = FIT_PASS_LEVEL,
                               .segment = work->centres.cycle ? work->centres.cycle[i] : 0,
                               .x = work->centres.depth_mm[i],
                               .value = work->centres.reading[i]},
            err);
    return code;
}

double fit_backlash_mm(const struct fit_work *work)
{
    struct estimate measured = fit_measured_backlash(work);
    return isfinite(measured.value) ? measured.value + measured.u : work->rig->axis.backlash_mm;
}

double fit_contribute_backlash(const struct fit_work *work, struct result *result, double factor)
{
    struct estimate measured = fit_measured_backlash(work);
    double half_mm = work->rig->axis.backlash_mm / 2;
    /* A trip channel that was crossed a few times tells less than what is stated. */
    if (isfinite(measured.value) && (half_mm <= 0 || measured.u < half_mm / sqrt(3))) {
        result_contribute(result, "backlash of the axis", 'B', fabs(factor) * measured.u,
                          measured.dof);
        return measured.value;
    }
    result_contribute_within(result, "backlash of the axis", fabs(factor) * half_mm);
    return half_mm;
}

void fit_contribute_steps(const struct fit_work *work, struct result *result, double factor)
{
    result_contribute_within(result, "steps of the axis",
                             fabs(factor) * work->rig->axis.step_mm / 2);
}

void fit_contribute_place(const struct fit_work *work, struct result *result, double factor)
{
    result_contribute_within(result, "backlash of the axis",
                             fabs(factor) * fit_backlash_mm(work) / 2);
    fit_contribute_steps(work, result, factor);
}

void fit_contribute_datum(const struct fit_work *work, struct result *result, double factor)
{
    const struct fit_touches *touches = &work->touches;
    if (!touches->known) {
        result_contribute_within(result, "datum", fabs(factor) * FIT_DATUM_WITHIN_MM);
        return;
    }
    result_contribute(result, "surface as touched", 'A', fabs(factor) * touches->u_mm,
                      touches->dof);
    if (touches->late_u_mm > 0)
        result_contribute(result, "lag and play at the touch", 'B',
                          fabs(factor) * touches->late_u_mm, INFINITY);
}

double fit_depth_mm(const struct fit_work *work, double plan_s)
{
    return plan_depth_mm(work->plan, plan_s) - (work->touches.known ? work->touches.surface_mm : 0);
}

void fit_contribute_time(const struct fit_work *work, struct result *result, double factor)
{
    double late_s, half_s;
    fit_delay(work, work->sensor_source, &late_s, &half_s);
    const struct timeline *timeline = &work->timeline;
    if (timeline->source == work->sensor_source) {
        /* What saw the stage came in the same lines: their delay shifts both alike. */
        double own2 = timeline->common_u_s * timeline->common_u_s -
                      timeline->source_u_s * timeline->source_u_s;
        result_contribute(result, "clock alignment", 'B', fabs(factor) * sqrt(fmax(own2, 0)),
                          INFINITY);
        return;
    }
    result_contribute_within(result, "clock alignment",
                             fabs(factor) * sqrt(3) * timeline->common_u_s);
    if (work->times[work->sensor_source]->count)
        result_contribute(result, "clock of the board", 'B',
                          fabs(factor) * work->times[work->sensor_source]->u_s, INFINITY);
    result_contribute_within(result, "delay of the board's line", fabs(factor) * half_s);
}

double fit_inferred_depth(const struct fit_work *work, double reading)
{
    for (size_t m = 0; m < work->map_count; m++)
        reading = curve_value(work->maps[m], reading);
    return work->has_curve && isfinite(reading) ? curve_depth_extended(&work->curve, reading)
                                                : (double)NAN;
}

int fit_segment_points(const struct fit_work *work, size_t source, size_t channel, size_t segment,
                       struct digest_point **points, size_t *count, struct rig_err *err)
{
    size_t room = digest_bin_count(work->digests[source], segment);
    *count = 0;
    *points = calloc(room + 1, sizeof **points);
    if (!*points)
        return rig_fail_memory(err, "a segment's points");
    *count = digest_points(work->digests[source], segment, channel, *points);
    if (source != work->sensor_source || channel != work->sensor_channel)
        return RIG_OK;
    *count = fit_unsaturated(work, *points, *count);
    double start_s, end_s;
    if (work->night.undo && digest_window(work->digests[source], segment, &start_s, &end_s))
        for (size_t i = 0; i < *count; i++)
            (*points)[i].mean = fit_steady_reading(
                work, start_s + (*points)[i].cycle_s + (*points)[i].t_s, (*points)[i].mean);
    return RIG_OK;
}

static int make_timeline(struct fit_work *work, struct rig_err *err)
{
    struct motion_row *motion = NULL;
    struct stroke_row *strokes = NULL;
    size_t motion_count = 0, stroke_count = 0;
    struct scan_report report = {0};
    struct timeline_prior prior;
    const bool known = fit_prior(work, &prior);
    int code = recording_motion_rows(work->recording, &motion, &motion_count, &report, err);
    if (!code)
        code = recording_stroke_rows(work->recording, &strokes, &stroke_count, &report, err);
    if (!code)
        code = timeline_make_knowing(&work->timeline, work->plan, motion, motion_count, strokes,
                                     stroke_count, &work->rig->axis, known ? &prior : NULL, err);
    if (!code)
        code = fit_witness(work, work->threads, err);
    free(motion);
    free(strokes);
    return code;
}

static int find_sensor(struct fit_work *work, struct rig_err *err)
{
    for (size_t s = 0; s < work->rig->source_count; s++)
        for (size_t c = 0; c < work->rig->sources[s].channel_count; c++)
            if (work->rig->sources[s].channels[c].role == ROLE_SENSOR) {
                work->sensor_source = s;
                work->sensor_channel = c;
                return RIG_OK;
            }
    return rig_fail(err, RIG_EINPUT,
                    "%s: its rig file names no channel with 'role sensor'; say in the rig file "
                    "which channel reads the water",
                    recording_folder(work->recording));
}

static void tell_state(const struct recording *recording, struct fit *fit)
{
    switch (recording_state(recording)) {
    case RUN_COMPLETE:
        break;
    case RUN_RUNNING:
        fit_warn(fit, "The run has not ended, or was cut off: results rest on what is there.");
        break;
    default:
        fit_warn(fit, "The run was %s before its end: results rest on what is there.",
                 run_state_name(recording_state(recording)));
    }
}

static void free_work(struct fit_work *work)
{
    for (size_t i = 0; i < RIG_SOURCE_LIMIT; i++) {
        digest_free(work->digests[i]);
        free(work->stamps[i]);
        free(work->watches[i]);
        if (work->times[i])
            row_times_free(work->times[i]);
        free(work->times[i]);
        for (size_t c = 0; c < RIG_CHANNEL_LIMIT; c++)
            free(work->changes[i][c]);
    }
    timeline_free(&work->timeline);
    free(work->points);
    free(work->passes);
    centres_free(&work->centres);
    night_free(&work->night.night);
    free(work->night.degc);
    free(work->touches.list);
}

int fit_recording(struct fit *fit, const struct recording *recording,
                  const struct fit_options *options, struct rig_err *err)
{
    struct fit_work work = {
        .recording = recording,
        .rig = recording_rig(recording),
        .plan = recording_plan(recording),
        .fit = fit,
        .threads = options ? options->threads : 0,
        .play_mm = {0, NAN, NAN},
        .rail_low = NAN,
        .rail_high = NAN,
    };
    int code = find_sensor(&work, err);
    for (size_t i = 0; !code && i < work.rig->source_count; i++)
        code = fit_row_times(&work, i, err);
    if (!code)
        code = make_timeline(&work, err);
    for (size_t i = 0; !code && i < work.rig->source_count; i++)
        code = fit_read_source(&work, i, options, err);
    if (!code) {
        tell_state(recording, fit);
        if (work.timeline.stretched)
            fit_warn(fit,
                     "%zu strokes are left out: the stage was held up within them, as when lines "
                     "come too late.",
                     work.timeline.stretched);
        code = fit_watch_values(&work, err);
    }
    if (!code) {
        code = fit_touches(&work, options, err);
        if (!code)
            code = fit_static(&work, options ? options->degree : -1, err);
    }
    fit->low_mm = work.has_curve ? work.low_mm : (double)NAN;
    fit->high_mm = work.has_curve ? work.high_mm : (double)NAN;
    fit->curve = work.curve;
    if (!code)
        code = fit_straight(&work, err);
    if (!code)
        code = fit_ramps(&work, err);
    if (!code)
        code = fit_repeat_of_ramps(&work, err);
    if (!code)
        code = fit_drift(&work, err);
    if (!code)
        code = fit_dead_band(&work, err);
    if (!code)
        code = fit_film(&work, err);
    if (!code)
        code = fit_allan(&work, err);
    if (!code)
        code = fit_steps(&work, err);
    if (!code)
        code = fit_sines(&work, err);
    if (!code)
        code = fit_agree(&work, err);
    if (!code)
        code = fit_links(&work, err);
    if (!code)
        code = fit_tie(&work, err);
    if (!code)
        code = fit_stamps(&work, err);
    if (!code)
        code = fit_touch_results(&work, err);
    if (!code)
        code = fit_events(&work, err);
    if (!code)
        code = keep_passes(&work, err);
    for (size_t f = 0; f < fit->figures.count; f++)
        figure_reduce(&fit->figures.figures[f], FIGURE_COLUMNS);
    free_work(&work);
    return code;
}

void fit_free(struct fit *fit)
{
    result_list_free(&fit->results);
    figure_list_free(&fit->figures);
    free(fit->levels_mm);
    fit->levels_mm = NULL;
    free(fit->passes);
    fit->passes = NULL;
    fit->pass_count = fit->pass_room = 0;
}
