/* SPDX-License-Identifier: GPL-3.0-or-later
 * A plan of any length as a drawing needs it: for each column of pixels the first,
 * smallest, largest and last value of the motion in it. Pure. */
#ifndef RIG_PLAN_OUTLINE_H
#define RIG_PLAN_OUTLINE_H

#include "base/err.h"
#include "motion/plan.h"

#include <stdbool.h>
#include <stddef.h>

struct plan_point {
    double t, value; /* s of the plan; mm or mm/s */
};

struct plan_column {
    bool any;
    struct plan_point first, low, high, last;
};

/* Depth and speed over [from_s, to_s) in `count` columns each, zeroed by the caller;
 * speed may be NULL. RIG_EMEMORY or 0. */
int plan_outline(const struct plan *plan, double from_s, double to_s, size_t count,
                 struct plan_column depth[], struct plan_column speed[], struct rig_err *err);

#endif
