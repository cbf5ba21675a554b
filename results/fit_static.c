/* SPDX-License-Identifier: GPL-3.0-or-later
 * The static curve from settled dwells, and what follows from it at once: noise,
 * resolution, sensitivity. */
#include "results/fit_parts.h"
#include "results/fit_points.h"

#include "results/cluster.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

enum { DEGREE_LIMIT = 6, CURVE_POINTS = 101, LEAST_CLUSTERS = 4 };

/* How often this family of dwells came before. */
static uint32_t cycle_of(uint32_t seen[], uint32_t family)
{
    return seen[family]++;
}

static int collect(struct fit_work *work, struct rig_err *err)
{
    size_t segments = plan_segment_count(work->plan), holds = 0;
    const struct plan_segment *segment = plan_segments(work->plan);
    for (size_t i = 0; i < segments; i++)
        holds += segment[i].kind == SEGMENT_HOLD || segment[i].kind == SEGMENT_STAIR_HOLD;
    work->points = calloc(holds + 1, sizeof *work->points);
    uint32_t *seen = calloc(plan_family_count(work->plan) + 1, sizeof *seen);
    int code = work->points && seen ? RIG_OK : rig_fail_memory(err, "the dwells of a recording");
    for (size_t i = 0; !code && i < segments; i++) {
        if (segment[i].kind != SEGMENT_HOLD && segment[i].kind != SEGMENT_STAIR_HOLD)
            continue;
        struct digest_point *points = NULL;
        size_t count;
        double start_s, end_s;
        struct settled settled;
        code = fit_segment_points(work, work->sensor_source, work->sensor_channel, i, &points,
                                  &count, err);
        if (!code && digest_window(work->digests[work->sensor_source], i, &start_s, &end_s) &&
            fit_settled_mean(&settled, points, count, segment[i].duration_s))
            work->points[work->point_count++] = (struct static_point){
                .depth_mm = plan_depth_mm(work->plan, segment[i].start_s + settled.middle_s),
                .reading = settled.mean,
                .row_sd = settled.row_sd,
                .n = settled.n,
                .host_s = start_s + settled.middle_s,
                .direction = segment[i].direction,
                .cycle = cycle_of(seen, segment[i].family),
                .segment = i,
                .settled = settled.settled,
                .stair = segment[i].kind == SEGMENT_STAIR_HOLD,
            };
        free(points);
    }
    free(seen);
    return code;
}

/* In the water, settled, and from stairs if there are any. */
static bool counts(const struct static_point *point, bool stairs)
{
    return point->settled && point->depth_mm >= 0 && point->stair == stairs &&
           point->direction != 0;
}

struct curve_data {
    const struct static_point **points;
    double *depth, *reading, *design;
    size_t *group;
    size_t n, groups;
};

static void free_data(struct curve_data *data)
{
    free(data->points);
    free(data->depth);
    free(data->reading);
    free(data->design);
    free(data->group);
}

/* A pass is all dwells of one cycle and direction. */
static int choose_points(const struct fit_work *work, struct curve_data *data, struct rig_err *err)
{
    size_t stairs = 0;
    for (size_t i = 0; i < work->point_count; i++)
        stairs += counts(&work->points[i], true);
    size_t room = work->point_count + 1;
    *data = (struct curve_data){
        .points = calloc(room, sizeof *data->points),
        .depth = calloc(room, sizeof *data->depth),
        .reading = calloc(room, sizeof *data->reading),
        .design = calloc(room * (DEGREE_LIMIT + 2), sizeof *data->design),
        .group = calloc(room, sizeof *data->group),
    };
    if (!data->points || !data->depth || !data->reading || !data->design || !data->group)
        return rig_fail_memory(err, "the points of the curve");
    uint32_t cycles = 0;
    for (size_t i = 0; i < work->point_count; i++) {
        const struct static_point *point = &work->points[i];
        if (!counts(point, stairs >= 4))
            continue;
        data->points[data->n] = point;
        data->depth[data->n] = point->depth_mm;
        data->reading[data->n] = point->reading;
        data->group[data->n] = 2 * point->cycle + (point->direction > 0);
        cycles = point->cycle + 1 > cycles ? point->cycle + 1 : cycles;
        data->n++;
    }
    data->groups = 2 * (size_t)cycles;
    return RIG_OK;
}

