/* SPDX-License-Identifier: GPL-3.0-or-later
 * From a recording of strokes at several speeds to what a sync file holds. */
#ifndef RESULTS_SYNC_MEASURE_H
#define RESULTS_SYNC_MEASURE_H

#include "motion/syncfile.h"
#include "results/recording.h"
#include "results/result.h"

/* Fits the recording and takes from it what belongs to the axis and the clocks: into *sync, all
 * but its texts, and into *results (zeroed by the caller, who frees it also after an error) with
 * intervals, or reasons: start_delay, start_delay_spread, backlash, axis_clock_skew,
 * clock_skew_SOURCE. tied: by what the clocks were tied. */
int sync_measure(struct sync *sync, struct result_list *results, char tied[RESULT_TEXT_SIZE],
                 const struct recording *recording, struct rig_err *err);

#endif
