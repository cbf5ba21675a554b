/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "results/night.h"

#include "results/lsq.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

enum { ZERO, SPAN, WATER, KINDS, ROUNDS = 60 };

/* A correlation beyond that leaves either with five times the uncertainty that it would
 * have if the other were known, and rests on how the curve bends. */
static const double inseparable = 0.98;

struct work {
    const struct night_curve *curve;
    const struct night_reading *readings;
    size_t n, cycles, levels;
    double air;
    double (*change)[KINDS];       /* one a cycle */
    double (*u)[KINDS];            /* standard uncertainties, residuals not yet counted */
    double *offset;                /* one a level: what is constant there */
    size_t *uses, *first, *counts; /* level: cycles that have it; readings by cycle */
    const struct night_reading **sorted;
    bool use[KINDS];
    double squares, freedom;
};

static double value_at(const struct work *work, double depth_mm)
{
    return work->curve->value(work->curve->context, depth_mm);
}

static double slope_at(const struct work *work, double depth_mm)
{
    return work->curve->slope(work->curve->context, depth_mm);
}

/* Reading by the model, and its derivatives by zero, span and water. */
static double model(const struct work *work, const struct night_reading *reading,
                    const double change[KINDS], double derivative[KINDS])
{
    derivative[ZERO] = 1;
    derivative[SPAN] = derivative[WATER] = 0;
    if (reading->in_air)
        return work->air + change[ZERO];
    double depth_mm = reading->depth_mm + change[WATER];
    double above = value_at(work, depth_mm) - work->air;
    derivative[SPAN] = above;
    derivative[WATER] = (1 + change[SPAN]) * slope_at(work, depth_mm);
    return work->air + change[ZERO] + (1 + change[SPAN]) * above;
}

static bool counts(const struct work *work, const struct night_reading *reading)
{
    return work->uses[reading->level] > 1 && (work->curve || reading->in_air);
}

/* One Gauss-Newton step for one cycle; false when its readings don't suffice. */
static bool step_cycle(struct work *work, size_t cycle, struct lsq_fit *fit)
{
    struct lsq sums;
    struct rig_err why = {0};
    size_t columns = 0;
    for (int k = 0; k < KINDS; k++)
        columns += work->use[k];
    if (lsq_start(&sums, columns, &why))
        return false;
    for (size_t i = 0; i < work->counts[cycle]; i++) {
        const struct night_reading *reading = work->sorted[work->first[cycle] + i];
        double derivative[KINDS], row[KINDS];
        if (!counts(work, reading))
            continue;
        double expected = model(work, reading, work->change[cycle], derivative);
        size_t column = 0;
        for (int k = 0; k < KINDS; k++)
            if (work->use[k])
                row[column++] = derivative[k];
        lsq_add(&sums, row, reading->reading - work->offset[reading->level] - expected, reading->u);
    }
    if (lsq_solve(fit, &sums, LSQ_FROM_STATED, &why))
        return false;
    size_t column = 0;
    for (int k = 0; k < KINDS; k++)
        if (work->use[k]) {
            work->change[cycle][k] += fit->parameter[column];
            work->u[cycle][k] = sqrt(fit->covariance[column][column]);
            column++;
        }
    return true;
}

/* What each level keeps to itself; returns the largest change in units of u. */
static double settle_offsets(struct work *work, bool solved[])
{
    double largest = 0, *sum = calloc(work->levels, sizeof *sum),
           *weight = calloc(work->levels, sizeof *weight);
    if (!sum || !weight) {
        free(sum);
        free(weight);
        return NAN;
    }
    for (size_t i = 0; i < work->n; i++) {
        const struct night_reading *reading = &work->readings[i];
        double derivative[KINDS];
        if (!solved[reading->cycle] || !counts(work, reading))
            continue;
        double by = 1 / (reading->u * reading->u);
        sum[reading->level] +=
            by *
            (reading->reading - model(work, reading, work->change[reading->cycle], derivative));
        weight[reading->level] += by;
    }
    for (size_t i = 0; i < work->levels; i++)
        if (weight[i] > 0) {
            double offset = sum[i] / weight[i];
            largest = fmax(largest, fabs(offset - work->offset[i]) * sqrt(weight[i]));
            work->offset[i] = offset;
        }
    free(sum);
    free(weight);
    return largest;
}

