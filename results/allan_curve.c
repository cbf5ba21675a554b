/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "results/allan_curve.h"

#include "results/allan.h"

#include <gsl/gsl_cdf.h>
#include <math.h>
#include <stdbool.h>

enum noise { WHITE, FLICKER, RANDOM_WALK };

/* Of the overlapping Allan variance; n: values of the series, so n + 1 phases. */
static double freedom_of(enum noise noise, double n, double m)
{
    double phases = n + 1;
    switch (noise) {
    case WHITE:
        return (3 * (phases - 1) / (2 * m) - 2 * (phases - 2) / phases) * 4 * m * m /
               (4 * m * m + 5);
    case FLICKER:
        if (m < 2)
            return 2 * (phases - 2) * (phases - 2) / (2.3 * phases - 4.9);
        return 5 * phases * phases / (4 * m * (phases + 3 * m));
    case RANDOM_WALK:
        break;
    }
    return (phases - 2) / m * ((phases - 1) * (phases - 1) - 3 * m * (phases - 1) + 4 * m * m) /
           ((phases - 3) * (phases - 3));
}

/* By the slope of the curve about a point, in decades a decade. */
static enum noise noise_at(const struct allan_point points[], size_t count, size_t i)
{
    size_t a = i > 0 ? i - 1 : i, b = i + 1 < count ? i + 1 : i;
    if (a == b)
        return FLICKER;
    double slope =
        log(points[b].deviation / points[a].deviation) / log(points[b].tau_s / points[a].tau_s);
    return slope < -0.25 ? WHITE : slope > 0.25 ? RANDOM_WALK : FLICKER;
}

static int variance_of(double *variance, const struct allan_series series[], size_t series_count,
                       size_t m, double tau0_s, struct rig_err *err)
{
    double sum = 0, terms = 0;
    for (size_t i = 0; i < series_count; i++) {
        double deviation;
        size_t used;
        int code = allan_deviation(&deviation, &used, ALLAN_OADEV, series[i].y, series[i].n, m,
                                   tau0_s, err);
        if (code)
            return code;
        sum += (double)used * deviation * deviation;
        terms += (double)used;
    }
    *variance = sum / terms;
    return RIG_OK;
}

int allan_curve_of(struct allan_point points[], size_t *count, const struct allan_series series[],
                   size_t series_count, double tau0_s, struct rig_err *err)
{
    size_t shortest = series_count ? series[0].n : 0, made = 0;
    for (size_t i = 1; i < series_count; i++)
        shortest = series[i].n < shortest ? series[i].n : shortest;
    if (shortest < ALLAN_CURVE_LEAST)
        return rig_fail(err, RIG_EUNKNOWABLE,
                        "an Allan deviation takes %d means one after another, and there are %zu",
                        ALLAN_CURVE_LEAST, shortest);
    for (size_t m = 1, step = 1; 4 * m <= shortest && made < ALLAN_CURVE_LIMIT; m += step) {
        double variance;
        int code = variance_of(&variance, series, series_count, m, tau0_s, err);
        if (code)
            return code;
        /* Readings that never change by a step have none. */
        points[made++] = (struct allan_point){.tau_s = (double)m * tau0_s,
                                              .deviation = fmax(sqrt(variance), 1e-300)};
        if (m >= 4 && (m & (m - 1)) == 0) /* 4, 6, 8, 12, 16, 24 */
            step = m / 2;
        else if (m < 4)
            step = 1;
    }
    for (size_t i = 0; i < made; i++) {
        struct allan_point *point = &points[i];
        enum noise noise = noise_at(points, made, i);
        for (size_t k = 0; k < series_count; k++)
            point->edf += fmax(freedom_of(noise, (double)series[k].n, point->tau_s / tau0_s), 1);
        point->low = point->deviation * sqrt(point->edf / gsl_cdf_chisq_Pinv(0.975, point->edf));
        point->high = point->deviation * sqrt(point->edf / gsl_cdf_chisq_Pinv(0.025, point->edf));
    }
    *count = made;
    return RIG_OK;
}

int allan_curve_least(size_t *least, const struct allan_point points[], size_t count,
                      const char *unit, struct rig_err *err)
{
    size_t at = 0;
    if (count == 0)
        return rig_fail(err, RIG_EUNKNOWABLE, "there is no Allan deviation");
    for (size_t i = 1; i < count; i++)
        if (points[i].deviation < points[at].deviation)
            at = i;
    const struct allan_point *found = &points[at], *last = &points[count - 1];
    if (at == count - 1)
        return rig_fail(err, RIG_EUNKNOWABLE,
                        "it still falls at the longest averaging time, %.3g s: %.2g %s or less; "
                        "hold longer",
                        last->tau_s, last->deviation, unit);
    if (at == 0)
        return rig_fail(err, RIG_EUNKNOWABLE,
                        "it rises from the shortest averaging time on, %.3g s: %.2g %s or less",
                        found->tau_s, found->deviation, unit);
    bool rises = false;
    for (size_t i = at + 1; i < count; i++)
        rises |= points[i].low > found->deviation;
    if (!rises)
        return rig_fail(err, RIG_EUNKNOWABLE,
                        "what it rises by until %.3g s lies within its uncertainty: %.2g %s or "
                        "less; hold longer",
                        last->tau_s, found->deviation, unit);
    *least = at;
    return RIG_OK;
}
