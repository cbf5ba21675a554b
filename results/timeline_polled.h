/* SPDX-License-Identifier: GPL-3.0-or-later
 * Private to results/timeline_polled*.c: reports as ties, and what is fitted to them.
 * The model stands at the top of timeline_polled.c. */
#ifndef RESULTS_TIMELINE_POLLED_H
#define RESULTS_TIMELINE_POLLED_H

#include "results/timeline_parts.h"

enum { TIE_ENOUGH_REPORTS = 3, TIE_ENOUGH_STROKES = 3 };

/* A bracket is wide for two reasons: the delay of the answer itself varies a little; and in a
 * stroke of more lines than the controller looks ahead a question waits, for long, behind
 * those that it has yet to take. They lie on sides of their own. */
enum { POLLED_DELAY, POLLED_QUEUE, POLLED_PARTS };

/* The answer to a question that waited leaves right behind the acknowledgment of the line that made
 * room, and can't overtake it: it is as late as an answer by itself at least, and at most by
 * both delays, one after the other. As many times the part that varies, give or take a half. */
#define POLLED_DELAYS_IN_QUEUE 1.5

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
    bool waits;          /* its questions do, in a full controller */
    double weight;       /* sum of 1/sigma^2 of those that are used */
    double host_s, since_s, bracket_s[POLLED_PARTS];
};

struct polled {
    const struct plan *plan;
    struct timeline *timeline;
    const struct stroke_times *times;
    double position_u_mm; /* standard, of a report */
    uint64_t lookahead_lines;
    struct tie *ties;
    size_t count, room;
    struct stroke_tie *strokes;
    double *scratch;
    size_t scratch_room;
    double delay_s;                  /* latest, as the guess for the next stroke; NaN */
    double prior_skew, prior_skew_u; /* of the axis' clock, before a report is seen */
    double skew, skew_u, side[POLLED_PARTS], side_u[POLLED_PARTS];
    double kappa; /* what is random within a bracket, as a share of it */
    double ratio; /* chi squared a degree of freedom, at least 1 */
    double bracket_min_s;
    /* Of the ties that don't wait: what their half brackets have beyond the narrowest one, mean
     * and standard deviation. Those that wait have it too, unseen behind the wait. */
    double delay_part_s, delay_part_sd;
    double part_s[POLLED_PARTS]; /* of the brackets, in the mean of all strokes */
};

/* Standard uncertainty of one tie: its position over the speed, and when within the
 * bracket it was true. */
double tie_sigma(const struct polled *polled, const struct tie *tie);

/* What a tie's bracket, half of it, has beyond the narrowest one, if it is of this kind;
 * else 0. */
double polled_part(const struct polled *polled, const struct tie *tie, int part);

/* The same of a stroke, in the mean, with the unseen share of those that wait told apart. */
double stroke_part(const struct polled *polled, const struct stroke_tie *own, int part);

/* How far a tie lies from its stroke's, > 0: late. */
double polled_off(const struct polled *polled, const struct tie *tie);

/* Fits the model to all ties, leaving out wild ones. */
void polled_fit(struct polled *polled);

/* Start of a stroke by its own reports, and its standard uncertainty: without what all strokes
 * share, which is that of the sides times the mean parts and that of the narrowest bracket. */
double polled_start(const struct polled *polled, size_t stroke, double *u_s);

/* Mean start delay of the strokes that have ties, and how much it really varies
 * between them (DerSimonian and Laird 1986, moments). */
struct delay {
    double mean_s, mean_u_s, between_s;
    size_t strokes;
};

struct delay polled_delay(const struct polled *polled);

#endif
