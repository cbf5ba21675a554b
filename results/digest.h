/* SPDX-License-Identifier: GPL-3.0-or-later
 * A recording of any length reduced, row by row, to sums in time bins: for every
 * segment that was run, for every channel. What the estimators then see no longer
 * grows with the number of rows, and two digests of two halves of a file add up to
 * the digest of the whole. Pure: rows in, sums out.
 *
 * Bins by kind of segment (all counted from the segment's start on the plan's clock):
 *   moves     uniform
 *   holds     as fine as a row or 10 ms at first, then growing by 3 %, so that a
 *             response that follows a step is seen in full and a long hold stays small; in
 *             holds of DIGEST_EVEN_FROM_S or longer never wider than a 256th of it, so
 *             that most of the hold is a series of even means
 *   sines     uniform in phase, in up to DIGEST_SINE_GROUPS groups of cycles that lie on top of
 *             one another; those of the first DIGEST_SETTLE_S are left out, but never more
 *             than half
 *   lead, park  none */
#ifndef RESULTS_DIGEST_H
#define RESULTS_DIGEST_H

#include "base/err.h"
#include "motion/plan.h"
#include "results/timeline.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum {
    DIGEST_SINE_BINS = 128, /* of a group */
    DIGEST_SINE_GROUPS = 4,
    DIGEST_MOVE_BINS = 128,
    DIGEST_HOLD_BINS = 512,
    DIGEST_EVEN_BINS = 256,
    DIGEST_FOLLOW_BINS = 2048
};

#define DIGEST_EVEN_FROM_S 60.0
#define DIGEST_SETTLE_S 2.0

/* How many of a sine's cycles are left out while the response settles. */
double digest_skipped_cycles(double duration_s, double frequency_hz);

struct digest;

/* plan and timeline are not kept. row_interval_s: the source's usual distance of rows, or
 * NaN. late_s: how late its rows are stamped, taken off their times. memory_limit bytes bounds the
 * bins: where they would not fit they become coarser, all alike. Memory is taken bin by bin as rows
 * come. NULL on error. */
struct digest *digest_open(const struct plan *plan, const struct timeline *timeline,
                           size_t channels, double row_interval_s, double late_s,
                           size_t memory_limit, struct rig_err *err);
/* An empty digest with the same bins, for some of the rows, to be merged into `whole`, which
 * must outlive it. Parts may be filled by several threads at the same time, and while
 * another is merged. NULL: no memory. */
struct digest *digest_open_part(const struct digest *whole, struct rig_err *err);
void digest_free(struct digest *digest);

/* Adds rows: host time (s since the run's start, NaN rows are passed over) and one column
 * a channel, NaN for none. Fast when times grow; any order is right. 0 or RIG_EMEMORY. */
int digest_add_rows(struct digest *digest, const double host_s[], const double *const channels[],
                    size_t rows, struct rig_err *err);

/* True when a part has taken about a megabyte, and is better merged before it goes on. */
bool digest_full(const struct digest *part);

/* Moves the sums of `from` into `into`; they are digests of the same bins. `from` is empty
 * then. The result depends on the order of merges in the last digits only. */
void digest_merge(struct digest *into, struct digest *from);

/* Rows that fell into a bin, and into none (lead, park, unknown strokes, pauses). */
uint64_t digest_rows_used(const struct digest *digest);
uint64_t digest_rows_unused(const struct digest *digest);
/* Of those in a bin: without a value of this channel. */
uint64_t digest_rows_missing(const struct digest *digest, size_t channel);

struct digest_point {
    double t_s; /* mean time of its rows since the segment's start; of a sine: within the cycle */
    double cycle_s;  /* of a sine: since the segment's start to the middle one of the cycles that
                        lie on top of one another; else 0 */
    double width_s;  /* of the bin */
    double mean;     /* of the channel */
    double variance; /* of single rows within the bin (n - 1); 0 for n < 2 */
    double n;
};

/* Room that digest_points needs for this segment. */
size_t digest_bin_count(const struct digest *digest, size_t segment);
/* The non-empty bins of a segment in order of time, t_s + cycle_s. Returns how many. */
size_t digest_points(const struct digest *digest, size_t segment, size_t channel,
                     struct digest_point points[]);
/* How many bins hold nothing but the highest (side +1; -1: lowest) mean that any bin of the channel
 * has: rows of one value, without noise. *level: that mean. */
size_t digest_flat_bins(const struct digest *digest, size_t channel, int side, double *level);
/* True when the segment was run at all, with its host window. */
bool digest_window(const struct digest *digest, size_t segment, double *host_start_s,
                   double *host_end_s);

#endif
