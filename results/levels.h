/* SPDX-License-Identifier: GPL-3.0-or-later
 * A table of readings taken at steady depths, in order: by depth, by direction, by
 * cycle. From it the mean characteristic, hysteresis and repeatability. Pure.
 *
 * Rising: the water rose (or the board was lowered) to that depth; falling: the other
 * way. A cycle is one rising pass and the falling pass after it.
 *
 * Readings taken at the same nominal depth are compared there. Where the true depths
 * differ a little (10.19 rising, 10.07 falling) each reading is moved along the fitted
 * curve to their mean depth. */
#ifndef RESULTS_LEVELS_H
#define RESULTS_LEVELS_H

#include "base/err.h"

#include <stdbool.h>
#include <stddef.h>

enum level_direction { LEVEL_FALLING = -1, LEVEL_UNKNOWN = 0, LEVEL_RISING = 1 };

struct level_readings {
    size_t n;
    const double *depth, *reading; /* finite */
    const signed char *direction;  /* enum level_direction; NULL: not known */
    const size_t *cycle; /* from 0; NULL: told from the order, see levels_cycles_by_order */
};

struct level {
    double depth;
    double mean;            /* of rising and falling, each counted once */
    double rising, falling; /* means over passes; NaN: none */
    size_t rising_passes, falling_passes;
    double widest_pair; /* largest |rising - falling| within one cycle; NaN: no pair */
    double rising_spread, falling_spread; /* largest less smallest pass; NaN below two passes */
    double squares, degrees;              /* of passes about their mean, both directions */
};

struct levels {
    struct level *level; /* ascending depth */
    size_t count;
    bool moved; /* some readings were moved along the curve */
    size_t cycles;
};

/* Value of the curve at a depth; only differences over small distances are used. */
typedef double levels_curve(const void *curve, double depth);

/* curve NULL: depths must agree exactly (to 1e-9 of the range). With a direction and a
 * curve, depths belong together when they differ by less than a third of the smallest
 * step within a pass. RIG_EINPUT for n = 0, RIG_EMEMORY. The caller frees. */
int levels_of(struct levels *levels, const struct level_readings *readings, levels_curve *curve,
              const void *context, struct rig_err *err);
void levels_free(struct levels *levels); /* zeroed or NULL allowed */

/* Cycle of each row, from 0, told from the rows' order. Where the rows run up and down
 * again (each run of one direction goes that way, and some run has two depths), a new
 * cycle begins wherever the direction returns to that of the first row. Otherwise, as in
 * a table sorted by depth, the k-th time that a depth appears with a direction belongs to
 * the k-th cycle. Returns how many cycles, 0 for n = 0 or without memory. */
size_t levels_cycles_by_order(size_t cycle[], const double depth[], const signed char direction[],
                              size_t n);

/* A difference, where it is largest, and why there is none. */
struct levels_extent {
    double value; /* in the unit of the reading; NaN: none, then see reason */
    double percent_span;
    double at;          /* depth */
    const char *reason; /* static text, NULL when there is a value */
};

struct hysteresis {
    double span;                      /* largest less smallest mean */
    struct levels_extent within_pair; /* largest |rising - falling| of one cycle; 43 CFR 3175.135 */
    struct levels_extent of_means;    /* the same of the means over all cycles */
    struct levels_extent
        repeatability;            /* largest spread of passes from one side; 43 CFR 3175.135 */
    double pooled_sd, pooled_dof; /* of single passes about their mean; NaN, 0: none */
};

/* Fills everything; what the table can't tell has a reason. */
void hysteresis_of(struct hysteresis *result, const struct levels *levels);

#endif