/* Polynomial columns and one for the direction, so that an uneven count of rising and
 * falling dwells does not pull the curve to one side of the loop. */
static int fit_degree(const struct curve_data *data, size_t degree, struct polynomial *curve,
                      struct lsq_fit *fit, double *design, struct rig_err *err)
{
    int code = polynomial_domain(curve, data->depth, data->n, degree, err);
    size_t columns = degree + 2;
    for (size_t i = 0; !code && i < data->n; i++) {
        long double row[POLYNOMIAL_TERMS];
        polynomial_row(curve, data->depth[i], row);
        for (size_t k = 0; k <= degree; k++)
            design[i * columns + k] = (double)row[k];
        design[i * columns + degree + 1] = data->points[i]->direction;
    }
    if (!code)
        code = lsq_fit_rows(fit, design, data->reading, NULL, data->n, columns, err);
    if (!code)
        polynomial_take(curve, fit);
    return code;
}

static double aicc(const struct lsq_fit *fit)
{
    double n = (double)fit->n, k = (double)fit->p + 1;
    if (n - k - 1 <= 0 || !(fit->chi_squared > 0))
        return INFINITY;
    return n * log(fit->chi_squared / n) + 2 * k + 2 * k * (k + 1) / (n - k - 1);
}

static size_t distinct_depths(const struct curve_data *data)
{
    size_t distinct = 0;
    for (size_t i = 0; i < data->n; i++) {
        bool before = false;
        for (size_t k = 0; k < i; k++)
            before |= fabs(data->depth[k] - data->depth[i]) < 0.05;
        distinct += !before;
    }
    return distinct;
}

static int choose_degree(struct curve_data *data, int asked, struct polynomial *curve,
                         struct lsq_fit *best, struct rig_err *err)
{
    size_t depths = distinct_depths(data);
    double best_aicc = INFINITY;
    bool any = false;
    size_t first = asked > 0 ? (size_t)asked : 1;
    size_t last = asked > 0 ? (size_t)asked : DEGREE_LIMIT;
    for (size_t degree = first; degree <= last && degree <= DEGREE_LIMIT && degree + 2 <= depths;
         degree++) {
        struct polynomial candidate;
        struct lsq_fit fit;
        struct rig_err why;
        if (fit_degree(data, degree, &candidate, &fit, data->design, &why))
            continue;
        double merit = aicc(&fit);
        if (any && !(merit < best_aicc))
            continue;
        *curve = candidate;
        *best = fit;
        best_aicc = merit;
        any = true;
    }
    if (!any)
        return rig_fail(err, RIG_EUNKNOWABLE,
                        "a curve needs settled dwells at three depths at least, and has %zu",
                        depths);
    return RIG_OK;
}

/* Passes as clusters where there are enough of them. */
static void believe_passes(struct curve_data *data, struct polynomial *curve,
                           const struct lsq_fit *fit)
{
    size_t columns = curve->degree + 2;
    double covariance[(DEGREE_LIMIT + 2) * (DEGREE_LIMIT + 2)];
    double kept[POLYNOMIAL_TERMS * POLYNOMIAL_TERMS];
    struct polynomial again;
    struct lsq_fit same;
    struct rig_err why;
    if (data->groups < LEAST_CLUSTERS)
        return;
    if (fit_degree(data, curve->degree, &again, &same, data->design, &why) ||
        cluster_covariance(covariance, fit, data->design, data->reading, NULL, data->group, data->n,
                           data->groups, CLUSTER_CR1, &why))
        return;
    for (size_t i = 0; i <= curve->degree; i++)
        for (size_t k = 0; k <= curve->degree; k++)
            kept[i * (curve->degree + 1) + k] = covariance[i * columns + k];
    /* Few clusters understate: never below what independent points would give. */
    if (kept[0] > curve->basis_covariance[0][0])
        polynomial_set_covariance(curve, kept);
}

