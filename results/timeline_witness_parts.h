/* SPDX-License-Identifier: GPL-3.0-or-later
 * Private to results/timeline_witness*.c: the parameters of the fit, and its rows. */
#ifndef RESULTS_TIMELINE_WITNESS_PARTS_H
#define RESULTS_TIMELINE_WITNESS_PARTS_H

#include "results/mixed.h"
#include "results/timeline_witness.h"

/* All strokes share: the mean start delay, the skew of the axis' clock, half the play; and of a
 * reference the polynomial from stage to reading, of a trip the place where it switches. */
enum { SHARED_DELAY, SHARED_SKEW, SHARED_PLAY, SHARED_CURVE, CURVE_TERMS = 4 };

struct stage_fit {
    const struct plan *plan;
    const struct witness *witness;
    struct timeline *timeline;
    struct timeline_source source;
    double step_mm; /* of the axis */
    struct mixed mixed;
    size_t count;       /* rows or edges */
    signed char *sides; /* of the play, for each; 0: leave it out */
    double *tied_s;     /* host time at which each stroke's middle really was */
    double shared[MIXED_SHARED];
    double middle_mm, half_mm; /* of the stage's travel in this run */
    double play_prior_mm, play_prior_u_mm;
    double place_mm, place_u_mm; /* of a trip, as said; NaN: not, or not to be believed */
    double skew_prior, skew_prior_u;
    double tau_s;            /* how much the start delay varies */
    double noise_y, noise_s; /* of a reference: of its reading; of its stamps */
    double inflation;        /* neighbours among its rows err alike */
};

/* A row or an edge as the fit sees it: residual = g (shift of the stroke's middle) + x' (change
 * of the shared ones) + noise of that variance. */
struct stage_row {
    size_t stroke;
    double plan_s, speed_mm_s; /* of the stage, as the fit stands */
    double residual, g, x[MIXED_SHARED], variance;
};
void stage_row_at(const struct stage_fit *fit, size_t index, struct stage_row *row);

/* Plan time of the middle of a stroke. */
double stage_middle_s(const struct stage_fit *fit, size_t stroke);

/* Which side of the play each row is on; leaves out rows soon after a turn. */
void stage_sides(struct stage_fit *fit);

/* From the residuals: noise of a reference and of its stamps, and wild rows out. */
void stage_learn_noise(struct stage_fit *fit, bool reject);

#endif
