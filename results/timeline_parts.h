/* SPDX-License-Identifier: GPL-3.0-or-later
 * Private to results/timeline*.c: one anchor is one file, tried in order, worst first. Channels
 * on the stage come after those here: they need the ties for a start (timeline_witness.h). */
#ifndef RESULTS_TIMELINE_PARTS_H
#define RESULTS_TIMELINE_PARTS_H

#include "results/timeline.h"

/* What was written down about one stroke; times NaN when it never ran. */
struct stroke_times {
    double sent_s, ended_s, duration_s;
};

/* How far an axis' clock may be off before anything is known: ceramic resonators keep
 * 0.5 % (common practice, no source), taken as rectangular. */
#define TIMELINE_SKEW_PRIOR_U (0.005 / 1.7320508075688772)

/* Ties from the acknowledgements alone: fills host_start_s, scatter_s, common_u_s,
 * skew, skew_u of all known strokes. */
int timeline_acknowledged(struct timeline *timeline, const struct stroke_times times[],
                          const struct timeline_prior *prior, struct rig_err *err);

/* Ties from position reports; after timeline_acknowledged. *done is false, and the
 * timeline untouched, when the reports can't carry it. */
int timeline_polled(struct timeline *timeline, const struct plan *plan,
                    const struct motion_row motion[], size_t motion_count,
                    const struct stroke_times times[], const struct rig_axis *axis,
                    const struct timeline_prior *prior, bool *done, struct rig_err *err);

/* What is known of the skew before anything is seen: mean and standard uncertainty. */
void timeline_skew_prior(const struct timeline_prior *prior, double *skew, double *skew_u);

/* Sets host_end_s of all strokes from their starts and the skew. */
void timeline_end_strokes(struct timeline *timeline);

/* Sorts values; NaN for none. */
double timeline_median(double values[], size_t count);

#endif
