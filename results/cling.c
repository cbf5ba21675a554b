/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "results/cling.h"

#include <gsl/gsl_cdf.h>
#include <math.h>
#include <stdbool.h>

enum { POWERS = 161, SCATTERS = 12, SPEEDS_LEAST = 4, PAIRS_LEAST = 6 };
static const double same_speed = 0.02, step = 0.01;

/* Weighted straight line of the cling over x = (v / v1)^p. */
struct line {
    double squares; /* weighted, about the line */
    double flat;    /* about the mean alone */
    double likelihood;
};

/* ratio: standard deviation at speed v is as sqrt(1 + (ratio v / v1)^2). */
static struct line line_of(const struct cling_pair pairs[], size_t n, double v1, double power,
                           double ratio)
{
    double w = 0, wx = 0, wy = 0, xx = 0, xy = 0, yy = 0, log_weights = 0;
    for (size_t i = 0; i < n; i++) {
        double speed = pairs[i].speed_mm_s / v1, weight = 1 / (1 + ratio * ratio * speed * speed);
        w += weight;
        wx += weight * pow(speed, power);
        wy += weight * pairs[i].cling_mm;
        log_weights += log(weight);
    }
    for (size_t i = 0; i < n; i++) {
        double speed = pairs[i].speed_mm_s / v1, weight = 1 / (1 + ratio * ratio * speed * speed);
        double x = pow(speed, power) - wx / w, y = pairs[i].cling_mm - wy / w;
        xx += weight * x * x;
        xy += weight * x * y;
        yy += weight * y * y;
    }
    /* Cling without any scatter at all: rounding is left. */
    double squares = fmax(yy - xy * xy / xx, 1e-24 * yy);
    return (struct line){
        .squares = squares,
        .flat = yy,
        .likelihood =
            (log_weights - log(w) - log(xx) - (double)(n - 2) * log(fmax(squares, 1e-300))) / 2};
}

static size_t count_speeds(const struct cling_pair pairs[], size_t n)
{
    size_t speeds = 0;
    for (size_t i = 0; i < n; i++) {
        bool again = false;
        for (size_t k = 0; k < i && !again; k++)
            again = fabs(pairs[k].speed_mm_s / pairs[i].speed_mm_s - 1) < same_speed;
        speeds += !again;
    }
    return speeds;
}

/* Quantile of a density given at even steps from CLING_POWER_LOW. */
static double quantile(const double density[POWERS], double total, double share)
{
    double sum = 0;
    for (size_t i = 0; i < POWERS; i++) {
        if (sum + density[i] >= share * total)
            return CLING_POWER_LOW + step * ((double)i - 0.5 + (share * total - sum) / density[i]);
        sum += density[i];
    }
    return CLING_POWER_HIGH;
}

int cling_power_of(struct cling_power *result, const struct cling_pair pairs[], size_t n,
                   struct rig_err *err)
{
    double v1 = 0;
    for (size_t i = 0; i < n; i++) {
        if (!isfinite(pairs[i].speed_mm_s) || !isfinite(pairs[i].cling_mm) ||
            !(pairs[i].speed_mm_s > 0))
            return rig_fail(err, RIG_EINPUT, "pair %zu has no speed above 0 and finite cling",
                            i + 1);
        v1 += pairs[i].speed_mm_s / (double)n;
    }
    size_t speeds = count_speeds(pairs, n);
    if (speeds < SPEEDS_LEAST || n < PAIRS_LEAST)
        return rig_fail(err, RIG_EUNKNOWABLE,
                        "a power takes pairs of ramps at %d speeds and %d pairs in all; there are "
                        "%zu and %zu",
                        SPEEDS_LEAST, PAIRS_LEAST, speeds, n);
    double likelihood[POWERS][SCATTERS], best = -INFINITY, density[POWERS], total = 0,
                                         grows = INFINITY;
    for (size_t i = 0; i < POWERS; i++)
        for (size_t k = 0; k < SCATTERS; k++) {
            double ratio = k ? 0.05 * pow(2, (double)k - 1) : 0;
            struct line line = line_of(pairs, n, v1, CLING_POWER_LOW + step * (double)i, ratio);
            likelihood[i][k] = line.likelihood;
            if (line.likelihood > best) {
                best = line.likelihood;
                double f = (line.flat - line.squares) * (double)(n - 2) / line.squares;
                grows = gsl_cdf_fdist_Q(f, 1, (double)(n - 2));
            }
        }
    if (!(grows < 0.01))
        return rig_fail(err, RIG_EUNKNOWABLE,
                        "what clings does not change with speed by more than it scatters");
    for (size_t i = 0; i < POWERS; i++) {
        density[i] = 0;
        for (size_t k = 0; k < SCATTERS; k++)
            density[i] += exp(likelihood[i][k] - best);
        total += density[i];
    }
    double low = quantile(density, total, 0.025), high = quantile(density, total, 0.975);
    if (low < CLING_POWER_LOW + 5 * step || high > CLING_POWER_HIGH - 5 * step)
        return rig_fail(err, RIG_EUNKNOWABLE,
                        "the passes leave the power open, %s%.2g and %s%.2g; more speeds, farther "
                        "apart, narrow it down",
                        low < CLING_POWER_LOW + 5 * step ? "below " : "between ", low,
                        high > CLING_POWER_HIGH - 5 * step ? "above " : "", high);
    *result = (struct cling_power){.power = quantile(density, total, 0.5),
                                   .low = low,
                                   .high = high,
                                   .speeds = speeds,
                                   .pairs = n};
    return RIG_OK;
}
