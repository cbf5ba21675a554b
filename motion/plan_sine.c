/* SPDX-License-Identifier: GPL-3.0-or-later
 * Sines: an approach to the shallow extreme, then depth = centre - A cos(2 pi f t) in
 * strokes between the extremes, where the axis rests. One cycle is stored. What
 * can't be made is refused with what could be, or shrunk where the profile allows. */
#include "motion/plan_curve.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

struct half_cycle {
    const struct rig *rig;
    double centre_mm, amplitude_mm, omega; /* the sign of the amplitude: which half */
};

static double half_at(const void *context, double t_s)
{
    const struct half_cycle *half = context;
    return rig_stage_from_depth(half->rig,
                                half->centre_mm - half->amplitude_mm * cos(half->omega * t_s));
}

/* One half cycle into b->curve. sign +1: falling extreme to deep one. */
static enum curve_trouble fit_half(const struct plan_builder *b, double centre, double amplitude,
                                   double frequency, int sign, double late_s)
{
    struct half_cycle half = {.rig = b->rig,
                              .centre_mm = centre,
                              .amplitude_mm = sign * amplitude,
                              .omega = 2 * acos(-1) * frequency};
    /* In air depth and stage move alike; in water the stage moves a little less. */
    double peak = amplitude * half.omega * half.omega;
    struct curve_run run = {.duration_s = 0.5 / frequency,
                            .peak_mm_s2 = peak,
                            .start_mm_s2 = peak,
                            .end_mm_s2 = peak,
                            .late_s = late_s,
                            .at = half_at,
                            .context = &half};
    return plan_curve_fit(b->plan, &run, b->curve);
}

/* Both halves must be possible: they differ by the rounding that the second makes good,
 * and where the surface lies between. */
static enum curve_trouble possible(const struct plan_builder *b, double centre, double amplitude,
                                   double frequency)
{
    enum curve_trouble trouble = fit_half(b, centre, amplitude, frequency, 1, 0);
    double late_s = b->curve->duration_s - 0.5 / frequency;
    return trouble ? trouble : fit_half(b, centre, amplitude, frequency, -1, late_s);
}

static double round_down(double value, int digits)
{
    double scale = pow(10, digits - 1 - floor(log10(value)));
    return floor(value * scale * (1 + 1e-12)) / scale;
}

/* Amplitudes below this are steps, not a sine. */
static double least_amplitude(const struct plan_builder *b)
{
    return 5 * b->plan->axis.step_mm;
}

/* What a message may say: three digits, and tried. Close to the limit the rounding of
 * positions decides, so the next lower number can fail where a higher one works. */
static double told(const struct plan_builder *b, double centre, double amplitude, double frequency,
                   bool of_amplitude)
{
    double *value = of_amplitude ? &amplitude : &frequency;
    *value = round_down(*value, 3);
    for (int i = 0; i < 20; i++, *value = round_down(*value * 0.99, 3))
        if (!possible(b, centre, amplitude, frequency))
            return *value;
    return 0;
}

/* Largest amplitude at this frequency, to three digits; 0: none. */
static double best_amplitude(const struct plan_builder *b, double centre, double amplitude,
                             double frequency)
{
    double low = least_amplitude(b), high = amplitude;
    if (low >= high || possible(b, centre, low, frequency))
        return 0;
    while (high / low > 1.0005) {
        double middle = sqrt(low * high);
        if (possible(b, centre, middle, frequency))
            high = middle;
        else
            low = middle;
    }
    return told(b, centre, low, frequency, true);
}

/* Highest frequency for this amplitude, to three digits; 0: none within reason. */
static double best_frequency(const struct plan_builder *b, double centre, double amplitude,
                             double frequency)
{
    double low = frequency, high = frequency;
    do {
        high = low;
        low *= 0.5;
        if (low < frequency * 1e-4)
            return 0;
    } while (possible(b, centre, amplitude, low));
    while (high / low > 1.0005) {
        double middle = sqrt(low * high);
        if (possible(b, centre, amplitude, middle))
            high = middle;
        else
            low = middle;
    }
    return told(b, centre, amplitude, low, false);
}

