/* SPDX-License-Identifier: GPL-3.0-or-later
 * Where a figure's axes begin and end, and where their ticks stand. Pure. */
#ifndef RESULTS_FIGURE_FRAME_H
#define RESULTS_FIGURE_FRAME_H

#include "results/figure.h"

struct figure_frame {
    double x_low, x_high, y_low, y_high; /* always a range with some width */
    bool any;                            /* there is a point to draw at all */
};

/* All points and intervals with a margin; bars with the zero that they stand on; rows
 * whole. On a logarithmic axis only what is above 0 counts. */
struct figure_frame figure_frame_of(const struct figure *figure);

/* Width of a bar of this series: the least gap between its neighbours; 1 for a lone one. */
double figure_bar_width(const struct figure_series *series);

enum { FIGURE_TICK_LIMIT = 32 };
/* Ticks inside [low, high], `about` many: at 1, 2 or 5 times a power of ten; on a
 * logarithmic axis at those within each decade. Returns how many, at most
 * FIGURE_TICK_LIMIT. low < high. */
size_t figure_ticks(double low, double high, int about, bool logarithmic,
                    double ticks[FIGURE_TICK_LIMIT]);
/* Ticks of a calendar, at whole hours, days, weeks, months or years of UTC, and what each
 * says: "2026-04", "2026-04-12", "04-12 06:00". Seconds since 1970-01-01T00:00:00Z. */
size_t figure_date_ticks(double low, double high, int about, double ticks[FIGURE_TICK_LIMIT],
                         char texts[FIGURE_TICK_LIMIT][32]);
/* The tick's number with the decimals that tell it from its neighbours at `step`. */
void figure_tick_text(char buffer[32], double value, double step);

#endif
