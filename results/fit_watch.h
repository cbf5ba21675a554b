/* SPDX-License-Identifier: GPL-3.0-or-later
 * Private to results/fit*.c: what is wrong with rows and values. */
#ifndef RESULTS_FIT_WATCH_H
#define RESULTS_FIT_WATCH_H

#include "results/fit_parts.h"
#include "results/recording.h"
#include "results/row_watch.h"

/* Makes work->watches[index], and of it a collector of the rows as they arrived. */
int fit_watch_open(struct fit_work *work, size_t index, struct row_collector *collector,
                   struct rig_err *err);
/* Warns of what it saw, once all rows have been. */
void fit_watch_rows(struct fit_work *work, size_t index, const struct scan_report *report);
/* Warns of links' values that are missing or never change, and finds where the sensor's are
 * saturated; once all sources have been read. */
int fit_watch_values(struct fit_work *work, struct rig_err *err);
/* Takes out the sensor's points that are saturated; returns how many are left. */
size_t fit_unsaturated(const struct fit_work *work, struct digest_point points[], size_t count);

/* Whether some of a segment's points are: what looks at a whole response must leave it out, since
 * the points that are left are not left by chance. *saturates: set where it does. */
int fit_saturates(const struct fit_work *work, size_t segment, bool *saturates,
                  struct rig_err *err);

#endif
