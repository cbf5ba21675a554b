/* SPDX-License-Identifier: GPL-3.0-or-later
 * Ties from acknowledgements. The axis starts at the earliest when the first line is
 * sent, and ends at the latest when the end is answered. The slack between the two,
 *
 *   g = (ended - sent) - (1 + skew) duration = start delay + end delay,
 *
 * is split in halves: as nothing says which of the two delays is the larger, the start
 * delay is rectangular in [0, g] (JCGM 100:2008 4.3.7), in the same way for all
 * strokes. What varies from stroke to stroke, in whichever of the two delays, is off
 * by half of g's own deviation. */
#include "results/timeline_parts.h"

#include <math.h>
#include <stdlib.h>

/* Below this the deviation of a few strokes is luck. */
static const double SPREAD_FLOOR_S = 1e-4;
static const double SQRT3 = 1.7320508075688772;

struct slack {
    size_t stroke;
    double g_s; /* with skew 0 */
    double duration_s;
    bool usual;
};

struct slack_fit {
    double skew, skew_u;
    double slack_s;  /* of usual strokes, mean */
    double spread_s; /* standard deviation of single strokes about it */
    double duration_s;
};

/* Marks the usual strokes: within 4 robust standard deviations of the median. */
static void sort_out(struct slack slacks[], size_t count, double skew, double scratch[])
{
    for (size_t i = 0; i < count; i++)
        scratch[i] = slacks[i].g_s - skew * slacks[i].duration_s;
    double median = timeline_median(scratch, count);
    for (size_t i = 0; i < count; i++)
        scratch[i] = fabs(slacks[i].g_s - skew * slacks[i].duration_s - median);
    double spread = fmax(1.4826 * timeline_median(scratch, count), SPREAD_FLOOR_S);
    for (size_t i = 0; i < count; i++)
        slacks[i].usual = fabs(slacks[i].g_s - skew * slacks[i].duration_s - median) <= 4 * spread;
}

/* Straight line of slack against duration over the usual strokes; the slope is the
 * skew, drawn towards what is known of the clock beforehand. */
static struct slack_fit fit_slack(const struct slack slacks[], size_t count, double prior_skew,
                                  double prior_u)
{
    struct slack_fit fit = {.skew = prior_skew, .skew_u = prior_u};
    double n = 0, mean_g = 0, sxx = 0, sxy = 0, square = 0;
    for (size_t i = 0; i < count; i++)
        if (slacks[i].usual) {
            n++;
            mean_g += (slacks[i].g_s - mean_g) / n;
            fit.duration_s += (slacks[i].duration_s - fit.duration_s) / n;
        }
    for (size_t i = 0; i < count; i++)
        if (slacks[i].usual) {
            double dx = slacks[i].duration_s - fit.duration_s;
            sxx += dx * dx;
            sxy += dx * (slacks[i].g_s - mean_g);
        }
    double slope = sxx > 0 ? sxy / sxx : 0;
    for (size_t i = 0; i < count; i++)
        if (slacks[i].usual) {
            double off = slacks[i].g_s - mean_g - slope * (slacks[i].duration_s - fit.duration_s);
            square += off * off;
        }
    if (n >= 3 && sxx > 0) {
        double deviation = fmax(sqrt(square / (n - 2)), SPREAD_FLOOR_S);
        double weight = sxx / (deviation * deviation);
        double prior = 1 / (prior_u * prior_u);
        fit.skew = (slope * weight + prior_skew * prior) / (weight + prior);
        fit.skew_u = 1 / sqrt(weight + prior);
    }
    square = 0;
    for (size_t i = 0; i < count; i++)
        if (slacks[i].usual) {
            double off =
                slacks[i].g_s - mean_g - fit.skew * (slacks[i].duration_s - fit.duration_s);
            square += off * off;
        }
    fit.slack_s = mean_g - fit.skew * fit.duration_s;
    fit.spread_s = n > 1 ? sqrt(square / (n - 1)) : 0;
    return fit;
}