static int refuse(struct plan_builder *b, const struct profile_node *node, double centre,
                  double amplitude, double frequency, enum curve_trouble trouble)
{
    const struct rig_axis *axis = &b->plan->axis;
    char why[160], instead[160];
    double omega = 2 * acos(-1) * frequency, need_hz = b->curve->need_hz;
    const char *or_shrink = node->may_shrink ? "" : ", or write 'amplitude up to'";
    switch (trouble) {
    case CURVE_MEMORY:
        return rig_fail_memory(b->err, "planning");
    case CURVE_SPEED:
        snprintf(why, sizeof why, "needs %.4g mm/s, and the axis goes up to %.4g mm/s",
                 amplitude * omega, axis->speed_mm_s);
        break;
    case CURVE_RATE:
        snprintf(why, sizeof why,
                 "needs about %.4g lines/s to stay within half a step, and the port carries %.4g",
                 need_hz, axis->line_rate_hz);
        break;
    case CURVE_LOOKAHEAD:
        snprintf(why, sizeof why, "is too fast for a controller that looks %d lines ahead",
                 axis->lookahead_lines);
        break;
    default:
        if (axis->law == SPEED_TRAPEZOID)
            snprintf(why, sizeof why,
                     "needs %.4g mm/s2, and lines can follow up to %.4g mm/s2 (%g %% of the axis')",
                     amplitude * omega * omega, plan_curve_share() * axis->acceleration_mm_s2,
                     100 * plan_curve_share());
        else
            snprintf(why, sizeof why,
                     "needs %.4g mm/s2, which short lines can't follow with a jerk of %.4g mm/s3",
                     amplitude * omega * omega, axis->jerk_mm_s3);
    }
    double smaller = best_amplitude(b, centre, amplitude, frequency);
    double slower = best_frequency(b, centre, amplitude, frequency);
    if (smaller > 0 && slower > 0)
        snprintf(instead, sizeof instead,
                 "up to %.3g mm at %.4g Hz, or up to %.3g Hz with %.4g mm "
                 "would work%s",
                 smaller, frequency, slower, amplitude, or_shrink);
    else if (slower > 0)
        snprintf(instead, sizeof instead, "up to %.3g Hz with %.4g mm would work", slower,
                 amplitude);
    else if (smaller > 0)
        snprintf(instead, sizeof instead, "up to %.3g mm at %.4g Hz would work%s", smaller,
                 frequency, or_shrink);
    else
        snprintf(instead, sizeof instead, "this axis makes no such sine");
    return build_fail(b, node->amplitude.token, RIG_ELIMIT, "a sine of %.4g mm at %.4g Hz %s; %s",
                      amplitude, frequency, why, instead);
}

/* Amplitude that the travel leaves room for; both extremes checked otherwise. */
static int check_extremes(struct plan_builder *b, const struct profile_node *node, double centre,
                          double *amplitude)
{
    int code = build_check_depth(b, node->from.token, centre);
    if (code)
        return code;
    if (node->may_shrink) {
        const struct rig_axis *axis = &b->plan->axis;
        double below = rig_depth_from_stage(b->rig, axis->travel_high_mm) - centre;
        double above = centre - rig_depth_from_stage(b->rig, axis->travel_low_mm);
        *amplitude = fmin(*amplitude, fmin(above, below));
    }
    if (*amplitude < least_amplitude(b))
        return build_fail(
            b, node->amplitude.token, RIG_ELIMIT,
            "an amplitude of %.3g mm is below five steps of the axis (%.3g mm); make it "
            "greater",
            *amplitude, least_amplitude(b));
    if ((code = build_check_depth(b, node->amplitude.token, centre + *amplitude)))
        return code;
    return build_check_depth(b, node->amplitude.token, centre - *amplitude);
}

/* Appends the half in b->curve to the plan's lines. */
static int append_half(struct plan_builder *b, double start_s)
{
    struct plan *plan = b->plan;
    for (size_t i = 0; i < b->curve->count; i++) {
        int code = plan_room((void **)&plan->lines, &plan->line_room, plan->line_count,
                             sizeof *plan->lines, b->err);
        if (code)
            return code;
        plan->lines[plan->line_count] = b->curve->lines[i];
        plan->lines[plan->line_count++].start_s += start_s;
    }
    return 0;
}

static int make_sine(struct plan_builder *b, const struct profile_node *node,
                     struct plan_figure *figure)
{
    struct plan *plan = b->plan;
    struct plan_family *family = &figure->family;
    double centre = family->centre_mm, frequency = family->asked_frequency_hz;
    double amplitude = family->asked_amplitude_mm;
    int code = check_extremes(b, node, centre, &amplitude);
    if (code)
        return code;
    enum curve_trouble trouble = possible(b, centre, amplitude, frequency);
    if (trouble && node->may_shrink && trouble != CURVE_MEMORY) {
        double smaller = best_amplitude(b, centre, amplitude, frequency);
        if (smaller > 0) {
            amplitude = smaller;
            trouble = possible(b, centre, amplitude, frequency);
        }
    }
    if (trouble)
        return refuse(b, node, centre, amplitude, frequency, trouble);

