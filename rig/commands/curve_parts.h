/* SPDX-License-Identifier: GPL-3.0-or-later
 * What the parts of wetsweep curve share. */
#ifndef RIG_CURVE_PARTS_H
#define RIG_CURVE_PARTS_H

#include "results/curve.h"
#include "rig/firmware_files.h"
#include "rig/points.h"

struct curve_wish {
    const char *points;          /* NULL: recordings instead */
    const char *const *folders;  /* of recordings */
    size_t folder_count;         /* 0: from the ledger */
    const char *ledger;          /* NULL: not asked */
    const char *board, *coating; /* which of the ledger; NULL: any */
    const char *page;            /* NULL: none */
    struct points_columns columns;
    double common_depth_u, common_reading_u;
    struct curve_options options;
    double depth_of, reading_at, u; /* NaN: not asked */
    bool json;
    /* the firmware table */
    enum firmware_form form;
    struct firmware_options table;
    const char *name, *out, *revision; /* NULL: not given */
};

/* Makes the table of a curve and writes it as the wish says. facts: all but the name. */
int curve_table(const struct curve *curve, const struct curve_wish *wish,
                struct firmware_facts *facts, struct rig_err *err);

/* One board's curve, or one for all boards of a revision. */
int curve_of_recordings(const struct curve_wish *wish, struct rig_err *err);
int curve_of_points(const struct curve_wish *wish, struct rig_err *err);

#endif
