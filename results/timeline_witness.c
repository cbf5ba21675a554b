/* SPDX-License-Identifier: GPL-3.0-or-later
 * The fit of what a channel on the stage saw: Gauss-Newton over the strokes' own starts and
 * what they share. The start delay varies from stroke to stroke by tau, which is learnt
 * (restricted maximum likelihood, by expectation and maximisation), so that a stroke that the
 * channel saw badly or not at all gets what is usual. */
#include "results/timeline_witness_parts.h"

#include "results/timeline_parts.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

enum { ROUNDS = 10, LEARN_FROM = 2, REJECT_FROM = 4, TAU_ROUNDS = 12 };
enum { ENOUGH_STROKES = 3, ENOUGH_ROWS = 8, ENOUGH_EDGES = 6 };
static const double TAU_START_S = 0.02, TAU_LEAST_S = 2e-5;
static const double FOLLOWS = 0.03; /* noise over the reading's range, at most */
static const double SQRT3 = 1.7320508075688772;
/* What is said of a place is right within this (rectangular; common practice, no source). */
static const double PLACE_WITHIN_MM = 0.05;

/* ---- is it any use? ---- */

static bool refuse(char reason[TIMELINE_REASON_SIZE], const char *text)
{
    snprintf(reason, TIMELINE_REASON_SIZE, "%s", text);
    return false;
}

/* Rows at the very end of its range while the stage moves. */
static bool saturates(const struct stage_fit *fit)
{
    const struct witness *witness = fit->witness;
    size_t moving = 0, low = 0, high = 0;
    for (size_t i = 0; i < fit->count; i++) {
        struct stage_row row;
        stage_row_at(fit, i, &row);
        if (fabs(row.speed_mm_s) < 0.5)
            continue;
        moving++;
        low += witness->rows[i].value <= (float)witness->low;
        high += witness->rows[i].value >= (float)witness->high;
    }
    return 4 * low > moving || 4 * high > moving;
}

static bool looks_usable(const struct stage_fit *fit, char reason[TIMELINE_REASON_SIZE])
{
    const struct witness *witness = fit->witness;
    if (witness->seen == 0 || 2 * witness->missing > witness->seen)
        return refuse(reason, witness->seen ? "more than half of its rows have no value"
                                            : "it has no rows while the stage moves");
    if (!(witness->high > witness->low))
        return refuse(reason, "it never changes while the stage moves");
    if (witness->chatters)
        return refuse(reason, "it changes all the time, as no switch on a stage does");
    if (witness->role == ROLE_TRIP && fit->count < ENOUGH_EDGES)
        return refuse(reason, "the stage crosses it fewer than six times");
    if (witness->role == ROLE_REFERENCE && fit->count < ENOUGH_STROKES * ENOUGH_ROWS)
        return refuse(reason, "it has too few rows while the stage moves");
    if (witness->role == ROLE_REFERENCE && saturates(fit))
        return refuse(reason, "it stays at the end of its range while the stage moves");
    return true;
}

/* ---- the fit ---- */

static size_t shared_count(const struct stage_fit *fit)
{
    return SHARED_CURVE + (fit->witness->role == ROLE_REFERENCE ? CURVE_TERMS : 1);
}

static double usual_middle_s(const struct stage_fit *fit, size_t stroke)
{
    const struct timeline_stroke *own = &fit->timeline->strokes[stroke];
    return own->sent_s + fit->shared[SHARED_DELAY] +
           (1 + fit->shared[SHARED_SKEW]) * (stage_middle_s(fit, stroke) - own->plan_start_s);
}

static void add_usual(struct stage_fit *fit)
{
    for (size_t k = 0; k < fit->timeline->stroke_count; k++) {
        const struct timeline_stroke *own = &fit->timeline->strokes[k];
        if (!own->known)
            continue;
        const double x[MIXED_SHARED] = {
            [SHARED_DELAY] = -1, [SHARED_SKEW] = own->plan_start_s - stage_middle_s(fit, k)};
        mixed_add(&fit->mixed, k, 1, x, usual_middle_s(fit, k) - fit->tied_s[k],
                  1 / (fit->tau_s * fit->tau_s));
    }
    mixed_prior(&fit->mixed, SHARED_DELAY, 0, 1); /* within a second, before anything is known */
    mixed_prior(&fit->mixed, SHARED_SKEW, fit->skew_prior - fit->shared[SHARED_SKEW],
                1 / (fit->skew_prior_u * fit->skew_prior_u));
    mixed_prior(&fit->mixed, SHARED_PLAY, fit->play_prior_mm - fit->shared[SHARED_PLAY],
                1 / (fit->play_prior_u_mm * fit->play_prior_u_mm));
    if (isfinite(fit->place_mm))
        mixed_prior(&fit->mixed, SHARED_CURVE, fit->place_mm - fit->shared[SHARED_CURVE],
                    1 / (fit->place_u_mm * fit->place_u_mm));
}

