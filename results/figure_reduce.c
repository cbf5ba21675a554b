/* SPDX-License-Identifier: GPL-3.0-or-later
 * A series cut down to what a plot can show: four points a column of pixels. */
#include "results/figure.h"

#include <math.h>
#include <stdlib.h>

static double lowest(const struct figure_series *series, size_t i)
{
    return series->low && isfinite(series->low[i]) ? fmin(series->low[i], series->y[i])
                                                   : series->y[i];
}

static double highest(const struct figure_series *series, size_t i)
{
    return series->high && isfinite(series->high[i]) ? fmax(series->high[i], series->y[i])
                                                     : series->y[i];
}

/* The points of one column that stay, in order; `kept` of them stand at the series' start. */
static size_t keep_column(struct figure_series *series, size_t from, size_t to, size_t kept)
{
    size_t low = from, high = from;
    for (size_t i = from; i < to; i++) {
        if (lowest(series, i) < lowest(series, low) || isnan(series->y[low]))
            low = i;
        if (highest(series, i) > highest(series, high) || isnan(series->y[high]))
            high = i;
    }
    size_t stay[4] = {from, low < high ? low : high, low < high ? high : low, to - 1};
    for (size_t k = 0; k < 4; k++) {
        if (k && stay[k] == stay[k - 1])
            continue;
        series->x[kept] = series->x[stay[k]];
        series->y[kept] = series->y[stay[k]];
        if (series->low)
            series->low[kept] = series->low[stay[k]];
        if (series->high)
            series->high[kept] = series->high[stay[k]];
        kept++;
    }
    return kept;
}

static double place(const struct figure *figure, double x)
{
    return figure->log_x ? log(x) : x;
}

static void reduce_series(const struct figure *figure, struct figure_series *series, size_t columns)
{
    double from = INFINITY, to = -INFINITY;
    if (series->count <= 4 * columns)
        return;
    for (size_t i = 0; i < series->count; i++) {
        double x = place(figure, series->x[i]);
        if (isfinite(x)) {
            from = fmin(from, x);
            to = fmax(to, x);
        }
    }
    double width = (to - from) / (double)columns;
    if (!(width > 0) || !isfinite(width))
        return; /* all on one spot: nothing to divide */
    size_t kept = 0, start = 0;
    double column = 0;
    for (size_t i = 0; i <= series->count; i++) {
        double at = 0;
        if (i < series->count) {
            /* What has no place stays with its neighbours. */
            double x = place(figure, series->x[i]);
            at = isfinite(x) ? fmin(floor((x - from) / width), (double)columns - 1) : column;
        }
        if (i == series->count || at != column) {
            if (i > start)
                kept = keep_column(series, start, i, kept);
            start = i;
            column = at;
        }
    }
    series->count = kept;
}

void figure_reduce(struct figure *figure, size_t columns)
{
    for (size_t s = 0; s < figure->series_count; s++) {
        struct figure_series *series = &figure->series[s];
        if (series->mark != FIGURE_BARS && series->mark != FIGURE_SPANS && columns > 0)
            reduce_series(figure, series, columns);
    }
}
