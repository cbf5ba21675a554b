/* SPDX-License-Identifier: GPL-3.0-or-later
 * One link of the chain against the link before it: both signals as depth, each by its own
 * static curve, so that neither scales nor zeros enter, nor the axis' clock. Pure. */
#ifndef RESULTS_LINKS_H
#define RESULTS_LINKS_H

#include "base/err.h"
#include "results/sample.h"
#include "results/step.h"

#include <stddef.h>

/* The answer of a link to what the link before it did around one step: its input is drawn
 * straight through the means of `before`. Both in order of time, on one clock; what lies
 * before the first one counts as settled. As step_estimate; RIG_EUNKNOWABLE too where one has fewer
 * than four means. */
int link_step(struct step_fit *fit, const struct sample before[], size_t before_count,
              const struct sample after[], size_t after_count, struct rig_err *err);

struct link_rate {
    double most_mm_s, input_mm_s; /* fastest change of the link, and of the one before it */
    double share;                 /* of its way that it made within 10 % of that */
};
/* Over one step; rates between means window_s apart or more, which is longer than the
 * link's update interval. Zeros where there are too few. */
struct link_rate link_rate_of(const struct sample before[], size_t before_count,
                              const struct sample after[], size_t after_count, double window_s);

#endif