static bool solve(struct stage_fit *fit)
{
    mixed_clear(&fit->mixed);
    for (size_t i = 0; i < fit->count; i++) {
        struct stage_row row;
        if (!fit->sides[i])
            continue;
        stage_row_at(fit, i, &row);
        mixed_add(&fit->mixed, row.stroke, row.g, row.x, row.residual, 1 / row.variance);
    }
    add_usual(fit);
    if (!mixed_solve(&fit->mixed))
        return false;
    for (size_t i = 0; i < fit->mixed.shared; i++)
        fit->shared[i] += fit->mixed.found[i];
    for (size_t k = 0; k < fit->timeline->stroke_count; k++)
        fit->tied_s[k] += fit->mixed.groups[k].offset;
    return isfinite(fit->shared[SHARED_DELAY]) && fabs(fit->shared[SHARED_SKEW]) < 0.5;
}

/* What a stroke's rows say besides what is usual. */
static bool has_own(const struct stage_fit *fit, size_t stroke)
{
    double usual = 1 / (fit->tau_s * fit->tau_s);
    return fit->mixed.groups[stroke].a > (1 + 1e-9) * usual;
}

/* One step of the learning of tau: the mean of (start - usual)^2 with what it is uncertain by. */
static void learn_tau(struct stage_fit *fit)
{
    double sum = 0, n = 0;
    for (size_t k = 0; k < fit->timeline->stroke_count; k++) {
        const struct timeline_stroke *own = &fit->timeline->strokes[k];
        if (!own->known || !has_own(fit, k))
            continue;
        const double x[MIXED_SHARED] = {
            [SHARED_DELAY] = -1, [SHARED_SKEW] = own->plan_start_s - stage_middle_s(fit, k)};
        double off = fit->tied_s[k] - usual_middle_s(fit, k);
        sum += off * off + mixed_variance(&fit->mixed, k, x);
        n++;
    }
    if (n >= ENOUGH_STROKES)
        fit->tau_s = fmax(sqrt(sum / n), TAU_LEAST_S);
}

/* Tau settles slowly where edges tell little of a single stroke: three steps at a time, and on to
 * where they lead (Aitken's extrapolation, of its logarithm). */
static bool converge(struct stage_fit *fit)
{
    for (int round = 0; round < TAU_ROUNDS; round++) {
        double steps[3];
        for (size_t i = 0; i < 3; i++) {
            steps[i] = log(fit->tau_s);
            if (!solve(fit))
                return false;
            if (i < 2)
                learn_tau(fit);
        }
        double first = steps[1] - steps[0], second = steps[2] - steps[1];
        if (fabs(second) < 1e-3)
            break;
        double shrinks = fmin(fmax(second / first, 0), 0.95);
        double on = second * shrinks / (1 - shrinks);
        fit->tau_s = fmax(exp(steps[2] + fmin(fmax(on, -1.5), 1.5)), TAU_LEAST_S);
    }
    return solve(fit);
}

static bool carry_out(struct stage_fit *fit)
{
    for (int round = 0; round < ROUNDS; round++) {
        if (round == 0 || round == LEARN_FROM)
            stage_sides(fit);
        if (!solve(fit))
            return false;
        if (round >= LEARN_FROM) {
            stage_learn_noise(fit, round >= REJECT_FROM);
            learn_tau(fit);
        } else if (fit->witness->role == ROLE_REFERENCE) {
            stage_learn_noise(fit, false);
            fit->inflation = 1;
        }
    }
    return converge(fit);
}

/* Once more with the place that a trip is said to have, unless it was found elsewhere. */
static bool believe_place(struct stage_fit *fit, double said_mm, char reason[TIMELINE_REASON_SIZE])
{
    double found_mm = fit->shared[SHARED_CURVE];
    double u_mm = sqrt(fit->mixed.covariance[SHARED_CURVE][SHARED_CURVE]);
    if (!isfinite(said_mm))
        return true;
    if (fabs(found_mm - said_mm) > 4 * hypot(u_mm, PLACE_WITHIN_MM / SQRT3)) {
        snprintf(reason, TIMELINE_REASON_SIZE,
                 "it switches at stage %.2f mm and not at %.2f mm, as the rig file says", found_mm,
                 said_mm);
        return true;
    }
    fit->place_mm = said_mm;
    fit->place_u_mm = PLACE_WITHIN_MM / SQRT3;
    return converge(fit);
}

