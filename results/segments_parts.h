/* SPDX-License-Identifier: GPL-3.0-or-later
 * What the two halves of the search share. Private to results/segments*.c.
 *
 * Places are counted from 0 along the band. Depths are scaled by 2 x n where they meet a
 * line, so that "rounds to at most high" becomes a closed bound in whole numbers: a line
 * between knots d <= n places apart takes multiples of 1/(2 d) only, hence 2 line < 2 high
 * + 1 is the same as 2 n line <= n (2 high + 1) - 1. With the limits in segments.h all
 * products stay below 2^60. */
#ifndef RESULTS_SEGMENTS_PARTS_H
#define RESULTS_SEGMENTS_PARTS_H

#include "results/segments.h"

#include <stdbool.h>

/* Whole depths at a place; low > high: none. */
struct segments_reach {
    int32_t low, high;
};

struct segments_work {
    const struct segments_band *band;
    int64_t n; /* as in the band, and the scale */
    /* reach[k][x]: no line of at most k segments ends at place x outside it. */
    struct segments_reach *reach[SEGMENTS_LIMIT + 1];
    size_t levels;
};

static inline int64_t segments_least(const struct segments_work *work, int64_t place)
{
    return work->n * (2 * (int64_t)work->band->low[place] - 1);
}

static inline int64_t segments_most(const struct segments_work *work, int64_t place)
{
    return work->n * (2 * (int64_t)work->band->high[place] + 1) - 1;
}

static inline int64_t segments_scaled(const struct segments_work *work, int32_t depth)
{
    return 2 * work->n * depth;
}

/* Rounded down, for a divisor > 0. */
static inline int64_t segments_floor(int64_t dividend, int64_t divisor)
{
    int64_t quotient = dividend / divisor;
    return quotient - (dividend % divisor < 0);
}

static inline int64_t segments_ceiling(int64_t dividend, int64_t divisor)
{
    return -segments_floor(-dividend, divisor);
}

/* A line that has exactly `count` segments, by going back from the end through what can be
 * reached; every possibility is tried before it says that there is none. knots: count + 1.
 * *found says whether. RIG_EMEMORY. */
int segments_trace(const struct segments_work *work, size_t count, struct segments_knot knots[],
                   bool *found, struct rig_err *err);

#endif
