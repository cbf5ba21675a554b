/* SPDX-License-Identifier: GPL-3.0-or-later
 * Private to the planner: a smooth run of motion in one direction, from rest to
 * rest, made of lines of motion whose ends lie on it. */
#ifndef MOTION_PLAN_CURVE_H
#define MOTION_PLAN_CURVE_H

#include "motion/plan_parts.h"

struct curve_run {
    double duration_s;
    double peak_mm_s2;             /* largest |acceleration| of the stage along it */
    double start_mm_s2, end_mm_s2; /* at its two ends, > 0 */
    double late_s;                 /* how late the lines before it have become: made up here */
    double (*at)(const void *context, double t_s); /* stage, mm */
    const void *context;
};

/* Why a run can't be made. */
enum curve_trouble {
    CURVE_FINE,
    CURVE_SPEED,        /* faster than the axis goes */
    CURVE_ACCELERATION, /* its speed changes too quickly for the axis */
    CURVE_RATE,         /* more lines a second than the port carries, or else off the curve */
    CURVE_LOOKAHEAD,    /* the controller sees too few lines ahead to keep its speed */
    CURVE_MEMORY
};

/* The lines of one run, and room to work; zeroed to begin with. */
struct curve_lines {
    size_t count;
    int32_t from_ct;
    struct shape_line *lines; /* start_s from the run's start; the last one ends at rest */
    double duration_s;
    double peak_mm_s, peak_mm_s2; /* reached by the stage */
    double error_mm;              /* largest distance from the run, found along it */
    double need_hz;               /* lines a second */

    double *work; /* private */
    size_t room;
};

/* Lines for a run. The chord error, counted in the real motion with its changes of
 * speed, stays below half a step of the axis. */
enum curve_trouble plan_curve_fit(const struct plan *plan, const struct curve_run *run,
                                  struct curve_lines *lines);
void plan_curve_free(struct curve_lines *lines);

/* Share of the axis' acceleration that lines can follow: the rest is needed to
 * change speed at once at the joints and still be in time. */
double plan_curve_share(void);

#endif
