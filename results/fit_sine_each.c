/* SPDX-License-Identifier: GPL-3.0-or-later
 * Each sine by itself, fitted by several threads and taken in order: what the reading makes of it
 * beside the stage's motion. */
#include "results/fit_sine.h"

#include "results/fit_watch.h"
#include "results/in_order.h"
#include "results/play.h"

#include <math.h>
#include <stdlib.h>

/* As many harmonics as there is room for: what play and draining do to a wave is no noise. */
enum { HARMONICS = SINE_HARMONIC_LIMIT, TRUE_SAMPLES = 512 };

/* The depth behind the play over the second cycle of the segment, exact from the plan. The
 * first cycle takes the play up. */
static int true_sine(const struct fit_work *work, const struct plan_segment *segment,
                     double frequency_hz, double play_mm, struct sine_fit *fit, struct rig_err *err)
{
    struct sample samples[TRUE_SAMPLES];
    double played_mm = fit_depth_mm(work, segment->start_s);
    for (size_t i = 0; i < 2 * TRUE_SAMPLES; i++) {
        double t_s = (double)i / TRUE_SAMPLES / frequency_hz;
        double depth_mm = fit_depth_mm(work, segment->start_s + t_s);
        played_mm = play_follow_mm(played_mm, depth_mm, play_mm);
        samples[i % TRUE_SAMPLES] = (struct sample){.t_s = t_s, .value = played_mm, .weight = 1};
    }
    return sine_fit(fit, samples, TRUE_SAMPLES, frequency_hz, HARMONICS, err);
}

/* The sines of the motion: with the play, and with as much more as it is uncertain by. Of a night's
 * segments many are of one shape, and its motion is worked out once. */
enum { SHAPES_KEPT = 8 };
struct motion_sines {
    struct motion_sine {
        bool known;
        uint32_t shape;
        struct sine_fit input, wider;
    } of[SHAPES_KEPT];
    size_t oldest;
};

static int motion_sine(const struct fit_work *work, const struct plan_segment *segment,
                       double frequency_hz, double wider_mm, struct motion_sines *sines,
                       const struct motion_sine **found, struct rig_err *err)
{
    for (size_t k = 0; k < SHAPES_KEPT; k++) {
        *found = &sines->of[k];
        if (sines->of[k].known && sines->of[k].shape == segment->shape)
            return RIG_OK;
    }
    struct motion_sine *made = &sines->of[sines->oldest];
    sines->oldest = (sines->oldest + 1) % SHAPES_KEPT;
    *found = made;
    made->shape = segment->shape;
    int code = true_sine(work, segment, frequency_hz, work->play_mm.value, &made->input, err);
    if (!code)
        code = true_sine(work, segment, frequency_hz, work->play_mm.value + wider_mm, &made->wider,
                         err);
    made->known = code == RIG_OK;
    return code;
}

/* A wave with its frequency as planned, and with one of its own. */
struct wave {
    struct sine_fit planned, own;
    bool has_own; /* false: too few cycles, or nothing near */
};

/* The inferred depth over a segment's cycles; the caller frees *samples, on error too. */
static int inferred_samples(const struct fit_work *work, size_t index, struct sample **samples,
                            size_t *used, struct rig_err *err)
{
    struct digest_point *points;
    size_t count;
    bool saturates = false;
    *samples = NULL;
    *used = 0;
    int code = fit_saturates(work, index, &saturates, err);
    if (code || saturates)
        return code ? code : rig_fail(err, RIG_EUNKNOWABLE, "the reading is saturated in it");
    code = fit_segment_points(work, work->sensor_source, work->sensor_channel, index, &points,
                              &count, err);
    if (code)
        return code;
    *samples = calloc(count + 1, sizeof **samples);
    if (!*samples) {
        free(points);
        return rig_fail_memory(err, "a sine's points");
    }
    for (size_t i = 0; i < count; i++) {
        double depth = fit_inferred_depth(work, points[i].mean);
        if (isfinite(depth))
            (*samples)[(*used)++] = sample_of_bin(points[i].cycle_s + points[i].t_s,
                                                  points[i].width_s, depth, points[i].n);
    }
    free(points);
    return RIG_OK;
}

static size_t harmonics_of(size_t used)
{
    return used / 4 < HARMONICS ? used / 4 : HARMONICS;
}

