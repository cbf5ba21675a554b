/* SPDX-License-Identifier: GPL-3.0-or-later
 * Sines: gain and phase of the inferred depth against the true one, a frequency at a
 * time, from bins over the cycle. */
#include "results/fit_parts.h"

#include "results/frequency.h"
#include "results/play.h"
#include "results/sine.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

enum { HARMONICS = 3, TRUE_SAMPLES = 512 };

/* The depth behind the play over the second cycle of the segment, exact from the plan. The
 * first cycle takes the play up. */
static int true_sine(const struct fit_work *work, const struct plan_segment *segment,
                     double frequency_hz, double play_mm, struct sine_fit *fit, struct rig_err *err)
{
    struct sample samples[TRUE_SAMPLES];
    double played_mm = plan_depth_mm(work->plan, segment->start_s);
    for (size_t i = 0; i < 2 * TRUE_SAMPLES; i++) {
        double t_s = (double)i / TRUE_SAMPLES / frequency_hz;
        double depth_mm = plan_depth_mm(work->plan, segment->start_s + t_s);
        played_mm = play_follow_mm(played_mm, depth_mm, play_mm);
        samples[i % TRUE_SAMPLES] = (struct sample){.t_s = t_s, .value = played_mm, .weight = 1};
    }
    return sine_fit(fit, samples, TRUE_SAMPLES, frequency_hz, HARMONICS, err);
}

static int inferred_sine(const struct fit_work *work, size_t index, double frequency_hz,
                         struct sine_fit *fit, struct rig_err *err)
{
    struct digest_point *points;
    size_t count, used = 0;
    int code = fit_segment_points(work, work->sensor_source, work->sensor_channel, index, &points,
                                  &count, err);
    if (code)
        return code;
    struct sample *samples = calloc(count + 1, sizeof *samples);
    if (!samples) {
        free(points);
        return rig_fail_memory(err, "a sine's points");
    }
    for (size_t i = 0; i < count; i++) {
        double depth = fit_inferred_depth(work, points[i].mean);
        if (isfinite(depth))
            samples[used++] = sample_of_bin(points[i].t_s, points[i].width_s, depth, points[i].n);
    }
    if (used < 4 * HARMONICS)
        code = rig_fail(err, RIG_EUNKNOWABLE, "too few readings in a cycle");
    else
        code = sine_fit(fit, samples, used, frequency_hz, HARMONICS, err);
    free(samples);
    free(points);
    return code;
}

struct frequency_row {
    struct sine_ratio ratio;
    double distortion;
};

static int collect(struct fit_work *work, struct frequency_row **rows, size_t *count,
                   struct rig_err *err)
{
    size_t segments = plan_segment_count(work->plan), room = 0;
    const struct plan_segment *segment = plan_segments(work->plan);
    for (size_t i = 0; i < segments; i++)
        room += segment[i].kind == SEGMENT_SINE;
    *count = 0;
    *rows = calloc(room + 1, sizeof **rows);
    if (!*rows)
        return rig_fail_memory(err, "the sines of a recording");
    for (size_t i = 0; i < segments; i++) {
        double start_s, end_s;
        if (segment[i].kind != SEGMENT_SINE ||
            !digest_window(work->digests[work->sensor_source], i, &start_s, &end_s))
            continue;
        const struct plan_family *family = &plan_families(work->plan)[segment[i].family];
        double frequency_hz = family->frequency_hz;
        struct sine_fit output, input;
        struct rig_err why = {0};
        struct frequency_row row;
        double interval_s = work->row_interval_s[work->sensor_source];
        if (isfinite(interval_s) && frequency_hz * interval_s > 0.25) {
            fit_warn(work->fit,
                     "The sine at %.3g Hz is left out: the board sends a line each %.3g s, which "
                     "is too few for it.",
                     frequency_hz, interval_s);
            continue;
        }
        int code = inferred_sine(work, i, frequency_hz, &output, &why);
        if (!code)
            code = true_sine(work, &segment[i], frequency_hz, work->play_mm.value, &input, &why);
        if (!code)
            code = sine_compare(&row.ratio, &output, &input, 1, &why);
        if (code == RIG_EMEMORY)
            return rig_fail_memory(err, "the sines of a recording");
        if (code) {
            fit_warn(work->fit, "The sine at %.3g Hz is left out: %s.", frequency_hz, why.text);
            continue;
        }
        row.distortion = output.distortion;
        (*rows)[(*count)++] = row;
    }
    return RIG_OK;
}

static int by_frequency(const void *a, const void *b)
{
    double x = ((const struct frequency_row *)a)->ratio.frequency_hz;
    double y = ((const struct frequency_row *)b)->ratio.frequency_hz;
    return (x > y) - (x < y);
}

static int figures(struct fit_work *work, const struct frequency_row rows[], size_t count,
                   struct rig_err *err)
{
    for (int phase = 0; phase < 2; phase++) {
        struct figure *figure =
            figure_add(&work->fit->figures, phase ? "phase" : "gain",
                       phase ? "Frequency response: phase" : "Frequency response: gain",
                       "frequency, Hz", phase ? "phase, degrees" : "gain", err);
        if (!figure)
            return err->code;
        snprintf(figure->sentence, sizeof figure->sentence, "%s",
                 phase ? "How far the reading's wave lies behind the water's."
                       : "How much of a wave's height the reading shows.");
        figure->log_x = true;
        struct figure_series *series =
            figure_series_add(figure, "measured", FIGURE_POINTS, count, true, err);
        if (!series)
            return err->code;
        for (size_t i = 0; i < count; i++) {
            const struct sine_ratio *ratio = &rows[i].ratio;
            double value = phase ? ratio->phase_rad * 180 / M_PI : ratio->gain;
            double u = phase ? ratio->phase_u * 180 / M_PI : ratio->gain_u;
            series->x[i] = ratio->frequency_hz;
            series->y[i] = value;
            series->low[i] = value - 1.96 * u;
            series->high[i] = value + 1.96 * u;
        }
    }
    return RIG_OK;
}

