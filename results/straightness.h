/* SPDX-License-Identifier: GPL-3.0-or-later
 * How straight a characteristic is, by the four usual lines (terms of ISA-51.1 and
 * IEC 61298-2). Exact: the largest deviations are minimised over the convex hull, not
 * searched for. Pure. */
#ifndef RESULTS_STRAIGHTNESS_H
#define RESULTS_STRAIGHTNESS_H

#include "base/err.h"

#include <stddef.h>

struct straightness_line {
    double slope, offset; /* reading = offset + slope x depth */
    double error;         /* largest |reading - line|, in the unit of the reading */
    double percent_span;  /* 100 error / span */
    double at;            /* depth of that deviation */
};

struct straightness {
    double span;                          /* largest less smallest reading */
    struct straightness_line independent; /* free line, largest deviation least */
    struct straightness_line zero_based;  /* through the lower end, largest deviation least */
    struct straightness_line terminal;    /* through both ends */
    struct straightness_line least_squares;
};

/* depth[n] strictly ascending, reading[n] the mean of rising and falling there (see
 * results/levels.h). Always independent <= zero_based <= terminal, and independent
 * <= least_squares. RIG_EUNKNOWABLE: fewer than three depths (a line fits any two), a reading
 * that never changes. RIG_EINPUT: not finite, not ascending. `result` is untouched on
 * error. */
int straightness_of(struct straightness *result, const double depth[], const double reading[],
                    size_t n, struct rig_err *err);

#endif
