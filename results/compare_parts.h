/* SPDX-License-Identifier: GPL-3.0-or-later
 * What the parts of a comparison share. Private to results/compare*.c. */
#ifndef RESULTS_COMPARE_PARTS_H
#define RESULTS_COMPARE_PARTS_H

#include "results/compare.h"
#include "results/sample.h"

/* How a quantity's passes are paired. */
enum compare_pairing { PAIR_NOTHING, PAIR_WIDTHS, PAIR_RAMPS, PAIR_STEPS };

enum compare_of_ramps { RAMPS_RISING, RAMPS_FALLING, RAMPS_DIFFERENCE };

/* The difference of a quantity from what its passes differ by, segment by segment; its u holds
 * the passes' scatter and nothing else. *pairs: how many. Value NaN: they don't tell. */
struct estimate compare_ramps(const struct fit *before, const struct fit *after,
                              enum compare_of_ramps which, size_t *pairs);
struct estimate compare_widths(const struct fit *before, const struct fit *after, size_t *pairs);
/* name: of the result, "step_lag_rising". */
struct estimate compare_steps(const struct fit *before, const struct fit *after, const char *name,
                              size_t *pairs);

#endif
