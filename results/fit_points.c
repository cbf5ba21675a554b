/* SPDX-License-Identifier: GPL-3.0-or-later
 * Settled dwells: from the digest of a hold to one point of the static curve.
 * A point counts once its trend over the dwell is within its noise. */
#include "results/fit_points.h"

#include <math.h>
#include <stdlib.h>

enum { FIRST_SHARE_COUNT = 4 };

/* Weighted straight line through bins: slope and its standard uncertainty from the
 * rows' own noise. */
struct trend {
    double mean, slope, slope_u, row_variance, n, from_s, to_s;
};

static bool trend_of(struct trend *trend, const struct digest_point points[], size_t count,
                     double from_s)
{
    double n = 0, t_sum = 0, y_sum = 0, freedom = 0, within = 0;
    size_t used = 0;
    *trend = (struct trend){.from_s = INFINITY, .to_s = -INFINITY};
    for (size_t i = 0; i < count; i++) {
        if (points[i].t_s < from_s)
            continue;
        n += points[i].n;
        t_sum += points[i].n * points[i].t_s;
        y_sum += points[i].n * points[i].mean;
        within += (points[i].n - 1) * points[i].variance;
        freedom += points[i].n - 1;
        trend->from_s = fmin(trend->from_s, points[i].t_s);
        trend->to_s = fmax(trend->to_s, points[i].t_s);
        used++;
    }
    if (used < 3 || n < 6)
        return false;
    double t_mean = t_sum / n, y_mean = y_sum / n, tt = 0, ty = 0;
    for (size_t i = 0; i < count; i++)
        if (points[i].t_s >= from_s) {
            tt += points[i].n * (points[i].t_s - t_mean) * (points[i].t_s - t_mean);
            ty += points[i].n * (points[i].t_s - t_mean) * (points[i].mean - y_mean);
        }
    trend->mean = y_mean;
    trend->n = n;
    trend->slope = tt > 0 ? ty / tt : 0;
    double between = 0;
    for (size_t i = 0; i < count; i++)
        if (points[i].t_s >= from_s) {
            double off = points[i].mean - y_mean - trend->slope * (points[i].t_s - t_mean);
            between += points[i].n * off * off;
        }
    /* Within bins and between them about the line estimate one and the same noise. */
    trend->row_variance = (within + between) / (freedom + (double)used - 2);
    trend->slope_u = tt > 0 ? sqrt(trend->row_variance / tt) : INFINITY;
    return true;
}

bool fit_settled_mean(struct settled *settled, const struct digest_point points[], size_t count,
                      double duration_s)
{
    static const double first_share[FIRST_SHARE_COUNT] = {0.4, 0.55, 0.7, 0.8};
    struct trend trend;
    bool any = false;
    for (size_t i = 0; i < FIRST_SHARE_COUNT; i++) {
        if (!trend_of(&trend, points, count, first_share[i] * duration_s))
            break;
        any = true;
        double drift = fabs(trend.slope) * (trend.to_s - trend.from_s);
        double noise_of_mean = sqrt(trend.row_variance / trend.n);
        *settled = (struct settled){
            .mean = trend.mean,
            .row_sd = sqrt(trend.row_variance),
            .n = trend.n,
            .middle_s = (trend.from_s + trend.to_s) / 2,
            /* Twice its uncertainty, or less than the mean can show anyway. */
            .settled = fabs(trend.slope) <= 2 * trend.slope_u || drift <= noise_of_mean,
        };
        if (settled->settled)
            return true;
    }
    return any;
}