/* ---- what came out ---- */

/* Starts before the line was sent, or ends after the answer that it had ended, tell something
 * else than the place of the stage. */
static bool contradicts(const struct stage_fit *fit)
{
    size_t strokes = 0, failed = 0;
    for (size_t k = 0; k < fit->timeline->stroke_count; k++) {
        const struct timeline_stroke *own = &fit->timeline->strokes[k];
        if (!own->known || !has_own(fit, k))
            continue;
        double half_s = (1 + fit->shared[SHARED_SKEW]) * (own->plan_end_s - own->plan_start_s) / 2;
        double margin_s =
            4 * sqrt(mixed_variance(&fit->mixed, k, NULL)) + fit->source.delay_half_s + 1e-3;
        strokes++;
        failed += fit->tied_s[k] - half_s < own->sent_s - margin_s ||
                  fit->tied_s[k] + half_s > own->ended_s + margin_s;
    }
    return 2 * failed > strokes;
}

static bool is_good(const struct stage_fit *fit, char reason[TIMELINE_REASON_SIZE])
{
    size_t used = 0, strokes = 0;
    for (size_t i = 0; i < fit->count; i++)
        used += fit->sides[i] != 0;
    for (size_t k = 0; k < fit->timeline->stroke_count; k++)
        strokes += fit->timeline->strokes[k].known && has_own(fit, k);
    if (fit->witness->role == ROLE_REFERENCE &&
        !(fit->noise_y < FOLLOWS * (fit->witness->high - fit->witness->low)))
        return refuse(reason, "it does not follow the stage");
    if (fit->witness->role == ROLE_TRIP && (used < ENOUGH_EDGES || 2 * used < fit->count))
        return refuse(reason, "it does not switch at one place of the stage");
    if (strokes < ENOUGH_STROKES)
        return refuse(reason, "it shows fewer than three strokes");
    if (contradicts(fit))
        return refuse(reason, "it puts strokes before their first line was sent or after their "
                              "end; is the 'delay' of its source right?");
    return true;
}

static void settle(struct stage_fit *fit)
{
    struct timeline *timeline = fit->timeline;
    double mean[MIXED_SHARED] = {0}, lean[MIXED_SHARED], n = 0;
    for (size_t k = 0; k < timeline->stroke_count; k++)
        if (timeline->strokes[k].known) {
            mixed_lean(&fit->mixed, k, lean);
            n++;
            for (size_t i = 0; i < fit->mixed.shared; i++)
                mean[i] += (lean[i] - mean[i]) / n;
        }
    timeline->skew = fit->shared[SHARED_SKEW];
    timeline->skew_u = sqrt(fit->mixed.covariance[SHARED_SKEW][SHARED_SKEW]);
    for (size_t k = 0; k < timeline->stroke_count; k++) {
        struct timeline_stroke *own = &timeline->strokes[k];
        if (!own->known)
            continue;
        mixed_lean(&fit->mixed, k, lean);
        for (size_t i = 0; i < fit->mixed.shared; i++)
            lean[i] -= mean[i];
        own->queued = false;
        own->host_start_s =
            fit->tied_s[k] - (1 + timeline->skew) * (stage_middle_s(fit, k) - own->plan_start_s);
        own->scatter_s =
            sqrt(1 / fit->mixed.groups[k].a + mixed_shared_variance(&fit->mixed, lean));
    }
    timeline->queue_u_s = 0;
    timeline->source = fit->source.index;
    timeline->source_u_s = fit->source.delay_half_s / SQRT3;
    timeline->common_u_s =
        hypot(sqrt(mixed_shared_variance(&fit->mixed, mean)), timeline->source_u_s);
    timeline->start_delay_s = fit->shared[SHARED_DELAY];
    timeline->start_delay_u_s =
        hypot(sqrt(fit->mixed.covariance[SHARED_DELAY][SHARED_DELAY]), timeline->source_u_s);
    timeline->start_delay_spread_s = fit->tau_s;
    timeline->backlash_mm = 2 * fit->shared[SHARED_PLAY];
    timeline->backlash_u_mm = 2 * sqrt(fit->mixed.covariance[SHARED_PLAY][SHARED_PLAY]);
    timeline->anchor = fit->witness->role == ROLE_REFERENCE ? ANCHOR_REFERENCE : ANCHOR_TRIP;
    timeline_end_strokes(timeline);
}