static void add_residuals(struct work *work, const bool solved[])
{
    size_t columns = 0, levels = 0, cycles = 0;
    double readings = 0;
    for (int k = 0; k < KINDS; k++)
        columns += work->use[k];
    for (size_t i = 0; i < work->levels; i++)
        levels += work->uses[i] > 1;
    for (size_t i = 0; i < work->cycles; i++)
        cycles += solved[i];
    work->squares = 0;
    for (size_t i = 0; i < work->n; i++) {
        const struct night_reading *reading = &work->readings[i];
        double derivative[KINDS];
        if (!solved[reading->cycle] || !counts(work, reading))
            continue;
        double off = (reading->reading - work->offset[reading->level] -
                      model(work, reading, work->change[reading->cycle], derivative)) /
                     reading->u;
        work->squares += off * off;
        readings++;
    }
    work->freedom = readings - (double)(columns * (cycles ? cycles - 1 : 0)) - (double)levels;
}

/* Cycles and levels in turn until neither moves; at once where no reading is missing. */
static int solve(struct work *work, bool solved[], struct rig_err *err)
{
    struct lsq_fit fit;
    for (size_t i = 0; i < work->cycles; i++)
        for (int k = 0; k < KINDS; k++)
            work->change[i][k] = 0;
    for (size_t i = 0; i < work->cycles; i++)
        solved[i] = work->counts[i] > 0;
    double moved = INFINITY;
    for (int round = 0; round < ROUNDS && moved > 1e-6; round++) {
        moved = settle_offsets(work, solved);
        if (isnan(moved))
            return rig_fail_memory(err, "the levels of a night");
        if (round == 0)
            moved = INFINITY;
        for (size_t i = 0; i < work->cycles; i++)
            solved[i] = solved[i] && step_cycle(work, i, &fit);
    }
    add_residuals(work, solved);
    return RIG_OK;
}

/* How much zero and water look alike: the largest correlation of the water with either
 * other, in the middle cycle of those that can be solved. */
static double likeness(struct work *work)
{
    struct lsq_fit fit;
    double least = 1;
    for (size_t i = 0; i < work->cycles; i++) {
        double kept[2][KINDS];
        for (int k = 0; k < KINDS; k++) {
            kept[0][k] = work->change[i][k];
            kept[1][k] = work->u[i][k];
        }
        if (step_cycle(work, i, &fit) && fit.n > KINDS) {
            double a = fit.covariance[0][2] / sqrt(fit.covariance[0][0] * fit.covariance[2][2]);
            double b = fit.covariance[1][2] / sqrt(fit.covariance[1][1] * fit.covariance[2][2]);
            least = fmin(least, fmax(fabs(a), fabs(b)));
        }
        for (int k = 0; k < KINDS; k++) {
            work->change[i][k] = kept[0][k];
            work->u[i][k] = kept[1][k];
        }
    }
    return least;
}

static void tell_all(struct night *night, const char *reason)
{
    snprintf(night->zero_reason, NIGHT_TEXT_SIZE, "%s", reason);
    snprintf(night->span_reason, NIGHT_TEXT_SIZE, "%s", reason);
    snprintf(night->water_reason, NIGHT_TEXT_SIZE, "%s", reason);
}