static double frequency_of(const struct fit_work *work, size_t segment)
{
    return plan_families(work->plan)[plan_segments(work->plan)[segment].family].frequency_hz;
}

static int fit_planned(struct sine_fit *fit, const struct sample samples[], size_t used,
                       double frequency_hz, struct rig_err *err)
{
    if (harmonics_of(used) < 3)
        return rig_fail(err, RIG_EUNKNOWABLE, "too few readings in a cycle");
    return sine_fit(fit, samples, used, frequency_hz, harmonics_of(used), err);
}

int fit_inferred_sine(const struct fit_work *work, size_t segment, struct sine_fit *fit,
                      struct rig_err *err)
{
    struct sample *samples;
    size_t used;
    int code = inferred_samples(work, segment, &samples, &used, err);
    if (!code)
        code = fit_planned(fit, samples, used, frequency_of(work, segment), err);
    free(samples);
    return code;
}

static int inferred_wave(const struct fit_work *work, size_t segment, struct wave *wave,
                         struct rig_err *err)
{
    struct sample *samples;
    size_t used;
    double frequency_hz = frequency_of(work, segment);
    wave->has_own = false;
    int code = inferred_samples(work, segment, &samples, &used, err);
    if (!code)
        code = fit_planned(&wave->planned, samples, used, frequency_hz, err);
    /* Groups of cycles apart: else there is nothing to tell a frequency by. */
    if (!code && samples[used - 1].t_s - samples[0].t_s > 1 / frequency_hz) {
        code = sine_fit_frequency(&wave->own, samples, used, frequency_hz, harmonics_of(used), err);
        wave->has_own = code == RIG_OK;
        code = code == RIG_EUNKNOWABLE ? RIG_OK : code;
    }
    free(samples);
    return code;
}

double fit_sine_longest_lag_s(const struct fit_work *work)
{
    const struct result *falling = result_find(&work->fit->results, "lag_falling");
    const struct result *rising = result_find(&work->fit->results, "lag_rising");
    double tau_s = 0;
    if (rising && isfinite(rising->value))
        tau_s = fmax(tau_s, rising->value);
    if (falling && isfinite(falling->value))
        tau_s = fmax(tau_s, falling->value);
    return tau_s;
}

/* A first-order response that starts from rest at an extreme lacks w^2 tau^2/(1 + w^2 tau^2) of the
 * amplitude there; that dies out with tau, and what is left of it when the cycles that count
 * begin, over the time that they last, looks like so much gain, in phase or out of it. */
static double settling_left(const struct fit_work *work, const struct plan_segment *segment,
                            double frequency_hz)
{
    double tau_s = fit_sine_longest_lag_s(work), w = 2 * M_PI * frequency_hz;
    if (!(tau_s > 0))
        return 0;
    double skipped_s = digest_skipped_cycles(segment->duration_s, frequency_hz) / frequency_hz;
    double wt = w * tau_s, missing = wt * wt / (1 + wt * wt) * exp(-skipped_s / tau_s);
    return missing * 2 * tau_s / sqrt(1 + wt * wt) / (segment->duration_s - skipped_s);
}

/* A curve that is a little steeper makes all waves as much smaller. Below this share it is nothing
 * beside the noise of a wave. */
static const double steepness_counts = 3e-4;

static double slope_share(const struct fit_work *work, double depth_mm)
{
    double share =
        curve_slope_u(&work->curve, depth_mm) / fabs(curve_slope(&work->curve, depth_mm));
    return share > steepness_counts ? share : 0;
}

/* NaN where no ramps or stairs told it: then it was taken as none. */
static double play_u_mm(const struct fit_work *work)
{
    return isfinite(work->play_mm.u) ? work->play_mm.u : 0;
}

/* IEEE 1057's fourth parameter. */
static void take_own(struct fit_frequency_row *row, const struct wave *output,
                     const struct sine_fit *input)
{
    struct sine_fit own = output->own;
    double planned_hz = input->frequency_hz;
    row->off = 0;
    row->off_u = NAN;
    if (!output->has_own)
        return;
    own.frequency_hz = planned_hz; /* to compare with the motion that it really is of */
    if (sine_compare(&row->own, &own, input, 1, NULL))
        return;
    row->off = output->own.frequency_hz / planned_hz - 1;
    row->off_u = output->own.frequency_u / planned_hz;
}

