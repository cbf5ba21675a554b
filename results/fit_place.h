/* SPDX-License-Identifier: GPL-3.0-or-later
 * Private to results/fit*.c: rows placed in time by their board's own clock. */
#ifndef RESULTS_FIT_PLACE_H
#define RESULTS_FIT_PLACE_H

#include "results/recording.h"
#include "results/row_times.h"

struct fit_work;

/* Fills work->times[source] from a sample of its rows; without a clock, or one that is no use, it
 * places nothing. */
int fit_row_times(struct fit_work *work, size_t source, struct rig_err *err);

/* How late the rows of a source still are: anywhere within middle_s +- half_s. */
void fit_delay(const struct fit_work *work, size_t source, double *middle_s, double *half_s);

/* A collector that hands rows on to others, their times those at which they were sampled (and
 * their line's least delay had passed). */
struct fit_placing {
    const struct row_times *times;
    const struct row_collector *inner;
    size_t count;
};
struct row_collector fit_placed(struct fit_placing *placing);

#endif