    struct plan_shape shape = {.first_line = (uint32_t)plan->line_count,
                               .repeats = (uint32_t)node->cycles};
    for (int half = 0; half < 2; half++) {
        double late_s = half ? shape.cycle_s - 0.5 / frequency : 0;
        trouble = fit_half(b, centre, amplitude, frequency, half ? -1 : 1, late_s);
        if (trouble)
            return refuse(b, node, centre, amplitude, frequency, trouble);
        if ((code = append_half(b, shape.cycle_s)))
            return code;
        if (half == 0)
            shape.from_ct = b->curve->from_ct;
        shape.cycle_s += b->curve->duration_s;
        shape.line_count += (uint32_t)b->curve->count;
        shape.peak_mm_s = fmax(shape.peak_mm_s, b->curve->peak_mm_s);
        shape.peak_mm_s2 = fmax(shape.peak_mm_s2, b->curve->peak_mm_s2);
    }
    if (plan->line_count > PLAN_LINE_LIMIT)
        return build_fail(b, 0, RIG_ELIMIT,
                          "the profile needs more than %d different lines of "
                          "motion; split it",
                          PLAN_LINE_LIMIT);
    family->amplitude_mm = amplitude;
    family->frequency_hz = 1 / shape.cycle_s;
    family->from_mm = family->to_mm = centre - amplitude;
    family->speed_mm_s = 2 * acos(-1) * family->frequency_hz * amplitude;
    family->peak_speed_mm_s = shape.peak_mm_s;
    family->peak_acceleration_mm_s2 = shape.peak_mm_s2;
    family->duration_s = shape.cycle_s * shape.repeats;
    family->lines = (uint64_t)shape.line_count * shape.repeats;
    figure->start_mm = figure->end_mm = centre - amplitude;
    figure->end_ct = shape.from_ct;
    figure->end_direction = -1;
    return plan_add_shape(plan, &shape, &figure->shape, b->err);
}

static bool same_sine(const struct plan_figure *a, const struct plan_figure *c)
{
    return a->family.kind == SEGMENT_SINE && a->may_shrink == c->may_shrink &&
           a->family.centre_mm == c->family.centre_mm &&
           a->family.asked_amplitude_mm == c->family.asked_amplitude_mm &&
           a->family.asked_frequency_hz == c->family.asked_frequency_hz &&
           a->family.cycles == c->family.cycles;
}

/* Sines come round in the order they came first: look at the next one first. */
static const struct plan_figure *known_sine(struct plan_builder *b, const struct plan_figure *like)
{
    for (size_t i = 0; i < b->figure_count; i++) {
        size_t at = (b->figure_hint + i) % b->figure_count;
        if (same_sine(&b->figures[at], like)) {
            b->figure_hint = at + 1;
            return &b->figures[at];
        }
    }
    return NULL;
}

static int one_sine(struct plan_builder *b, const struct profile_node *node, double frequency)
{
    double amplitude;
    int code = build_positive(b, &node->amplitude, "the amplitude", &amplitude);
    if (code)
        return code;
    struct plan_figure fresh = {.family = {.kind = SEGMENT_SINE,
                                           .instances = 1,
                                           .centre_mm = build_value(b, &node->from),
                                           .asked_amplitude_mm = amplitude,
                                           .asked_frequency_hz = frequency,
                                           .cycles = (double)node->cycles,
                                           .source_line = node->statement->line},
                                .may_shrink = node->may_shrink};
    const struct plan_figure *figure = known_sine(b, &fresh);
    if (!figure &&
        ((code = make_sine(b, node, &fresh)) || (code = build_keep_figure(b, &fresh, &figure))))
        return code;
    return build_figure(b, figure);
}

int build_sine(struct plan_builder *b, const struct profile_node *node)
{
    double low, high;
    int code = build_positive(b, &node->low_hz, "the frequency", &low);
    if (code || node->count == 1)
        return code ? code : one_sine(b, node, low);
    if ((code = build_positive(b, &node->high_hz, "the last frequency", &high)))
        return code;
    if (low == high)
        return build_fail(b, node->high_hz.token, RIG_EINPUT,
                          "both ends are %.4g Hz; for one frequency write 'at %.4g Hz'", low, low);
    for (int64_t i = 0; i < node->count; i++) {
        double share = (double)i / (double)(node->count - 1);
        double frequency = i == 0                 ? low
                           : i + 1 == node->count ? high
                                                  : low * pow(high / low, share);
        if ((code = one_sine(b, node, frequency)))
            return code;
    }
    return 0;
}