static int curve_figures(struct fit_work *work, const struct curve_data *data, struct rig_err *err)
{
    struct figure *figure = figure_add(
        &work->fit->figures, "calibration", "Calibration curve", "depth, mm",
        work->rig->sources[work->sensor_source].channels[work->sensor_channel].unit, err);
    if (!figure)
        return err->code;
    snprintf(figure->sentence, sizeof figure->sentence,
             "Settled readings at each depth, rising and falling, and the curve through them.");
    struct figure_series *curve =
        figure_series_add(figure, "curve", FIGURE_LINE, CURVE_POINTS, false, err);
    if (!curve)
        return err->code;
    for (size_t i = 0; i < CURVE_POINTS; i++) {
        curve->x[i] =
            work->low_mm + (work->high_mm - work->low_mm) * (double)i / (CURVE_POINTS - 1);
        curve->y[i] = polynomial_value(&work->curve, curve->x[i]);
    }
    for (int residual = 0; residual < 2; residual++) {
        if (residual) {
            figure = figure_add(&work->fit->figures, "residuals", "What the curve leaves over",
                                "depth, mm", "reading less curve, as mm of depth", err);
            if (!figure)
                return err->code;
            snprintf(figure->sentence, sizeof figure->sentence,
                     "How far each settled reading lies from the curve: rising below falling is "
                     "hysteresis, a bend is a curve of too low a degree.");
        }
        for (int direction = 1; direction >= -1; direction -= 2) {
            size_t count = 0, at = 0;
            for (size_t i = 0; i < data->n; i++)
                count += data->points[i]->direction == direction;
            struct figure_series *series = figure_series_add(
                figure, direction > 0 ? "rising" : "falling", FIGURE_POINTS, count, false, err);
            if (!series)
                return err->code;
            for (size_t i = 0; i < data->n; i++) {
                if (data->points[i]->direction != direction)
                    continue;
                double depth = data->depth[i], reading = data->reading[i];
                series->x[at] = depth;
                series->y[at++] = residual ? (reading - polynomial_value(&work->curve, depth)) /
                                                 polynomial_slope(&work->curve, depth)
                                           : reading;
            }
        }
    }
    return RIG_OK;
}

static double pooled_noise(const struct fit_work *work, double *freedom)
{
    double squares = 0;
    *freedom = 0;
    for (size_t i = 0; i < work->point_count; i++) {
        const struct static_point *point = &work->points[i];
        if (!point->settled || point->n < 10)
            continue;
        squares += (point->n - 2) * point->row_sd * point->row_sd;
        *freedom += point->n - 2;
    }
    return *freedom > 0 ? sqrt(squares / *freedom) : NAN;
}

static int noise_results(struct fit_work *work, struct rig_err *err)
{
    const char *unit = work->rig->sources[work->sensor_source].channels[work->sensor_channel].unit;
    double freedom, noise = pooled_noise(work, &freedom);
    work->row_noise = noise;
    /* u of a standard deviation: s / sqrt(2 dof), JCGM 100:2008 E.4.3 for many. */
    double noise_u = noise / sqrt(2 * freedom);
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
        return RIG_OK;
    }
    double middle = (work->low_mm + work->high_mm) / 2;
    double slope = fabs(polynomial_slope(&work->curve, middle));
    double relative = hypot(noise_u / noise, polynomial_slope_u(&work->curve, middle) / slope);
    result_set(result, noise / slope, noise / slope * relative, freedom,
               "noise over the curve's slope at mid-range");
    return RIG_OK;
}

