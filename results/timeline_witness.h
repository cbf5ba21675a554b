/* SPDX-License-Identifier: GPL-3.0-or-later
 * Ties from a channel that sees the stage itself: a reference (an encoder or potentiometer) or
 * a trip (a switch). They see the stage move, so the start delay can be told, and the play of
 * the axis too. Formulas: docs/methods_time.md. Pure. */
#ifndef RESULTS_TIMELINE_WITNESS_H
#define RESULTS_TIMELINE_WITNESS_H

#include "results/timeline.h"
#include "results/witness.h"

enum { TIMELINE_REASON_SIZE = 160 };

struct timeline_source {
    size_t index;        /* of the source in the rig */
    double delay_half_s; /* half the range of its delay */
    double stamp_sd_s;   /* by how much its stamps vary, standard; 0: not known */
    double trip_mm;      /* of a trip: stage position where it is said to switch; NaN: not said */
};

/* Ties all strokes of a timeline that was made already by what `witness` saw, all rows of which
 * were gathered with this timeline. *done false: the channel is no use, with one sentence why,
 * and the timeline is untouched; true with a sentence: what is said of a trip's place was left
 * unused. RIG_EMEMORY only. */
int timeline_witness(struct timeline *timeline, const struct plan *plan,
                     const struct rig_axis *axis, const struct witness *witness,
                     const struct timeline_source *source, bool *done,
                     char reason[TIMELINE_REASON_SIZE], struct rig_err *err);

#endif
