/* SPDX-License-Identifier: GPL-3.0-or-later
 * Do several roads lead to the same number? The mean lag from steps (area), ramps
 * (offset over speed) and sines (phase over angular frequency, drawn to zero frequency)
 * must agree within their uncertainties. Consistency by chi-squared and a weighted
 * mean (the usual analysis of intercomparisons: Cox, Metrologia 39 (2002) 589). Pure. */
#ifndef RESULTS_AGREE_H
#define RESULTS_AGREE_H

#include "base/err.h"
#include "results/sample.h"

#include <stdbool.h>
#include <stddef.h>

enum { AGREE_LIMIT = 8, AGREE_TEXT_SIZE = 256 };

struct agree_road {
    const char *name;      /* "step", "ramp", "sine": for the text, borrowed during the call */
    struct estimate value; /* u without what all roads share (clock tie, static curve);
                              value NaN: this road was not gone, and is passed over */
};

struct agreement {
    size_t roads;         /* with a value */
    struct estimate mean; /* weighted by 1/u^2; u contains shared_u, and is widened by
                             sqrt(chi2/dof) where the roads disagree */
    double chi_squared;   /* NaN with one road */
    double degrees_of_freedom;
    double p;            /* chance of so large a chi-squared if they agree; NaN with one road */
    bool agree;          /* p >= 0.01, or one road only (then nothing was tested) */
    size_t worst, other; /* the two roads furthest apart for their uncertainties */
    char text[AGREE_TEXT_SIZE]; /* one sentence for people; values in `unit` */
};

/* An uncertainty of few degrees of freedom counts for as much as Student's t spreads:
 * u^2 dof/(dof - 2); below 3 degrees it is taken as 3 u^2. unit for the text. shared_u: common to
 * all roads. Returns 0; RIG_EUNKNOWABLE: no road has a value; RIG_EBUG: more than
 * AGREE_LIMIT, or an uncertainty that is not above 0. */
int agree_check(struct agreement *agreement, const struct agree_road roads[], size_t n,
                double shared_u, const char *unit, struct rig_err *err);

#endif
