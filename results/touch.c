/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "results/touch.h"

#include <math.h>

enum { LEAST_POINTS = 12, STEPS = 400, HALVINGS = 40 };
/* So many standard uncertainties must the slope be. */
static const double TOLD = 5;

struct broken_line {
    double squares, air, slope, slope_u;
};

/* Least squares for a given surface: a line in max(0, depth - surface). */
static struct broken_line line_at(const struct touch_point points[], size_t n, double surface_mm)
{
    double w = 0, x = 0, y = 0, xx = 0, xy = 0, yy = 0;
    for (size_t i = 0; i < n; i++) {
        double wet = fmax(0, points[i].depth_mm - surface_mm), weight = points[i].weight;
        w += weight;
        double dx = wet - x, dy = points[i].reading - y;
        x += weight / w * dx;
        y += weight / w * dy;
        xx += weight * dx * (wet - x);
        xy += weight * dx * (points[i].reading - y);
        yy += weight * dy * (points[i].reading - y);
    }
    struct broken_line line = {.squares = yy, .air = y};
    if (!(xx > 0))
        return line;
    line.slope = xy / xx;
    line.air = y - line.slope * x;
    line.squares = fmax(0, yy - line.slope * xy);
    line.slope_u = sqrt(line.squares / (double)(n - 3) / xx);
    return line;
}

/* Where the sum of squares has grown to `limit`, on the side of `far_mm`. */
static double edge_mm(const struct touch_point points[], size_t n, double best_mm, double far_mm,
                      double limit)
{
    double inside = best_mm, outside = far_mm;
    if (line_at(points, n, far_mm).squares < limit)
        return far_mm;
    for (int i = 0; i < HALVINGS; i++) {
        double middle = (inside + outside) / 2;
        if (line_at(points, n, middle).squares < limit)
            inside = middle;
        else
            outside = middle;
    }
    return inside;
}

int touch_find(struct touch_fit *fit, const struct touch_point points[], size_t n,
               struct rig_err *err)
{
    if (n < LEAST_POINTS || !(points[n - 1].depth_mm > points[0].depth_mm))
        return rig_fail(err, RIG_EUNKNOWABLE, "%zu readings are too few to find the surface by", n);
    double low = points[0].depth_mm, high = points[n - 3].depth_mm;
    double step = (high - low) / STEPS, best_mm = low;
    double least = INFINITY;
    for (int i = 0; i <= STEPS; i++) {
        double squares = line_at(points, n, low + i * step).squares;
        if (squares < least) {
            least = squares;
            best_mm = low + i * step;
        }
    }
    double left = fmax(low, best_mm - step), right = fmin(high, best_mm + step);
    for (int i = 0; i < 2 * HALVINGS; i++) { /* by thirds: one minimum between grid points */
        double a = left + (right - left) / 3, b = right - (right - left) / 3;
        if (line_at(points, n, a).squares < line_at(points, n, b).squares)
            right = b;
        else
            left = a;
    }
    best_mm = (left + right) / 2;
    struct broken_line line = line_at(points, n, best_mm);
    if (!(fabs(line.slope) > TOLD * line.slope_u))
        return rig_fail(err, RIG_EUNKNOWABLE,
                        "the reading does not change on the way from %.3g mm to %.3g mm: the water "
                        "lies lower, or the board does not feel it there",
                        low, points[n - 1].depth_mm);
    if (best_mm < low + 2 * step)
        return rig_fail(
            err, RIG_EUNKNOWABLE,
            "the reading changes from the beginning of the way at %.3g mm on: the water "
            "lies higher, or the board was still wet",
            low);
    double limit = line.squares * (1 + 1 / (double)(n - 3));
    double from = edge_mm(points, n, best_mm, low, limit);
    double to = edge_mm(points, n, best_mm, high, limit);
    *fit = (struct touch_fit){.surface_mm = best_mm,
                              .surface_u_mm = (to - from) / 2,
                              .air = line.air,
                              .slope = line.slope};
    return RIG_OK;
}
