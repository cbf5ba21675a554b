/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "results/straightness.h"

#include "results/lsq.h"

#include <math.h>
#include <stdbool.h>
#include <stdlib.h>

/* The points about the lower end, so that offsets cost no digits. */
struct points {
    const double *depth, *reading;
    size_t n;
};

static double x_of(const struct points *points, size_t i)
{
    return points->depth[i] - points->depth[0];
}

static double y_of(const struct points *points, size_t i)
{
    return points->reading[i] - points->reading[0];
}

/* Largest and smallest y - slope x, and where. */
struct extremes {
    double top, bottom;
    size_t top_at, bottom_at;
};

static struct extremes extremes_of(const struct points *points, double slope)
{
    struct extremes found = {0};
    for (size_t i = 0; i < points->n; i++) {
        double off = y_of(points, i) - slope * x_of(points, i);
        if (off > found.top) {
            found.top = off;
            found.top_at = i;
        }
        if (off < found.bottom) {
            found.bottom = off;
            found.bottom_at = i;
        }
    }
    return found;
}

/* slope and offset are about the lower end. */
static struct straightness_line line_of(const struct points *points, double slope, double offset,
                                        double span)
{
    struct straightness_line line = {.slope = slope, .at = points->depth[0]};
    struct extremes found = extremes_of(points, slope);
    bool above = found.top - offset >= offset - found.bottom;
    line.error = above ? found.top - offset : offset - found.bottom;
    line.at = points->depth[above ? found.top_at : found.bottom_at];
    line.offset = points->reading[0] + offset - slope * points->depth[0];
    line.percent_span = 100 * line.error / span;
    return line;
}

/* Twice the area of the triangle a, b, c; above 0 when c lies left of a -> b. */
static double turn(const struct points *points, size_t a, size_t b, size_t c)
{
    return (x_of(points, b) - x_of(points, a)) * (y_of(points, c) - y_of(points, a)) -
           (y_of(points, b) - y_of(points, a)) * (x_of(points, c) - x_of(points, a));
}

/* Indices of the upper (side 1) or lower (side -1) hull from left to right. */
static size_t hull_of(const struct points *points, double side, size_t hull[])
{
    size_t count = 0;
    for (size_t i = 0; i < points->n; i++) {
        while (count > 1 && side * turn(points, hull[count - 2], hull[count - 1], i) >= 0)
            count--;
        hull[count++] = i;
    }
    return count;
}

static double slope_between(const struct points *points, size_t a, size_t b)
{
    return (y_of(points, b) - y_of(points, a)) / (x_of(points, b) - x_of(points, a));
}

/* The height of the strip that holds all points, max(y - s x) - min(y - s x), is convex
 * in its slope s and bends only where s is the slope of an edge of the hull. Turning s
 * from steepest down to steepest up, the upper touching point walks left and the lower one
 * right; the height is least where they pass one another. */
static double independent_slope(const struct points *points, const size_t upper[],
                                size_t upper_count, const size_t lower[], size_t lower_count)
{
    size_t top = upper_count - 1, bottom = 0;
    double slope = 0;
    while (upper[top] > lower[bottom]) {
        double from_top = top > 0 ? slope_between(points, upper[top - 1], upper[top]) : INFINITY;
        double from_bottom = bottom + 1 < lower_count
                                 ? slope_between(points, lower[bottom], lower[bottom + 1])
                                 : INFINITY;
        slope = fmin(from_top, from_bottom);
        if (from_top <= slope)
            top--;
        if (from_bottom <= slope)
            bottom++;
    }
    return slope;
}

/* The least largest deviation of a line through the lower end: where the largest
 * deviation above, which falls with the slope, meets the one below, which grows. Each
 * step makes the two touching points equal; where that leaves the bracket it is halved.
 * Once both touching points stay the same the slope is exact. */
