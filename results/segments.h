/* SPDX-License-Identifier: GPL-3.0-or-later
 * The fewest straight segments that stay within a band, all in whole numbers: the table
 * that goes into a board's firmware. Segments join: the table is one unbroken line, since a
 * jump in depth would kick the height controller. Its knots lie at whole readings and
 * have whole depths, and between them it is worked out in integers, rounded to the nearest
 * (halves up), exactly as the generated C does it. Pure. */
#ifndef RESULTS_SEGMENTS_H
#define RESULTS_SEGMENTS_H

#include "base/err.h"

#include <stddef.h>
#include <stdint.h>

enum {
    SEGMENTS_READING_LIMIT = 16384, /* readings in a band */
    SEGMENTS_LIMIT = 1024,          /* segments that are worth a table */
    SEGMENTS_DEPTH_LIMIT = 1 << 23  /* of a depth, either side of 0: 8 m in um */
};

/* At reading first + i the depth may be low[i] to high[i]. */
struct segments_band {
    int32_t first; /* |first| <= 2^30 */
    size_t n;      /* 2 to SEGMENTS_READING_LIMIT */
    const int32_t *low, *high;
    int direction; /* 1: depth grows with the reading, -1: it falls; strictly, knot by knot */
};

struct segments_knot {
    int32_t reading, depth;
};

struct segments {
    size_t count; /* of knots: one more than segments */
    struct segments_knot *knots;
};

/* The fewest that there are: no line of this kind with fewer segments stays in the band
 * (tests/unit/test_segments.c holds it against a search of all lines). limit: segments at
 * most, 0: SEGMENTS_LIMIT. Takes time in proportion to n times the readings that one or two
 * segments span.
 * RIG_EUNKNOWABLE: no line of so few segments stays in the band, or a reading has low above
 * high. RIG_EINPUT: a band out of range. RIG_EMEMORY. Untouched on error; the caller frees.
 * Method: docs/methods_compare.md. */
int segments_fewest(struct segments *segments, const struct segments_band *band, size_t limit,
                    struct rig_err *err);
void segments_free(struct segments *segments); /* zeroed or NULL allowed */

/* Depth at a reading; beyond the ends the depth of the end. */
int32_t segments_depth(const struct segments *segments, int32_t reading);
/* The way back: the reading of a depth along the same line. */
int32_t segments_reading(const struct segments *segments, int32_t depth);

#endif
