/* SPDX-License-Identifier: GPL-3.0-or-later
 * Private to results/timeline_polled*.c: reports as ties, and what is fitted to them.
 * The model stands at the top of timeline_polled.c. */
#ifndef RESULTS_TIMELINE_POLLED_H
#define RESULTS_TIMELINE_POLLED_H

#include "results/timeline_parts.h"

enum { TIE_ENOUGH_REPORTS = 3, TIE_ENOUGH_STROKES = 3 };

struct tie {
    double host_s;  /* h_i */
    double since_s; /* p_i - p_start */
    float bracket_s;
    float position_s; /* standard uncertainty of the position over the speed */
    uint32_t stroke;
    bool used;
};

struct stroke_tie {
    size_t first, count; /* of its ties */
    double weight;       /* sum of 1/sigma^2 of those that are used */
    double host_s, since_s, bracket_s;
};

struct polled {
    const struct plan *plan;
    struct timeline *timeline;
    const struct stroke_times *times;
    double position_u_mm; /* standard, of a report */
    struct tie *ties;
    size_t count, room;
    struct stroke_tie *strokes;
    double *scratch;
    size_t scratch_room;
    double delay_s; /* latest, as the guess for the next stroke; NaN */
    double skew, skew_u, side, side_u;
    double kappa; /* what is random within a bracket, as a share of it */
    double ratio; /* chi squared a degree of freedom, at least 1 */
    double bracket_min_s;
};

/* Standard uncertainty of one tie: its position over the speed, and when within the
 * bracket it was true. */
double tie_sigma(const struct polled *polled, const struct tie *tie);

/* Fits the model to all ties, leaving out wild ones. */
void polled_fit(struct polled *polled);

/* Start of a stroke by its own reports, and its standard uncertainty. */
double polled_start(const struct polled *polled, size_t stroke, double *u_s);

/* Mean start delay of the strokes that have ties, and how much it really varies
 * between them (DerSimonian and Laird 1986, moments). */
struct delay {
    double mean_s, mean_u_s, between_s;
    size_t strokes;
};

struct delay polled_delay(const struct polled *polled);

#endif
