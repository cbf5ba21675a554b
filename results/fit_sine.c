/* SPDX-License-Identifier: GPL-3.0-or-later
 * Sines: gain and phase of the inferred depth against the true one, a frequency at a
 * time, from bins over the cycle. */
#include "results/fit_sine.h"

#include "results/frequency.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

/* The axis' clock as the waves tell it. Where that is far off what was taken for it, the waves are
 * compared at their own frequency: else the phase would drift away over their cycles. */
static int judge_clock(struct fit_work *work, struct fit_frequency_row rows[], size_t count,
                       struct rig_err *err)
{
    double weight = 0, off = 0, skew_u = work->timeline.skew_u;
    for (size_t i = 0; i < count; i++)
        if (rows[i].off_u > 0) {
            double one = 1 / (rows[i].off_u * rows[i].off_u);
            weight += one;
            off += one * rows[i].off;
        }
    if (!(weight > 0))
        return RIG_OK;
    off /= weight;
    double u = 1 / sqrt(weight);
    struct result *result =
        result_add(&work->fit->results, "axis_clock_waves",
                   "Axis' clock against the computer's, by the waves", "ppm", err);
    if (!result)
        return err->code;
    result_contribute(result, "noise of the waves", 'A', 1e6 * u, INFINITY);
    result_combine(result, 1e6 * (off - work->timeline.skew),
                   "sines of free frequency (IEEE 1057)");
    if (fabs(off) < 4 * hypot(u, isfinite(skew_u) ? skew_u : 0))
        return RIG_OK;
    fit_warn(
        work->fit,
        "The waves came %.3g %% %s than planned, beyond what the tie of the axis' clock allows "
        "(%.2g %%): they are taken at their own frequency.",
        100 * fabs(off), off > 0 ? "faster" : "slower", 100 * skew_u);
    for (size_t i = 0; i < count; i++)
        if (rows[i].off_u > 0)
            rows[i].ratio = rows[i].own;
    return RIG_OK;
}

static int by_frequency(const void *a, const void *b)
{
    double x = ((const struct fit_frequency_row *)a)->ratio.frequency_hz;
    double y = ((const struct fit_frequency_row *)b)->ratio.frequency_hz;
    return (x > y) - (x < y);
}

static int figures(struct fit_work *work, const struct fit_frequency_row rows[], size_t count,
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

static void contribute_queue(struct result *result, double factor, double queue_u_s)
{
    result_contribute_within(result, "answers that wait in a full controller",
                             factor * queue_u_s * sqrt(3));
}

/* Gain and phase of each frequency, by their place in the ascending row. */
static int each_frequency(struct fit_work *work, const struct fit_frequency_row rows[],
                          size_t count, struct rig_err *err)
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
        result_contribute(result, "play of board and stage", 'B', fabs(rows[i].play_gain),
                          INFINITY);
        result_contribute_within(result, "settling of the first cycles", rows[i].settling);
        if (rows[i].curve > 0)
            result_contribute(result, "slope of the curve", 'A', ratio->gain * rows[i].curve,
                              work->curve.parameter_dof);
        result_combine(result, ratio->gain, "sine of known frequency, inferred against true depth");
        snprintf(name, sizeof name, "phase_%zu", i + 1);
        snprintf(title, sizeof title, "Phase at %.4g Hz", ratio->frequency_hz);
        if (!(result = result_add(&work->fit->results, name, title, "rad", err)))
            return err->code;
        result_contribute(result, "noise of the reading", 'A', ratio->phase_u,
                          ratio->degrees_of_freedom);
        result_contribute(result, "play of board and stage", 'B', fabs(rows[i].play_rad), INFINITY);
        result_contribute_within(result, "settling of the first cycles",
                                 rows[i].settling / ratio->gain);
        result_contribute(result, "tie of its stroke to the clock", 'B',
                          2 * M_PI * ratio->frequency_hz * rows[i].tie_u_s, INFINITY);
        contribute_queue(result, 2 * M_PI * ratio->frequency_hz, rows[i].queue_u_s);
        fit_contribute_time(work, result, 2 * M_PI * ratio->frequency_hz);
        result_combine(result, ratio->phase_rad,
                       "sine of known frequency, inferred against true depth");
    }
    return RIG_OK;
}

/* What one number from all frequencies rests on, besides noise. */
struct shared_parts {
    double play;      /* what one standard uncertainty of the play changes */
    double curve;     /* and one of the curve's slope; 0: nothing */
    double drawn;     /* half width of what the way to it leaves open */
    double queue_u_s; /* NaN: it is no time on the clock */
};

static int put(struct fit_work *work, const char *name, const char *title, const char *unit,
               struct estimate estimate, struct shared_parts parts, const char *method,
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
    if (isfinite(parts.play))
        result_contribute(result, "play of board and stage", 'B', fabs(parts.play), INFINITY);
    if (isfinite(parts.curve) && parts.curve != 0)
        result_contribute(result, "slope of the curve", 'A', fabs(parts.curve),
                          work->curve.parameter_dof);
    if (isfinite(parts.queue_u_s)) {
        contribute_queue(result, 1, parts.queue_u_s);
        fit_contribute_time(work, result, 1);
    }
    if (isfinite(parts.drawn))
        result_contribute_within(result, "between and beyond the frequencies", fabs(parts.drawn));
    result_combine(result, estimate.value, method);
    return RIG_OK;
}

/* The points as the model of all frequencies takes them: each with the tie of its own stroke; with
 * the play one standard uncertainty wider. */
