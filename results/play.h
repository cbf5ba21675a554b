/* SPDX-License-Identifier: GPL-3.0-or-later
 * Play between water and reading: hysteresis at rest as the reading follows it. After a
 * turn the water has to move by the play's width before the reading moves at all; that
 * is neither dead time nor lag. What loops at rest have shown is taken out of the
 * motion that steps and sines are fitted to. Pure. */
#ifndef RESULTS_PLAY_H
#define RESULTS_PLAY_H

#include "motion/plan.h"

#include <stddef.h>

/* One sample after another: the middle of the play, for a depth of now. played_mm: before;
 * within width_mm / 2 of the depth then. Backlash operator (Krasnosel'skii and Pokrovskii,
 * Systems with Hysteresis, 1989, chapter 2; from memory). */
double play_follow_mm(double played_mm, double depth_mm, double width_mm);

/* A move one way, as pieces in order of time, becomes what lies behind the play: rest until
 * the play is taken up, then the move less half the width. direction: +1 or -1, of the
 * move; before: that of the motion that led to *settled_mm, 0 when not known, which counts as
 * a turn. Changes pieces and *settled_mm in place; returns how many pieces are left, 0 where
 * the move is shorter than the play. width_mm >= 0. */
size_t play_take_up(struct motion_piece pieces[], size_t count, double *settled_mm, int direction,
                    int before, double width_mm);

#endif