/* Gain and phase of each frequency, by their place in the ascending row. */
static int each_frequency(struct fit_work *work, const struct frequency_row rows[], size_t count,
                          struct rig_err *err)
{
    for (size_t i = 0; i < count; i++) {
        const struct sine_ratio *ratio = &rows[i].ratio;
        char name[RESULT_NAME_SIZE], title[RESULT_TEXT_SIZE];
        snprintf(name, sizeof name, "gain_%zu", i + 1);
        snprintf(title, sizeof title, "Gain at %.4g Hz", ratio->frequency_hz);
        struct result *result = result_add(&work->fit->results, name, title, "1", err);
        if (!result)
            return err->code;
        result_contribute(result, "noise of the reading", 'A', ratio->gain_u,
                          ratio->degrees_of_freedom);
        result_combine(result, ratio->gain, "sine of known frequency, inferred against true depth");
        snprintf(name, sizeof name, "phase_%zu", i + 1);
        snprintf(title, sizeof title, "Phase at %.4g Hz", ratio->frequency_hz);
        if (!(result = result_add(&work->fit->results, name, title, "rad", err)))
            return err->code;
        result_contribute(result, "noise of the reading", 'A', ratio->phase_u,
                          ratio->degrees_of_freedom);
        fit_contribute_time(work, result, 2 * M_PI * ratio->frequency_hz);
        result_combine(result, ratio->phase_rad,
                       "sine of known frequency, inferred against true depth");
    }
    return RIG_OK;
}

static int put(struct fit_work *work, const char *name, const char *title, const char *unit,
               struct estimate estimate, bool on_clock, double drawn_s, const char *method,
               const char *reason, struct rig_err *err)
{
    struct result *result = result_add(&work->fit->results, name, title, unit, err);
    if (!result)
        return err->code;
    if (reason || !isfinite(estimate.value)) {
        result_refuse(result, "%s", reason ? reason : "the frequencies do not tell");
        return RIG_OK;
    }
    result_contribute(result, "noise of the sines", 'A', estimate.u, estimate.dof);
    if (on_clock)
        fit_contribute_time(work, result, 1);
    result_contribute_within(result, "line towards zero frequency", drawn_s);
    result_combine(result, estimate.value, method);
    return RIG_OK;
}

/* One dead time and one time constant over all frequencies. */
static int over_frequencies(struct fit_work *work, const struct frequency_row rows[], size_t count,
                            struct rig_err *err)
{
    static const char model[] = "dead time and one time constant over all frequencies";
    struct sine_ratio *ratios = calloc(count + 1, sizeof *ratios);
    struct frequency_fit fit = {0};
    struct rig_err why = {0};
    if (!ratios)
        return rig_fail_memory(err, "the sines of a recording");
    for (size_t i = 0; i < count; i++)
        ratios[i] = rows[i].ratio;
    const struct frequency_options options = {.sample_interval_s =
                                                  work->row_interval_s[work->sensor_source]};
    int code = count ? frequency_estimate(&fit, ratios, count, &options, NULL, &why)
                     : rig_fail(&why, RIG_EUNKNOWABLE, "the profile has no sines that were run");
    free(ratios);
    if (code == RIG_EMEMORY)
        return rig_fail_memory(err, "the sines of a recording");
    const char *reason = code ? why.text : NULL;
    if (!code && *fit.note)
        fit_warn(work->fit, "Frequency response: %s", fit.note);
    /* Where the model does not fit, as when water drains otherwise than it rises, the
     * measured gains are the better witness. */
    bool seen = !code && !fit.fits && isfinite(fit.bandwidth_seen_hz.value);
    code =
        put(work, "bandwidth", "Bandwidth, -3 dB", "Hz",
            seen ? fit.bandwidth_seen_hz : fit.bandwidth_hz, false, 0,
            seen ? "measured gains, between frequencies as 1/gain^2 over w^2" : model, reason, err);
    bool other = !reason && !fit.fits; /* draining otherwise than rising, say */
    if (!code)
        code =
            put(work, "sine_time_constant", "Time constant, from sines", "s", fit.tau_s, false, 0,
                model, other ? "one time constant does not describe the response" : reason, err);
    if (!code)
        code = put(work, "sine_mean_lag", "Mean lag of slow waves, from sines", "s",
                   other ? fit.low_lag_s : fit.mean_lag_s, true,
                   other ? fabs(rows[0].ratio.lag_s - fit.low_lag_s.value) / 2 : 0,
                   other ? "phase over w of the lowest frequencies, drawn to zero" : model, reason,
                   err);
    return code;
}

int fit_sines(struct fit_work *work, struct rig_err *err)
{
    struct frequency_row *rows = NULL;
    size_t count = 0;
    if (!work->has_curve)
        return RIG_OK;
    int code = collect(work, &rows, &count, err);
    if (!code && count) {
        qsort(rows, count, sizeof *rows, by_frequency);
        code = figures(work, rows, count, err);
        if (!code)
            code = each_frequency(work, rows, count, err);
    }
    if (!code)
        code = over_frequencies(work, rows, count, err);
    free(rows);
    return code;
}
