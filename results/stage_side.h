/* SPDX-License-Identifier: GPL-3.0-or-later
 * On which side of the drive's play the stage lies, along a plan: it follows the motor by half
 * the play behind, once the motor has used the play up after a turn. Pure, fixed memory. */
#ifndef RESULTS_STAGE_SIDE_H
#define RESULTS_STAGE_SIDE_H

#include "motion/plan.h"

enum { STAGE_SIDE_PIECES = 64 };

struct stage_side {
    const struct plan *plan;
    double band_mm; /* no play is wider than this */
    double at_s, middle_mm;
    int side;
};

/* band_mm > 0. plan is borrowed. */
void stage_side_begin(struct stage_side *walk, const struct plan *plan, double band_mm);

/* +1: the stage was last pushed deeper, by more than the band; -1: last pulled up; 0: not
 * known, as before the first move and soon after a turn. plan_s finite; asked at times that
 * never go back (an earlier one is answered as the latest). */
int stage_side_at(struct stage_side *walk, double plan_s);

#endif
