/* SPDX-License-Identifier: GPL-3.0-or-later
 * A table of calibration points that people bring (docs/formats.md): bytes in, columns
 * out, each mistake with its place. Opens nothing. */
#ifndef RIG_POINTS_H
#define RIG_POINTS_H

#include "base/err.h"
#include "base/table.h"
#include "results/curve.h"

#include <stddef.h>

/* Headers to use; NULL: the usual ones. */
struct points_columns {
    const char *depth, *reading;     /* usual: "depth_mm" or "depth"; "reading" */
    const char *depth_u, *reading_u; /* usual: "depth_u", "reading_u" where they are there */
};

struct points {
    struct table table; /* for names and places */
    size_t depth_column, reading_column;
    double *depth, *reading;
    double *depth_u, *reading_u; /* NULL: no such column */
    signed char *direction;      /* enum level_direction; NULL: no such column */
    size_t *cycle, cycles;       /* NULL, 0: no such column */
};

/* RIG_EINPUT with "NAME:LINE:COLUMN: ..." for a column that is missing (with the nearest
 * name), a cell that is no number, an uncertainty that isn't above 0, an unknown direction,
 * fewer than two rows, depths all equal. On success the caller frees; on error nothing
 * is kept. bytes are not kept. */
int points_read(struct points *points, const char *name, const char *bytes, size_t size,
                const struct points_columns *columns, struct rig_err *err);
void points_free(struct points *points); /* zeroed or NULL allowed */

/* Borrowed view for the fit. */
struct curve_points points_view(const struct points *points);

#endif