/* ---- the whole ---- */

static double *first_guess(struct stage_fit *fit)
{
    struct timeline *timeline = fit->timeline;
    double low = INFINITY, high = -INFINITY, *middle_s, n = 0;
    middle_s = calloc(timeline->stroke_count + 1, sizeof *middle_s);
    for (size_t k = 0; middle_s && k < timeline->stroke_count; k++) {
        const struct timeline_stroke *own = &timeline->strokes[k];
        if (!own->known)
            continue;
        fit->shared[SHARED_DELAY] +=
            (own->host_start_s - own->sent_s - fit->shared[SHARED_DELAY]) / ++n;
        middle_s[k] =
            own->host_start_s + (1 + timeline->skew) * (stage_middle_s(fit, k) - own->plan_start_s);
    }
    for (size_t i = 0; i < plan_segment_count(fit->plan); i++) {
        const struct plan_segment *segment = &plan_segments(fit->plan)[i];
        double stage_mm = plan_stage_mm(fit->plan, segment->start_s);
        low = fmin(low, stage_mm);
        high = fmax(high, stage_mm);
    }
    fit->middle_mm = (low + high) / 2;
    fit->half_mm = fmax((high - low) / 2, 1);
    fit->shared[SHARED_SKEW] = timeline->skew;
    return middle_s;
}

/* The place of a trip: the median of where the stage was at its edges. */
static int place_trip(struct stage_fit *fit, struct rig_err *err)
{
    double *places = malloc((fit->count + 1) * sizeof *places);
    if (!places)
        return rig_fail_memory(err, "the timeline");
    for (size_t i = 0; i < fit->count; i++) {
        struct stage_row row;
        stage_row_at(fit, i, &row);
        places[i] = plan_stage_mm(fit->plan, row.plan_s);
    }
    fit->shared[SHARED_CURVE] = timeline_median(places, fit->count);
    free(places);
    return RIG_OK;
}

int timeline_witness(struct timeline *timeline, const struct plan *plan,
                     const struct rig_axis *axis, const struct witness *witness,
                     const struct timeline_source *source, bool *done,
                     char reason[TIMELINE_REASON_SIZE], struct rig_err *err)
{
    bool reference = witness->role == ROLE_REFERENCE;
    double stated_mm = axis->backlash_mm > 0 ? axis->backlash_mm : 0;
    struct stage_fit fit = {
        .plan = plan,
        .witness = witness,
        .timeline = timeline,
        .source = *source,
        .step_mm = axis->step_mm > 0 ? axis->step_mm : 0,
        .count = reference ? witness->count : witness->edge_count,
        /* A reference at rest shows the play itself; edges need several speeds for that, and
         * lean on what is stated where they have not. */
        .play_prior_mm = stated_mm / 2,
        .play_prior_u_mm = reference ? 1 : fmax(stated_mm, 0.1) / SQRT3,
        /* From the ends of strokes or the reports: a trip alone can't tell it from play. */
        .skew_prior = timeline->skew,
        .skew_prior_u = timeline->skew_u,
        .tau_s = TAU_START_S,
        .noise_y = witness->high - witness->low,
        .inflation = 1,
        .place_mm = NAN,
    };
    *done = false;
    if (timeline->anchor == ANCHOR_NONE) {
        refuse(reason, "no stroke was run to its end");
        return RIG_OK;
    }
    fit.shared[SHARED_PLAY] = fit.play_prior_mm;
    int code = mixed_open(&fit.mixed, shared_count(&fit), timeline->stroke_count, err);
    if (!code) {
        fit.sides = calloc(fit.count + 1, sizeof *fit.sides);
        fit.tied_s = first_guess(&fit);
        code = fit.sides && fit.tied_s ? RIG_OK : rig_fail_memory(err, "the timeline");
    }
    if (!code && looks_usable(&fit, reason)) {
        code = reference ? RIG_OK : place_trip(&fit, err);
        bool fits =
            !code && carry_out(&fit) && (reference || believe_place(&fit, source->trip_mm, reason));
        if (!code && !fits)
            refuse(reason, reference ? "it does not follow the stage"
                                     : "it does not switch at one place of the stage");
        else if (!code && is_good(&fit, reason)) {
            settle(&fit);
            *done = true;
        }
    }
    mixed_free(&fit.mixed);
    free(fit.sides);
    free(fit.tied_s);
    return code;
}
