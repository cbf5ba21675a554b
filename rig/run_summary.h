/* SPDX-License-Identifier: GPL-3.0-or-later
 * Whether what a run leaves behind is usable, and why: for the last lines of `run` and
 * for run.json. Pure. */
#ifndef RIG_RUN_SUMMARY_H
#define RIG_RUN_SUMMARY_H

#include "rig/bench_loop.h"

enum usable {
    USABLE_NO,      /* no stroke was measured whole, or nothing was read */
    USABLE_IN_PART, /* what is there can be fitted; something is missing */
    USABLE_YES
};

struct run_summary {
    enum usable usable;
    const char *word; /* "yes", "in part", "no" */
    size_t reason_count;
    char reasons[12][160]; /* sentences without a full stop, the gravest first */
};

/* A pause of a source counts as a gap when it is longer than a second and than five of the
 * source's usual intervals, while strokes were being run. Gaps above a hundredth of the
 * measuring time, lost rows and strokes without an end make a run usable in part only
 * (common practice, no source). */
void run_summary_make(struct run_summary *summary, const struct bench_end *end);
/* As one object of JSON (docs/formats_recording.md); the caller frees. NULL: no memory. */
char *run_summary_json(const struct run_summary *summary, const struct bench_end *end);

#endif