static void tie(struct timeline *timeline, const struct stroke_times times[],
                const struct slack slacks[], size_t count, const struct slack_fit *fit)
{
    for (size_t i = 0; i < count; i++) {
        struct timeline_stroke *stroke = &timeline->strokes[slacks[i].stroke];
        double slack = slacks[i].g_s - fit->skew * slacks[i].duration_s;
        stroke->host_start_s = times[slacks[i].stroke].sent_s + slack / 2;
        stroke->scatter_s = fit->spread_s / 2;
        if (!slacks[i].usual) /* late at the start or at the end: nobody knows at which */
            stroke->scatter_s = fmax(stroke->scatter_s, fabs(slack - fit->slack_s) / (2 * SQRT3));
    }
    timeline->skew = fit->skew;
    timeline->skew_u = fit->skew_u;
    timeline->common_u_s =
        hypot(fabs(fit->slack_s) / (2 * SQRT3), fit->duration_s * fit->skew_u / 2);
    timeline->anchor = ANCHOR_ACKNOWLEDGED;
}

/* The start delay as it was measured on another day: what all strokes share is its uncertainty,
 * and what varies between them its spread, once more where a stroke's slack is unusual. Left
 * unused where it does not fit into the slack. */
static void tie_by_prior(struct timeline *timeline, const struct stroke_times times[],
                         const struct slack slacks[], size_t count, const struct slack_fit *fit,
                         const struct timeline_prior *prior)
{
    double delay_s = prior->start_delay_s, u_s = prior->start_delay_u_s;
    if (!(delay_s - 3 * u_s <= fit->slack_s && delay_s + 3 * u_s >= 0))
        return;
    for (size_t i = 0; i < count; i++) {
        struct timeline_stroke *stroke = &timeline->strokes[slacks[i].stroke];
        double late_s = slacks[i].g_s - fit->skew * slacks[i].duration_s - fit->slack_s;
        stroke->host_start_s = times[slacks[i].stroke].sent_s + delay_s;
        stroke->scatter_s = isfinite(prior->spread_s) ? prior->spread_s : fit->spread_s / 2;
        if (!slacks[i].usual) { /* at the start or at the end: nobody knows at which */
            stroke->host_start_s += late_s / 2;
            stroke->scatter_s = fmax(stroke->scatter_s, fabs(late_s) / (2 * SQRT3));
        }
    }
    timeline->common_u_s = hypot(u_s, fit->duration_s * fit->skew_u / 2);
    timeline->start_delay_s = delay_s;
    timeline->start_delay_u_s = u_s;
    timeline->start_delay_spread_s = prior->spread_s;
    timeline->anchor = ANCHOR_SYNCED;
}

/* A clock moves by so much from one day to another (common practice, no source). */
static const double SKEW_FROM_DAY_TO_DAY = 50e-6;

void timeline_skew_prior(const struct timeline_prior *prior, double *skew, double *skew_u)
{
    bool known = prior && isfinite(prior->skew) && isfinite(prior->skew_u);
    *skew = known ? prior->skew : 0;
    *skew_u = known ? hypot(prior->skew_u, SKEW_FROM_DAY_TO_DAY) : TIMELINE_SKEW_PRIOR_U;
}

int timeline_acknowledged(struct timeline *timeline, const struct stroke_times times[],
                          const struct timeline_prior *prior, struct rig_err *err)
{
    size_t room = timeline->stroke_count + 1, count = 0;
    struct slack *slacks = malloc(room * sizeof *slacks);
    double *scratch = malloc(room * sizeof *scratch);
    if (!slacks || !scratch) {
        free(slacks);
        free(scratch);
        return rig_fail_memory(err, "the timeline");
    }
    for (size_t i = 0; i < timeline->stroke_count; i++)
        if (timeline->strokes[i].known)
            slacks[count++] =
                (struct slack){.stroke = i,
                               .g_s = times[i].ended_s - times[i].sent_s - times[i].duration_s,
                               .duration_s = times[i].duration_s,
                               .usual = true};
    if (count > 0) {
        double skew, skew_u;
        timeline_skew_prior(prior, &skew, &skew_u);
        struct slack_fit fit = fit_slack(slacks, count, skew, skew_u);
        for (int round = 0; round < 3; round++) {
            sort_out(slacks, count, fit.skew, scratch);
            fit = fit_slack(slacks, count, skew, skew_u);
        }
        tie(timeline, times, slacks, count, &fit);
        if (prior && isfinite(prior->start_delay_s) && isfinite(prior->start_delay_u_s))
            tie_by_prior(timeline, times, slacks, count, &fit, prior);
    }
    free(slacks);
    free(scratch);
    return RIG_OK;
}
