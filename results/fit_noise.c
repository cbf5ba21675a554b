/* SPDX-License-Identifier: GPL-3.0-or-later
 * Noise of settled readings, and the depth that it hides: over all, and depth by depth. */
#include "results/fit_parts.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

static const double same_level_mm = 0.05;

/* Rows of settled dwells of one depth, pooled; in air all are one. */
struct level_noise {
    double depth_mm, squares, freedom;
};

static bool counts(const struct static_point *point)
{
    return point->settled && point->n >= 10;
}

static void add(struct level_noise *noise, const struct static_point *point)
{
    noise->squares += (point->n - 2) * point->row_sd * point->row_sd;
    noise->freedom += point->n - 2;
}

/* Ascending in depth; returns how many. */
static size_t gather(const struct fit_work *work, struct level_noise levels[])
{
    size_t count = 0;
    for (size_t i = 0; i < work->point_count; i++) {
        const struct static_point *point = &work->points[i];
        double depth_mm = point->depth_mm;
        if (!counts(point) || depth_mm < work->low_mm - same_level_mm ||
            depth_mm > work->high_mm + same_level_mm)
            continue;
        size_t at = 0;
        while (at < count && levels[at].depth_mm < depth_mm - same_level_mm)
            at++;
        if (at == count || levels[at].depth_mm > depth_mm + same_level_mm) {
            for (size_t k = count++; k > at; k--)
                levels[k] = levels[k - 1];
            levels[at] = (struct level_noise){.depth_mm = depth_mm};
        }
        add(&levels[at], point);
    }
    return count;
}

/* The depth that the noise hides there. */
static double hidden_mm(const struct fit_work *work, const struct level_noise *level)
{
    return sqrt(level->squares / level->freedom) / fabs(curve_slope(&work->curve, level->depth_mm));
}

static int draw(struct fit_work *work, const struct level_noise levels[], size_t count,
                struct rig_err *err)
{
    struct figure *figure =
        figure_add(&work->fit->figures, "noise", "Depth that the noise hides, depth by depth",
                   "depth, mm", "standard deviation of a row, mm", err);
    if (!figure)
        return err->code;
    snprintf(figure->sentence, sizeof figure->sentence,
             "Noise of single rows in settled dwells over the curve's slope there.");
    struct figure_series *series =
        figure_series_add(figure, "settled dwells", FIGURE_POINTS, count, true, err);
    if (!series)
        return err->code;
    for (size_t i = 0; i < count; i++) {
        double mm = hidden_mm(work, &levels[i]);
        double reach = 1.96 / sqrt(2 * levels[i].freedom); /* JCGM 100:2008 E.4.3 for many */
        series->x[i] = levels[i].depth_mm;
        series->y[i] = mm;
        series->low[i] = mm * fmax(1 - reach, 0);
        series->high[i] = mm * (1 + reach);
    }
    return RIG_OK;
}

static int worst_result(struct fit_work *work, const struct level_noise levels[], size_t count,
                        struct rig_err *err)
{
    const struct level_noise *worst = NULL;
    char method[RESULT_TEXT_SIZE];
    struct result *result = result_add(&work->fit->results, "resolution_worst",
                                       "Depth that the noise hides where it is worst", "mm", err);
    if (!result)
        return err->code;
    for (size_t i = 0; i < count; i++)
        if (!worst || hidden_mm(work, &levels[i]) > hidden_mm(work, worst))
            worst = &levels[i];
    if (!worst) {
        result_refuse(result, "it takes noise and curve, and one of them is missing");
        return RIG_OK;
    }
    double mm = hidden_mm(work, worst);
    snprintf(method, sizeof method,
             "noise over the curve's slope at %.4g mm, largest of %zu depths", worst->depth_mm,
             count);
    result_set(result, mm, mm / sqrt(2 * worst->freedom), worst->freedom, method);
    return RIG_OK;
}

/* Depth by depth. */
static int by_depth(struct fit_work *work, struct rig_err *err)
{
    struct level_noise *levels = calloc(work->point_count + 1, sizeof *levels);
    if (!levels)
        return rig_fail_memory(err, "the noise of each depth");
    size_t count = work->has_curve ? gather(work, levels) : 0;
    int code = worst_result(work, levels, count, err);
    if (!code && count > 1)
        code = draw(work, levels, count, err);
    free(levels);
    return code;
}

int fit_noise(struct fit_work *work, struct rig_err *err)
{
    const char *unit = work->rig->sources[work->sensor_source].channels[work->sensor_channel].unit;
    struct level_noise all = {0};
    for (size_t i = 0; i < work->point_count; i++)
        if (counts(&work->points[i]))
            add(&all, &work->points[i]);
    double freedom = all.freedom, noise = freedom > 0 ? sqrt(all.squares / freedom) : (double)NAN;
    work->row_noise = noise;
    /* u of a standard deviation: s / sqrt(2 dof), JCGM 100:2008 E.4.3 for many. */
    double noise_u = freedom > 0 ? noise / sqrt(2 * freedom) : (double)NAN;
    struct result *result =
        result_add(&work->fit->results, "noise_sd", "Noise of one reading", unit, err);
    if (!result)
        return err->code;
    if (!isfinite(noise))
        result_refuse(result, "no dwell is long enough and settled");
    else
        result_set(result, noise, noise_u, freedom,
                   "standard deviation of rows in settled dwells, pooled");
    if (!(result = result_add(&work->fit->results, "resolution", "Depth that the noise hides", "mm",
                              err)))
        return err->code;
    if (!work->has_curve || !isfinite(noise)) {
        result_refuse(result, "it takes noise and curve, and one of them is missing");
        return by_depth(work, err);
    }
    double middle = (work->low_mm + work->high_mm) / 2;
    double slope = fabs(curve_slope(&work->curve, middle));
    result_contribute(result, "noise of the reading", 'A', noise_u / slope, freedom);
    result_contribute(result, "slope of the curve", 'A',
                      noise / slope * curve_slope_u(&work->curve, middle) / slope,
                      work->curve.parameter_dof);
    result_combine(result, noise / slope, "noise over the curve's slope at mid-range");
    return by_depth(work, err);
}