/* The sines to fit, and where their outcomes go. */
struct each {
    struct fit_work *work;
    size_t *segments;
    struct motion_sines motion;
    struct fit_frequency_row *rows;
    size_t count; /* of rows */
};

/* Of one thread. */
struct one {
    struct wave output;
    int known; /* RIG_OK: there is a fit */
    struct rig_err why;
};

static int fit_one(const void *whole, void *part, size_t item, struct in_order_worker *worker,
                   struct rig_err *err)
{
    (void)worker;
    const struct each *each = whole;
    struct one *one = part;
    const struct fit_work *work = each->work;
    size_t segment = each->segments[item];
    one->why = (struct rig_err){0};
    one->known = inferred_wave(work, segment, &one->output, &one->why);
    return one->known == RIG_EMEMORY ? rig_fail_memory(err, "the sines of a recording") : RIG_OK;
}

static int take_one(void *whole, void *part, size_t item, struct rig_err *err)
{
    struct each *each = whole;
    struct one *one = part;
    struct fit_work *work = each->work;
    const struct plan_segment *segment = &plan_segments(work->plan)[each->segments[item]];
    double frequency_hz = frequency_of(work, each->segments[item]);
    const struct wave *output = &one->output;
    const struct motion_sine *motion = NULL;
    struct fit_frequency_row row;
    struct sine_ratio other;
    int code = one->known;
    if (!code)
        code = motion_sine(work, segment, frequency_hz, play_u_mm(work), &each->motion, &motion,
                           &one->why);
    if (!code)
        code = sine_compare(&row.ratio, &output->planned, &motion->input, 1, &one->why);
    if (!code)
        code = sine_compare(&other, &output->planned, &motion->wider, 1, &one->why);
    if (code == RIG_EMEMORY)
        return rig_fail_memory(err, "the sines of a recording");
    if (code) {
        fit_warn(work->fit, "The sine at %.3g Hz is left out: %s.", frequency_hz, one->why.text);
        return RIG_OK;
    }
    const struct timeline_stroke *stroke = &work->timeline.strokes[segment->stroke];
    row.distortion = output->planned.distortion;
    take_own(&row, output, &motion->input);
    row.play_gain = other.gain - row.ratio.gain;
    row.play_rad = sine_wrap(other.phase_rad - row.ratio.phase_rad);
    row.tie_u_s = stroke->scatter_s;
    row.curve = slope_share(work, motion->input.mean);
    row.settling = settling_left(work, segment, frequency_hz);
    row.queue_u_s = stroke->queued ? work->timeline.queue_u_s : 0;
    each->rows[each->count++] = row;
    return RIG_OK;
}

/* Whether the board's lines are close enough for this one; else says so. */
static bool is_seen(struct fit_work *work, size_t segment)
{
    double interval_s = work->row_interval_s[work->sensor_source];
    double frequency_hz = frequency_of(work, segment);
    if (!isfinite(interval_s) || frequency_hz * interval_s <= 0.25)
        return true;
    fit_warn(work->fit,
             "The sine at %.3g Hz is left out: the board sends a line each %.3g s, which "
             "is too few for it.",
             frequency_hz, interval_s);
    return false;
}

int fit_sine_each(struct fit_work *work, struct fit_frequency_row **rows, size_t *count,
                  struct rig_err *err)
{
    size_t segments = plan_segment_count(work->plan), room = 0, listed = 0;
    for (size_t i = 0; i < segments; i++)
        room += plan_segments(work->plan)[i].kind == SEGMENT_SINE;
    *count = 0;
    *rows = calloc(room + 1, sizeof **rows);
    struct each each = {
        .work = work, .rows = *rows, .segments = calloc(room + 1, sizeof *each.segments)};
    if (!*rows || !each.segments) {
        free(each.segments);
        return rig_fail_memory(err, "the sines of a recording");
    }
    for (size_t i = 0; i < segments; i++) {
        double start_s, end_s;
        if (plan_segments(work->plan)[i].kind == SEGMENT_SINE &&
            digest_window(work->digests[work->sensor_source], i, &start_s, &end_s) &&
            is_seen(work, i))
            each.segments[listed++] = i;
    }
    const struct in_order job = {&each, sizeof(struct one), NULL, fit_one, take_one, NULL};
    int code = in_order_run(&job, listed, work->threads, err);
    free(each.segments);
    *count = each.count;
    return code;
}