static void make_points(struct sine_ratio points[], struct sine_ratio wider[],
                        const struct fit_frequency_row rows[], size_t count)
{
    for (size_t i = 0; i < count; i++) {
        double w = 2 * M_PI * rows[i].ratio.frequency_hz;
        points[i] = rows[i].ratio;
        double settling = rows[i].settling / sqrt(3);
        points[i].gain_u = hypot(points[i].gain_u, settling);
        points[i].phase_u = hypot(points[i].phase_u, settling / points[i].gain);
        points[i].phase_u = hypot(points[i].phase_u, w * rows[i].tie_u_s);
        points[i].lag_u = points[i].phase_u / w;
        wider[i] = points[i];
        wider[i].gain += rows[i].play_gain;
        wider[i].phase_rad += rows[i].play_rad;
        wider[i].lag_s = -wider[i].phase_rad / w;
    }
}

/* One dead time and one time constant over all frequencies, and what needs no model. */
static int tell_response(struct fit_work *work, const struct fit_frequency_row rows[], size_t count,
                         const struct frequency_fit *fit, const struct frequency_fit *wider,
                         const struct frequency_fit *steeper, const char *reason,
                         struct rig_err *err)
{
    static const char model[] = "dead time and one time constant over all frequencies";
    double queue_u_s = 0;
    for (size_t i = 0; i < count; i++)
        queue_u_s = fmax(queue_u_s, rows[i].queue_u_s);
    /* A model's bandwidth beyond the highest frequency would be a guess, and where draining is
     * otherwise than rising the measured gains are the better witness. */
    const char *unseen = reason ? reason : *fit->bandwidth_reason ? fit->bandwidth_reason : NULL;
    const struct shared_parts seen = {
        .play = wider->bandwidth_seen_hz.value - fit->bandwidth_seen_hz.value,
        .curve = steeper->bandwidth_seen_hz.value - fit->bandwidth_seen_hz.value,
        .drawn = fit->bandwidth_drawn_hz,
        .queue_u_s = NAN};
    int code = put(work, "bandwidth", "Bandwidth, -3 dB", "Hz", fit->bandwidth_seen_hz, seen,
                   "measured gains, drawn between frequencies", unseen, err);
    const struct shared_parts time_constant = {.play = wider->tau_s.value - fit->tau_s.value,
                                               .curve = steeper->tau_s.value - fit->tau_s.value,
                                               .queue_u_s = NAN};
    if (!code)
        code =
            put(work, "sine_time_constant", "Time constant, from sines", "s", fit->tau_s,
                time_constant, model,
                !reason && !fit->fits ? "one time constant does not describe the response" : reason,
                err);
    bool low = isfinite(fit->low_lag_s.value);
    const struct shared_parts lag = {.play = low ? wider->low_lag_s.value - fit->low_lag_s.value
                                                 : wider->mean_lag_s.value - fit->mean_lag_s.value,
                                     .drawn = low ? fit->low_lag_drawn_s : 0,
                                     .queue_u_s = queue_u_s};
    bool unfit = !reason && !low && !fit->fits;
    if (!code)
        code =
            put(work, "sine_mean_lag", "Mean lag of slow waves, from sines", "s",
                low ? fit->low_lag_s : fit->mean_lag_s, lag,
                low ? "phase over w of the two lowest frequencies, drawn to zero" : model,
                unfit ? "the lowest frequencies are too high: the reading lags by more than half a "
                        "radian at the first or some 1.6 at the second, and one time constant "
                        "does not describe the response"
                      : reason,
                err);
    return code;
}

static int over_frequencies(struct fit_work *work, const struct fit_frequency_row rows[],
                            size_t count, struct rig_err *err)
{
    struct sine_ratio *points = calloc(2 * count + 1, sizeof *points);
    struct frequency_fit fit = {0}, wider = {0}, steeper = {0};
    struct rig_err why = {0};
    if (!points)
        return rig_fail_memory(err, "the sines of a recording");
    make_points(points, points + count, rows, count);
    /* The depth is the curve's own: at rest the gain is 1. */
    struct frequency_options options = {.sample_interval_s =
                                            work->row_interval_s[work->sensor_source],
                                        .gain_at_rest = 1,
                                        .longest_lag_s = fit_sine_longest_lag_s(work)};
    int code = count ? frequency_estimate(&fit, points, count, &options, NULL, &why)
                     : rig_fail(&why, RIG_EUNKNOWABLE, "the profile has no sines that were run");
    if (!code && frequency_estimate(&wider, points + count, count, &options, NULL, NULL))
        wider = fit;
    for (size_t i = 0; i < count; i++)
        options.gain_at_rest = fmax(options.gain_at_rest, 1 + rows[i].curve);
    if (!code && frequency_estimate(&steeper, points, count, &options, NULL, NULL))
        steeper = fit;
    free(points);
    if (code == RIG_EMEMORY)
        return rig_fail_memory(err, "the sines of a recording");
    if (!code && *fit.note)
        fit_warn(work->fit, "Frequency response: %s", fit.note);
    return tell_response(work, rows, count, &fit, &wider, &steeper, code ? why.text : NULL, err);
}

int fit_sines(struct fit_work *work, struct rig_err *err)
{
    struct fit_frequency_row *rows = NULL;
    size_t count = 0;
    if (!work->has_curve)
        return RIG_OK;
    int code = fit_sine_each(work, &rows, &count, err);
    if (!code && count) {
        qsort(rows, count, sizeof *rows, by_frequency);
        code = judge_clock(work, rows, count, err);
        if (!code)
            code = figures(work, rows, count, err);
        if (!code)
            code = each_frequency(work, rows, count, err);
    }
    if (!code)
        code = over_frequencies(work, rows, count, err);
    free(rows);
    return code;
}