/* Which of the three can be solved for, and which of those mean what they say. */
static void choose(struct night *night, struct work *work, size_t water_levels)
{
    work->use[ZERO] = true;
    work->use[SPAN] = work->use[WATER] = false;
    night->zero_told = night->has_air;
    if (night->has_air) {
        if (!work->curve || water_levels < 2) {
            const char *reason =
                !work->curve ? "there is no calibration curve to compare readings with"
                : water_levels
                    ? "one depth in the water can't tell drift of the span from evaporation; "
                      "hold at two or more in each cycle"
                    : "no depth in the water was held in two cycles or more";
            snprintf(night->span_reason, NIGHT_TEXT_SIZE, "%s", reason);
            snprintf(night->water_reason, NIGHT_TEXT_SIZE, "%s", reason);
            work->use[WATER] = work->curve && water_levels == 1;
            return;
        }
        work->use[SPAN] = work->use[WATER] = night->span_told = night->water_told = true;
        return;
    }
    if (!work->curve || water_levels == 0) {
        tell_all(night, "no hold, in air or in the water, comes back in two cycles or more");
        work->use[ZERO] = false;
        return;
    }
    work->use[SPAN] = water_levels > 1;
    if (water_levels > 2) {
        work->use[WATER] = true;
        double alike = likeness(work);
        night->zero_told = night->span_told = night->water_told = alike < inseparable;
        work->use[WATER] = night->water_told;
    }
    if (!night->water_told)
        tell_all(night,
                 "without a reading in air each cycle, drift of zero and span can't be told from "
                 "evaporation, since the curve is nearly straight; hold at a depth below zero");
}

static int allocate(struct work *work, struct rig_err *err)
{
    work->change = calloc(work->cycles + 1, sizeof *work->change);
    work->u = calloc(work->cycles + 1, sizeof *work->u);
    work->offset = calloc(work->levels + 1, sizeof *work->offset);
    work->uses = calloc(work->levels + 1, sizeof *work->uses);
    work->first = calloc(work->cycles + 1, sizeof *work->first);
    work->counts = calloc(work->cycles + 1, sizeof *work->counts);
    work->sorted = calloc(work->n + 1, sizeof(const struct night_reading *));
    return work->change && work->u && work->offset && work->uses && work->first && work->counts &&
                   work->sorted
               ? RIG_OK
               : rig_fail_memory(err, "a night's cycles");
}

static void free_work(struct work *work)
{
    free(work->change);
    free(work->u);
    free(work->offset);
    free(work->uses);
    free(work->first);
    free(work->counts);
    free((void *)work->sorted);
}

/* Readings by cycle; how many cycles each level comes up in. With lifts, cycles without
 * one are left out. Returns the number of levels in the water that come back. */
static size_t sort_readings(struct work *work, const bool *lifted)
{
    size_t water_levels = 0, at = 0;
    for (size_t i = 0; i < work->n; i++)
        if (!lifted || lifted[work->readings[i].cycle])
            work->counts[work->readings[i].cycle]++;
    for (size_t i = 0; i < work->cycles; i++) {
        work->first[i] = at;
        at += work->counts[i];
        work->counts[i] = 0;
    }
    for (size_t i = 0; i < work->n; i++) {
        const struct night_reading *reading = &work->readings[i];
        if (!lifted || lifted[reading->cycle])
            work->sorted[work->first[reading->cycle] + work->counts[reading->cycle]++] = reading;
    }
    /* A level twice in one cycle counts once: stamped with the cycle's number + 1. */
    size_t *seen = calloc(work->levels + 1, sizeof *seen);
    double *depth = calloc(work->levels + 1, sizeof *depth);
    for (size_t c = 0; seen && depth && c < work->cycles; c++)
        for (size_t i = 0; i < work->counts[c]; i++) {
            const struct night_reading *reading = work->sorted[work->first[c] + i];
            if (seen[reading->level] != c + 1)
                work->uses[reading->level]++;
            seen[reading->level] = c + 1;
            depth[reading->level] = reading->in_air ? (double)NAN : reading->depth_mm;
        }
    /* The same depth from two sides is one depth. */
    for (size_t i = 0; seen && depth && i < work->levels; i++) {
        bool again = work->uses[i] < 2 || isnan(depth[i]);
        for (size_t k = 0; k < i && !again; k++)
            again = work->uses[k] > 1 && fabs(depth[k] - depth[i]) < 0.1;
        water_levels += !again;
    }
    free(seen);
    free(depth);
    return water_levels;
}