static int curve_results(struct fit_work *work, const struct lsq_fit *fit, struct rig_err *err)
{
    const char *unit = work->rig->sources[work->sensor_source].channels[work->sensor_channel].unit;
    char text[RESULT_TEXT_SIZE], per_mm[24];
    double middle = (work->low_mm + work->high_mm) / 2;
    snprintf(per_mm, sizeof per_mm, "%.18s/mm", unit);
    snprintf(text, sizeof text, "slope of the curve of degree %zu at %.4g mm", work->curve.degree,
             middle);
    struct result *result =
        result_add(&work->fit->results, "sensitivity", "Sensitivity at mid-range", per_mm, err);
    if (!result)
        return err->code;
    result_set(result, polynomial_slope(&work->curve, middle),
               polynomial_slope_u(&work->curve, middle), fit->degrees_of_freedom, text);
    static const char *const where[] = {"low", "middle", "high"};
    for (int i = 0; i < 3; i++) {
        char name[RESULT_NAME_SIZE], title[RESULT_TEXT_SIZE];
        double depth = work->low_mm + (work->high_mm - work->low_mm) * i / 2;
        snprintf(name, sizeof name, "reading_%s", where[i]);
        snprintf(title, sizeof title, "Reading at %.4g mm", depth);
        if (!(result = result_add(&work->fit->results, name, title, unit, err)))
            return err->code;
        result_contribute(result, "readings of the dwells", 'A',
                          polynomial_value_u(&work->curve, depth), fit->degrees_of_freedom);
        result_contribute(
            result, "backlash and steps of the axis", 'B',
            hypot(work->rig->axis.backlash_mm / sqrt(3), work->rig->axis.step_mm / sqrt(12)) *
                fabs(polynomial_slope(&work->curve, depth)),
            INFINITY);
        result_contribute(result, "datum", 'B',
                          FIT_DATUM_U_MM * fabs(polynomial_slope(&work->curve, depth)), INFINITY);
        result_combine(result, polynomial_value(&work->curve, depth),
                       "the curve, between rising and falling");
    }
    for (size_t k = 0; k <= work->curve.degree; k++) {
        char name[RESULT_NAME_SIZE], title[RESULT_TEXT_SIZE], power[24];
        snprintf(name, sizeof name, "curve_%zu", k);
        snprintf(title, sizeof title, "Curve, coefficient of depth^%zu", k);
        snprintf(power, sizeof power, k > 1 ? "%.12s/mm%zu" : k ? "%.12s/mm" : "%.12s", unit, k);
        if (!(result = result_add(&work->fit->results, name, title, power, err)))
            return err->code;
        result_set(result, work->curve.power[k], sqrt(work->curve.power_covariance[k][k]),
                   fit->degrees_of_freedom, "polynomial through settled dwells, degree by AICc");
    }
    return RIG_OK;
}

int fit_static(struct fit_work *work, int degree, struct rig_err *err)
{
    struct curve_data data = {0};
    struct lsq_fit fit;
    int code = collect(work, err);
    if (!code)
        code = choose_points(work, &data, err);
    if (!code) {
        struct rig_err why;
        work->has_curve = choose_degree(&data, degree, &work->curve, &fit, &why) == RIG_OK;
        if (work->has_curve) {
            believe_passes(&data, &work->curve, &fit);
            work->low_mm = work->curve.low;
            work->high_mm = work->curve.high;
            work->span = polynomial_value(&work->curve, work->high_mm) -
                         polynomial_value(&work->curve, work->low_mm);
            code = curve_results(work, &fit, err);
            if (!code)
                code = curve_figures(work, &data, err);
        } else {
            struct result *result = result_add(&work->fit->results, "sensitivity",
                                               "Sensitivity at mid-range", "1", err);
            if (result)
                result_refuse(result, "%s", why.text);
            else
                code = err->code;
        }
    }
    if (!code)
        code = noise_results(work, err);
    free_data(&data);
    return code;
}
