/* SPDX-License-Identifier: GPL-3.0-or-later
 * What moved while the same cycle of settled readings was repeated: the zero of the board,
 * its span, or the water. In cycle k a depth d reads
 *     y = a + z + (1 + g) (f(d + s) - a),
 * f the static curve, a the reading in air. z is the change of the zero (in readings), g that of
 * the span (relative), s that of the water (mm, > 0: deeper). A lift clear of the water
 * gives z alone; then readings at two depths give g and s, s being where the curve in the water
 * meets the reading in air. Without a lift, z and s look alike where f is nearly straight. Pure. */
#ifndef RESULTS_NIGHT_H
#define RESULTS_NIGHT_H

#include "base/err.h"

#include <stdbool.h>
#include <stddef.h>

enum { NIGHT_TEXT_SIZE = 200 };

/* One settled reading. Readings of one level come back cycle after cycle: the same depth,
 * reached the same way. What is constant for a level (hysteresis, a misfit of the curve) cancels.
 */
struct night_reading {
    size_t cycle, level; /* from 0 */
    double t_s, depth_mm;
    bool in_air;
    double reading, u; /* u > 0: of its mean by its rows' noise */
};

struct night_curve {
    double (*value)(const void *context, double depth_mm);
    double (*slope)(const void *context, double depth_mm);
    const void *context;
};

/* Against the mean of the night. NaN: not known in this cycle. */
struct night_cycle {
    double t_s; /* mean of its readings; NaN: it has none */
    double zero, zero_u;
    double span, span_u;
    double water_mm, water_u;
};

struct night {
    struct night_cycle *cycles; /* those that could be solved, in order of time */
    size_t *origin;             /* number of each in the readings */
    size_t count;
    double air;     /* mean reading in air; without one, the curve at 0 mm */
    bool has_air;   /* some cycles have a reading in air; only they are used then */
    bool zero_told; /* each of the three is told from the others */
    bool span_told, water_told;
    char zero_reason[NIGHT_TEXT_SIZE], span_reason[NIGHT_TEXT_SIZE], water_reason[NIGHT_TEXT_SIZE];
};

/* curve NULL: none, then readings in air alone count. Levels that come up in one cycle only
 * count for nothing. Standard uncertainties are those stated, times the scatter of the residuals
 * where that is larger. Where the three are not told apart, as many as can be are still
 * solved, the others 0, so that their sum is right in readings (see night_undone).
 * Only RIG_EMEMORY is an error; the caller frees with night_free. */
int night_solve(struct night *night, const struct night_curve *curve,
                const struct night_reading readings[], size_t n, size_t cycles, size_t levels,
                struct rig_err *err);
void night_free(struct night *night); /* zeroed allowed */

/* Change of all three at a time, by straight lines between the cycles, held beyond the
 * ends. 0 where not known. */
struct night_state {
    double zero, span, water_mm;
};
struct night_state night_at(const struct night *night, double t_s);

/* The reading as it would have been without the change. depth: the inverse of the curve. */
double night_undone(const struct night *night, struct night_state change,
                    const struct night_curve *curve,
                    double (*depth)(const void *context, double reading), double reading);

#endif
