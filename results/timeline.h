/* SPDX-License-Identifier: GPL-3.0-or-later
 * Host time to plan time, stroke by stroke, with the uncertainty of the tie
 * (docs/methods_time.md). Pure: tables in, a mapping out.
 *
 * The controller starts a stroke some unknown time after it takes the first line.
 * Anchors, best first: a reference channel, a trip channel, position reports
 * polled while moving (c), the acknowledgements of the stroke's first line and of its end (d). */
#ifndef RESULTS_TIMELINE_H
#define RESULTS_TIMELINE_H

#include "base/err.h"
#include "motion/plan.h"
#include "results/recording.h"

enum timeline_anchor {
    ANCHOR_NONE,
    ANCHOR_ACKNOWLEDGED,
    ANCHOR_SYNCED, /* acknowledgements, and the start delay as measured beforehand */
    ANCHOR_POLLED,
    ANCHOR_TRIP,
    ANCHOR_REFERENCE
};
const char *timeline_anchor_name(enum timeline_anchor anchor);

struct timeline_stroke {
    bool known; /* false: this stroke never ran, or was cut short: leave it out */
    double plan_start_s, plan_end_s;
    double sent_s, ended_s; /* its first line went out; its end was answered; host time */
    double host_start_s;    /* host time at which plan_start_s really happened */
    double host_end_s;
    double left_s;    /* host time from which on the stage was elsewhere: the run was
                         interrupted, and the hold ends there; 0: it was not */
    double scatter_s; /* standard uncertainty of this stroke's own tie (random part) */
    bool queued;      /* tied by answers that waited in a full controller */
};

/* What was measured of the axis beforehand, on another day; NaN: not known. */
struct timeline_prior {
    double start_delay_s, start_delay_u_s, spread_s;
    double skew, skew_u; /* as struct timeline has it */
};

struct timeline {
    enum timeline_anchor anchor;
    size_t stroke_count;
    struct timeline_stroke *strokes;
    double common_u_s; /* part of the uncertainty shared by all strokes: does not average out */
    double queue_u_s;  /* more of it, shared by those that are `queued` */
    double skew;       /* axis clock against host: host = start + (1 + skew) plan */
    double skew_u;
    double start_delay_s, start_delay_u_s; /* sent -> moving, where it can be told; else NaN */
    double start_delay_spread_s;           /* standard deviation between strokes; NaN: not known */
    /* Where a channel on the stage is the anchor: the part of common_u_s that is the delay of its
     * source's lines, which rows of the same source share; else SIZE_MAX and 0. */
    size_t source;
    double source_u_s;
    double backlash_mm, backlash_u_mm; /* of the axis, where such a channel shows it; else NaN */
    double plan_duration_s;
    size_t last_known; /* index of the last known stroke */
    size_t stretched;  /* strokes that are not known since the stage was held up within them */
};

/* Of a stroke that was run more than once the last whole run counts, as far as the strokes
 * then follow one another; between an interruption (a row without an end) and the next
 * stroke that counts nothing is known.
 *
 * Always succeeds on tables of any quality (RIG_EMEMORY apart): rows that make no
 * sense are passed over, strokes without a whole row are not known, and with no known
 * stroke the anchor is ANCHOR_NONE. Motion rows may come in any order of strokes, those
 * of one stroke together. On error nothing is kept; else free with timeline_free.
 *
 * Uncertainties: the tie of one stroke has the standard uncertainty
 * hypot(scatter_s, common_u_s) in the middle of its motion; away from there a stroke's
 * times are also uncertain by skew_u times the distance. Formulas: docs/methods_time.md. */
int timeline_make(struct timeline *timeline, const struct plan *plan,
                  const struct motion_row motion[], size_t motion_count,
                  const struct stroke_row strokes[], size_t row_count, const struct rig_axis *axis,
                  struct rig_err *err);
/* With what is known beforehand; prior: NULL for nothing. */
int timeline_make_knowing(struct timeline *timeline, const struct plan *plan,
                          const struct motion_row motion[], size_t motion_count,
                          const struct stroke_row strokes[], size_t row_count,
                          const struct rig_axis *axis, const struct timeline_prior *prior,
                          struct rig_err *err);
void timeline_free(struct timeline *timeline);

/* Plan time of a host time: inside a stroke by its tie, in the hold after it by the
 * stroke's end, so holds stretch or shrink as they really did (the hold's last part
 * is cut where the next stroke begins). NaN before the first known stroke, after the
 * last hold, in strokes that are not known, and in interruptions. *stroke may be NULL. `hint` is a
 * cursor for monotone callers, start it at 0. */
double timeline_plan_s(const struct timeline *timeline, double host_s, size_t *stroke,
                       size_t *hint);

/* The way back, for a whole segment of the plan: when it really began and ended. A hold
 * ends where the next stroke really began, or the run was interrupted, when that was
 * earlier. False, with both
 * untouched, when its stroke is not known. */
bool timeline_window(const struct timeline *timeline, const struct plan_segment *segment,
                     double *host_start_s, double *host_end_s);

#endif
