/* SPDX-License-Identifier: GPL-3.0-or-later
 * Dead band: the range through which the depth may go back after a turn without the reading
 * following (ISA-51.1; IEC 61298-2). Told from hysteresis, which is how wide the loop gets when
 * the depth goes far back: only reversals about as small as the dead band count. Pure. */
#ifndef RESULTS_DEAD_BAND_H
#define RESULTS_DEAD_BAND_H

#include "base/err.h"

#include <stddef.h>

/* One turn of the depth, and how the reading followed. */
struct reversal {
    double back_mm;  /* >= 0: how far the depth went back */
    double moved_mm; /* how far the depth by the reading followed, > 0 the same way */
    double u_mm;     /* > 0: standard uncertainty of moved_mm by the readings' noise */
};

struct dead_band {
    double mm, u_mm, dof;
    size_t small, stuck; /* reversals that count; of those, that did not move the reading */
};

/* A reversal counts when the reading followed by less than half of it: then most of it was
 * taken up by the dead band. Value: moved = max(0, back - D) by weighted least squares over
 * those that count; u by the larger of stated noise and scatter. Where no reversal that counts
 * moved the reading (by twice its u), D lies between the largest of them and the smallest
 * reversal that did: the middle, as a rectangle.
 * RIG_EUNKNOWABLE with a reason that says what is known: no reversal at all, none small
 * enough. RIG_EINPUT: not finite. */
int dead_band_of(struct dead_band *result, const struct reversal reversals[], size_t n,
                 struct rig_err *err);

#endif