/* Cycles that were solved, against their mean, into the caller's record. */
static int hand_over(struct night *night, const struct work *work, const bool solved[],
                     struct rig_err *err)
{
    size_t count = 0;
    double mean[KINDS] = {0};
    for (size_t i = 0; i < work->cycles; i++) {
        count += solved[i];
        for (int k = 0; k < KINDS && solved[i]; k++)
            mean[k] += work->change[i][k];
    }
    night->cycles = calloc(count + 1, sizeof *night->cycles);
    night->origin = calloc(count + 1, sizeof *night->origin);
    if (!night->cycles || !night->origin)
        return rig_fail_memory(err, "a night's cycles");
    double scatter = work->freedom > 0 ? fmax(1, sqrt(work->squares / work->freedom)) : 1;
    for (size_t i = 0; i < work->cycles; i++) {
        double value[KINDS], t_sum = 0;
        if (!solved[i])
            continue;
        for (int k = 0; k < KINDS; k++)
            value[k] = work->change[i][k] - mean[k] / (double)count;
        for (size_t r = 0; r < work->counts[i]; r++)
            t_sum += work->sorted[work->first[i] + r]->t_s;
        night->origin[night->count] = i;
        night->cycles[night->count++] = (struct night_cycle){
            .t_s = t_sum / (double)work->counts[i],
            .zero = value[ZERO],
            .zero_u = scatter * work->u[i][ZERO],
            .span = value[SPAN],
            .span_u = scatter * work->u[i][SPAN],
            .water_mm = value[WATER],
            .water_u = scatter * work->u[i][WATER],
        };
    }
    return RIG_OK;
}

int night_solve(struct night *night, const struct night_curve *curve,
                const struct night_reading readings[], size_t n, size_t cycles, size_t levels,
                struct rig_err *err)
{
    *night = (struct night){.air = NAN};
    struct work work = {
        .curve = curve, .readings = readings, .n = n, .cycles = cycles, .levels = levels};
    bool *lifted = calloc(cycles + 1, sizeof *lifted), *solved = calloc(cycles + 1, sizeof *solved);
    int code = lifted && solved ? allocate(&work, err) : rig_fail_memory(err, "a night's cycles");
    double air = 0, weight = 0;
    for (size_t i = 0; !code && i < n; i++)
        if (readings[i].in_air) {
            lifted[readings[i].cycle] = night->has_air = true;
            double by = 1 / (readings[i].u * readings[i].u);
            air += by * readings[i].reading;
            weight += by;
        }
    if (!code) {
        size_t water_levels = sort_readings(&work, night->has_air ? lifted : NULL);
        night->air = work.air = night->has_air ? air / weight
                                : curve        ? value_at(&work, 0)
                                               : (double)NAN;
        choose(night, &work, water_levels);
        if (work.use[ZERO])
            code = solve(&work, solved, err);
    }
    if (!code)
        code = hand_over(night, &work, solved, err);
    free_work(&work);
    free(lifted);
    free(solved);
    if (code)
        night_free(night);
    return code;
}

void night_free(struct night *night)
{
    free(night->cycles);
    free(night->origin);
    *night = (struct night){0};
}

struct night_state night_at(const struct night *night, double t_s)
{
    struct night_state state = {0};
    if (night->count == 0)
        return state;
    size_t low = 0, high = night->count - 1;
    while (high - low > 1) {
        size_t middle = low + (high - low) / 2;
        *(night->cycles[middle].t_s <= t_s ? &low : &high) = middle;
    }
    const struct night_cycle *a = &night->cycles[low], *b = &night->cycles[high];
    double share = b->t_s > a->t_s ? (t_s - a->t_s) / (b->t_s - a->t_s) : 0;
    share = fmin(fmax(share, 0), 1);
    state.zero = a->zero + share * (b->zero - a->zero);
    state.span = a->span + share * (b->span - a->span);
    state.water_mm = a->water_mm + share * (b->water_mm - a->water_mm);
    return state;
}

double night_undone(const struct night *night, struct night_state change,
                    const struct night_curve *curve,
                    double (*depth)(const void *context, double reading), double reading)
{
    double still = night->air + (reading - night->air - change.zero) / (1 + change.span);
    if (change.water_mm == 0 || !curve)
        return still;
    double depth_mm = depth(curve->context, still);
    if (!(depth_mm > 0)) /* in air the water's level changes nothing */
        return still;
    return still + curve->value(curve->context, depth_mm - change.water_mm) -
           curve->value(curve->context, depth_mm);
}
