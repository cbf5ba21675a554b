/* SPDX-License-Identifier: GPL-3.0-or-later
 * In the place of recording_layout.h on processors for which there are no layouts: each
 * line is read digit by digit. Private to recording_parse.c. */
#ifndef RESULTS_RECORDING_LAYOUT_NONE_H
#define RESULTS_RECORDING_LAYOUT_NONE_H

#include "results/recording_cell.h"

enum { LAYOUT_REACH = 1 };

struct cell_column {
    unsigned lessons;
};

static inline void cell_column_open(struct cell_column *column, bool last)
{
    (void)last;
    column->lessons = 0;
}

static inline const char *line_by_layouts(struct cell_column columns[], size_t count,
                                          const char *at, double *cells)
{
    (void)columns;
    return line_by_digits(count, at, cells);
}

#endif