static double zero_based_slope(const struct points *points)
{
    double low = INFINITY, high = -INFINITY;
    for (size_t i = 1; i < points->n; i++) {
        double slope = y_of(points, i) / x_of(points, i);
        low = fmin(low, slope);
        high = fmax(high, slope);
    }
    double slope = low / 2 + high / 2;
    for (int step = 0; step < 200 && low < high; step++) {
        struct extremes found = extremes_of(points, slope);
        if (found.top > -found.bottom)
            low = slope;
        else
            high = slope;
        double run = x_of(points, found.top_at) + x_of(points, found.bottom_at);
        double next =
            run > 0 ? (y_of(points, found.top_at) + y_of(points, found.bottom_at)) / run : slope;
        if (next == slope)
            break;
        slope = next > low && next < high ? next : low / 2 + high / 2;
    }
    return slope;
}

static double least_squares(const struct points *points, double *offset, struct rig_err *err)
{
    struct lsq sums;
    struct lsq_fit fit;
    *offset = NAN;
    if (lsq_start(&sums, 2, err))
        return NAN;
    double length = x_of(points, points->n - 1);
    for (size_t i = 0; i < points->n; i++)
        lsq_add(&sums, (double[]){1, x_of(points, i) / length}, y_of(points, i), 1);
    if (lsq_solve(&fit, &sums, LSQ_FROM_RESIDUALS, err))
        return NAN;
    *offset = fit.parameter[0];
    return fit.parameter[1] / length;
}

static int check(const double depth[], const double reading[], size_t n, double *span,
                 struct rig_err *err)
{
    if (n < 3)
        return rig_fail(err, RIG_EUNKNOWABLE,
                        "%zu depths; a straight line fits any two, so straightness needs three", n);
    double low = INFINITY, high = -INFINITY;
    for (size_t i = 0; i < n; i++) {
        if (!isfinite(depth[i]) || !isfinite(reading[i]))
            return rig_fail(err, RIG_EINPUT, "depth or reading %zu is not finite", i + 1);
        if (i > 0 && !(depth[i] > depth[i - 1]))
            return rig_fail(err, RIG_EINPUT, "depth %zu is not above the one before it", i + 1);
        low = fmin(low, reading[i]);
        high = fmax(high, reading[i]);
    }
    *span = high - low;
    if (!(*span > 0) || !isfinite(*span))
        return rig_fail(err, RIG_EUNKNOWABLE,
                        "the reading never changes, so there is no span to compare with");
    return RIG_OK;
}

int straightness_of(struct straightness *result, const double depth[], const double reading[],
                    size_t n, struct rig_err *err)
{
    double span = NAN, offset;
    int failed = check(depth, reading, n, &span, err);
    if (failed)
        return failed;
    struct points points = {depth, reading, n};
    size_t *upper = malloc(n * sizeof *upper), *lower = malloc(n * sizeof *lower);
    if (!upper || !lower) {
        free(upper);
        free(lower);
        return rig_fail_memory(err, "finding the straightest line");
    }
    size_t upper_count = hull_of(&points, 1, upper), lower_count = hull_of(&points, -1, lower);
    double slope = independent_slope(&points, upper, upper_count, lower, lower_count);
    free(upper);
    free(lower);
    struct straightness made = {.span = span};
    struct extremes found = extremes_of(&points, slope);
    made.independent = line_of(&points, slope, found.top / 2 + found.bottom / 2, span);
    made.zero_based = line_of(&points, zero_based_slope(&points), 0, span);
    made.terminal = line_of(&points, y_of(&points, n - 1) / x_of(&points, n - 1), 0, span);
    slope = least_squares(&points, &offset, err);
    if (isnan(slope))
        return RIG_EINPUT;
    made.least_squares = line_of(&points, slope, offset, span);
    /* Each line is allowed to be any of the later ones; rounding must not hide that. */
    if (made.zero_based.error > made.terminal.error)
        made.zero_based = made.terminal;
    if (made.independent.error > made.zero_based.error)
        made.independent = made.zero_based;
    if (made.independent.error > made.least_squares.error)
        made.independent = made.least_squares;
    *result = made;
    return RIG_OK;
}
