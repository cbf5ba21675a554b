/* SPDX-License-Identifier: GPL-3.0-or-later
 * Rows of a reference and edges of a trip, as lines of one linear fit about where it stands.
 *
 * The stage follows the motor by half the play c behind, on side d = +-1: z = z_plan(p) - c d,
 * p = p_middle + (t - T_k)/(1 + skew), T_k the host time of the stroke's middle. A reference
 * reads f(z), a polynomial; a trip switches where z is z_s. */
#include "results/timeline_witness_parts.h"

#include "results/stage_side.h"

#include <math.h>

static const double BAND_MM = 0.3;      /* wider than the play of any axis that one would use */
static const double SWITCH_MM = 0.005;  /* repeatability of a switch; common practice, no source */
static const double SLOWEST_MM_S = 0.2; /* an edge slower than this tells nothing of time */
static const double LONGEST_S = 0.25;   /* nor does one between rows further apart */

double stage_middle_s(const struct stage_fit *fit, size_t stroke)
{
    const struct timeline_stroke *own = &fit->timeline->strokes[stroke];
    return (own->plan_start_s + own->plan_end_s) / 2;
}

/* Before its start and after its end the stage rests, however long that really lasted. */
static double plan_time(const struct stage_fit *fit, size_t stroke, double t_s, bool *rests)
{
    const struct timeline_stroke *own = &fit->timeline->strokes[stroke];
    double plan_s =
        stage_middle_s(fit, stroke) + (t_s - fit->tied_s[stroke]) / (1 + fit->shared[SHARED_SKEW]);
    *rests = plan_s <= own->plan_start_s || plan_s >= own->plan_end_s;
    return fmin(fmax(plan_s, own->plan_start_s), own->plan_end_s);
}

static void reference_row(const struct stage_fit *fit, const struct witness_row *seen, int side,
                          double stage_mm, struct stage_row *row)
{
    double x = (stage_mm - fit->middle_mm) / fit->half_mm, power = 1, value = 0, slope = 0;
    for (size_t j = 0; j < CURVE_TERMS; j++, power *= x) {
        row->x[SHARED_CURVE + j] = power;
        value += fit->shared[SHARED_CURVE + j] * power;
        if (j + 1 < CURVE_TERMS)
            slope += (double)(j + 1) * fit->shared[SHARED_CURVE + j + 1] * power / fit->half_mm;
    }
    double moves = slope * row->speed_mm_s;
    row->residual = (double)seen->value - (value - slope * fit->shared[SHARED_PLAY] * side);
    row->g = -moves;
    row->x[SHARED_PLAY] = -slope * side;
    row->variance = fit->inflation *
                    (fit->noise_y * fit->noise_y + moves * moves * fit->noise_s * fit->noise_s);
}

static void trip_row(const struct stage_fit *fit, const struct witness_edge *seen, int side,
                     double stage_mm, struct stage_row *row)
{
    double moment2 =
        seen->half_s * seen->half_s / 3 + fit->source.stamp_sd_s * fit->source.stamp_sd_s;
    row->residual = stage_mm - fit->shared[SHARED_CURVE] - fit->shared[SHARED_PLAY] * side;
    row->g = row->speed_mm_s;
    row->x[SHARED_CURVE] = 1;
    row->x[SHARED_PLAY] = side;
    row->variance = SWITCH_MM * SWITCH_MM + fit->step_mm * fit->step_mm / 12 +
                    row->speed_mm_s * row->speed_mm_s * moment2;
}

void stage_row_at(const struct stage_fit *fit, size_t index, struct stage_row *row)
{
    const struct witness *witness = fit->witness;
    bool reference = witness->role == ROLE_REFERENCE, rests;
    size_t stroke = reference ? witness->rows[index].stroke : witness->edges[index].stroke;
    double t_s = reference ? witness->rows[index].t_s : witness->edges[index].t_s;
    *row = (struct stage_row){.stroke = stroke, .plan_s = plan_time(fit, stroke, t_s, &rests)};
    row->speed_mm_s = rests ? 0 : plan_speed_mm_s(fit->plan, row->plan_s);
    double stage_mm = plan_stage_mm(fit->plan, row->plan_s);
    if (reference)
        reference_row(fit, &witness->rows[index], fit->sides[index], stage_mm, row);
    else
        trip_row(fit, &witness->edges[index], fit->sides[index], stage_mm, row);
    double rate = 1 + fit->shared[SHARED_SKEW];
    row->g /= rate;
    row->x[SHARED_SKEW] = row->g * (row->plan_s - stage_middle_s(fit, stroke));
}

void stage_sides(struct stage_fit *fit)
{
    struct stage_side walk;
    stage_side_begin(&walk, fit->plan, fmax(BAND_MM, 3 * fit->play_prior_mm));
    for (size_t i = 0; i < fit->count; i++) {
        struct stage_row row;
        fit->sides[i] = 1;
        stage_row_at(fit, i, &row);
        int side = stage_side_at(&walk, row.plan_s);
        if (fit->witness->role == ROLE_TRIP &&
            (row.speed_mm_s * side < SLOWEST_MM_S || fit->witness->edges[i].half_s > LONGEST_S))
            side = 0;
        fit->sides[i] = (signed char)side;
    }
}

/* Residuals squared as a straight line over the speed squared, weighted: what does not depend
 * on speed is noise of the reading, what does is of the time stamp. */
static void learn_two(struct stage_fit *fit)
{
    double n = 0, x = 0, y = 0, xx = 0, xy = 0, along = 0, across = 0;
    struct stage_row row;
    double before = 0;
    size_t before_stroke = SIZE_MAX;
    for (size_t i = 0; i < fit->count; i++) {
        if (!fit->sides[i])
            continue;
        stage_row_at(fit, i, &row);
        double weight = 1 / (row.variance * row.variance), moves2 = row.g * row.g;
        double r2 = row.residual * row.residual, unit = row.residual / sqrt(row.variance);
        n += weight;
        x += weight * moves2;
        y += weight * r2;
        xx += weight * moves2 * moves2;
        xy += weight * moves2 * r2;
        if (row.stroke == before_stroke) {
            along += unit * before;
            across += unit * unit;
        }
        before = unit;
        before_stroke = row.stroke;
    }
    double det = n * xx - x * x, jitter2 = det > 1e-12 * n * xx ? (n * xy - x * y) / det : 0;
    jitter2 = fmax(0, jitter2);
    double noise2 = (y - jitter2 * x) / n;
    if (!(noise2 > 0)) { /* all of it goes with speed */
        noise2 = 0;
        jitter2 = x > 0 ? y / x : 0;
    }
    double floor = 1e-6 * (fit->witness->high - fit->witness->low);
    fit->noise_y = sqrt(fmax(noise2, floor * floor));
    fit->noise_s = sqrt(jitter2);
    double rho = across > 0 ? fmin(fmax(along / across, 0), 0.95) : 0;
    fit->inflation = (1 + rho) / (1 - rho);
}

void stage_learn_noise(struct stage_fit *fit, bool reject)
{
    bool reference = fit->witness->role == ROLE_REFERENCE;
    if (reference)
        learn_two(fit);
    if (!reject)
        return;
    struct stage_row row;
    for (size_t i = 0; i < fit->count; i++) {
        if (!fit->sides[i])
            continue;
        stage_row_at(fit, i, &row);
        double single2 = reference ? row.variance / fit->inflation : row.variance;
        if (!(row.residual * row.residual <= 25 * single2))
            fit->sides[i] = 0;
    }
}
