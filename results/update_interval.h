/* SPDX-License-Identifier: GPL-3.0-or-later
 * How often a digital link really renews its value. Between updates it holds the last
 * one exactly, however often it sends it: the instants at which a channel changes sit on a comb
 * whose period is the update interval. Pure. */
#ifndef RESULTS_UPDATE_INTERVAL_H
#define RESULTS_UPDATE_INTERVAL_H

#include "base/err.h"
#include "results/sample.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum { UPDATE_CHANGES = 16384 };

/* The first changes of a channel, gathered row by row; about 256 KiB. Zero-initialise. */
struct update_changes {
    uint64_t rows; /* seen, those without a value left out */
    double first_value, last_value, first_t_s;
    size_t count; /* of changes kept, UPDATE_CHANGES at most: the first ones */
    double t_s[UPDATE_CHANGES];
    uint64_t row[UPDATE_CHANGES]; /* number of the row that brought the change */
};

/* Rows in order of time; NaN is passed over. */
void update_changes_add(struct update_changes *changes, const double t_s[], const double values[],
                        size_t rows);
/* Adds what follows; `next` is empty then. */
void update_changes_merge(struct update_changes *changes, struct update_changes *next);

struct update_interval {
    struct estimate interval_s;
    bool each_line;        /* renewed with each line that it sends, or oftener */
    double repeated_share; /* of the rows between changes: those that only repeat, 0 to 1 */
    size_t changes;
};

/* row_interval_s: usual distance of rows. RIG_EUNKNOWABLE with the reason: too few changes, or
 * changes that sit on no comb. */
int update_interval_of(struct update_interval *update, const struct update_changes *changes,
                       double row_interval_s, struct rig_err *err);

#endif
