/* SPDX-License-Identifier: GPL-3.0-or-later
 * The static curve as results and as figures. */
#include "results/fit_parts.h"

#include <math.h>
#include <stdio.h>

enum { CURVE_POINTS = 101 };

/* Settled, on this side, and where there is a curve to hold it against. */
static bool drawn(const struct fit_work *work, const struct static_point *point, int direction)
{
    return point->settled && point->direction == direction &&
           point->depth_mm >= work->low_mm - 0.05 && point->depth_mm <= work->high_mm + 0.05;
}

/* The curve itself, drawn after the points so that each side keeps its colour from plot to
 * plot. */
static int draw_curve(struct fit_work *work, struct figure *figure, struct rig_err *err)
{
    struct figure_series *curve =
        figure_series_add(figure, "curve", FIGURE_LINE, CURVE_POINTS, false, err);
    if (!curve)
        return err->code;
    for (size_t i = 0; i < CURVE_POINTS; i++) {
        curve->x[i] =
            work->low_mm + (work->high_mm - work->low_mm) * (double)i / (CURVE_POINTS - 1);
        curve->y[i] = curve_value(&work->curve, curve->x[i]);
    }
    return RIG_OK;
}

static int curve_figures(struct fit_work *work, struct rig_err *err)
{
    const struct rig_channel *sensor =
        &work->rig->sources[work->sensor_source].channels[work->sensor_channel];
    char label[FIGURE_TEXT_SIZE];
    snprintf(label, sizeof label, "%.40s, %.40s", sensor->name, sensor->unit);
    struct figure *figure = figure_add(&work->fit->figures, "calibration", "Calibration curve",
                                       "depth, mm", label, err);
    if (!figure)
        return err->code;
    snprintf(figure->sentence, sizeof figure->sentence,
             "Settled readings at each depth, rising and falling, and the curve through them.");
    for (int residual = 0; residual < 2; residual++) {
        if (residual) {
            if (draw_curve(work, figure, err))
                return err->code;
            figure = figure_add(&work->fit->figures, "residuals", "What the curve leaves over",
                                "depth, mm", "off the curve, mm of depth", err);
            if (!figure)
                return err->code;
            snprintf(figure->sentence, sizeof figure->sentence,
                     "How far each settled reading lies from the curve: rising below falling is "
                     "hysteresis, a bend is a curve of too low a degree.");
        }
        for (int direction = 1; direction >= -1; direction -= 2) {
            size_t count = 0, at = 0;
            for (size_t i = 0; i < work->point_count; i++)
                count += drawn(work, &work->points[i], direction);
            struct figure_series *series = figure_series_add(
                figure, direction > 0 ? "rising" : "falling", FIGURE_POINTS, count, false, err);
            if (!series)
                return err->code;
            for (size_t i = 0; i < work->point_count; i++) {
                if (!drawn(work, &work->points[i], direction))
                    continue;
                double depth = work->points[i].depth_mm, reading = work->points[i].reading;
                series->x[at] = depth;
                series->y[at++] = residual ? (reading - curve_value(&work->curve, depth)) /
                                                 curve_slope(&work->curve, depth)
                                           : reading;
            }
        }
    }
    return RIG_OK;
}

/* By how much the slope changes with depth, per mm. */
static double bend_of(const struct curve *curve, double depth_mm)
{
    const double step_mm = 0.01;
    return (curve_slope(curve, depth_mm + step_mm) - curve_slope(curve, depth_mm - step_mm)) /
           (2 * step_mm);
}

/* Where a depth can be told from a reading at all. */
static int usable(struct fit_work *work, struct rig_err *err)
{
    const struct curve *curve = &work->curve;
    const double ends[] = {curve->usable_low, curve->usable_high};
    for (int i = 0; i < 2; i++) {
        struct result *result =
            result_add(&work->fit->results, i ? "usable_to" : "usable_from",
                       i ? "Usable down to a depth of" : "Usable from a depth of", "mm", err);
        if (!result)
            return err->code;
        result_set(result, ends[i], NAN, NAN,
                   "where the curve neither turns over nor is lost in its noise");
    }
    double whole = work->high_mm - work->low_mm, left = ends[1] - ends[0];
    if (left < whole * 0.99)
        fit_warn(work->fit,
                 "Depths from %.4g mm to %.4g mm only can be told from the reading: elsewhere the "
                 "curve turns over or is flatter than its noise.",
                 ends[0], ends[1]);
    return RIG_OK;
}

static int coefficients(struct fit_work *work, const char *unit, struct rig_err *err)
{
    char text[RESULT_TEXT_SIZE];
    snprintf(text, sizeof text, "polynomial through %s, degree %s", work->curve_from,
             work->curve.chosen ? "by AICc" : "as asked");
    for (size_t k = 0; k <= work->curve.polynomial.degree; k++) {
        char name[RESULT_NAME_SIZE], title[RESULT_TEXT_SIZE], power[24];
        snprintf(name, sizeof name, "curve_%zu", k);
        snprintf(title, sizeof title, "Curve, coefficient of depth^%zu", k);
        snprintf(power, sizeof power, k > 1 ? "%.12s/mm%zu" : k ? "%.12s/mm" : "%.12s", unit, k);
        struct result *result = result_add(&work->fit->results, name, title, power, err);
        if (!result)
            return err->code;
        result_set(result, work->curve.polynomial.power[k],
                   sqrt(work->curve.polynomial.power_covariance[k][k]), work->curve.parameter_dof,
                   text);
    }
    return RIG_OK;
}

static int knots(struct fit_work *work, const char *unit, struct rig_err *err)
{
    const struct spline *spline = &work->curve.spline;
    char text[RESULT_TEXT_SIZE];
    snprintf(text, sizeof text, "monotone spline through %s: no polynomial follows them",
             work->curve_from);
    for (size_t k = 0; k < spline->knots; k++) {
        char name[RESULT_NAME_SIZE], title[RESULT_TEXT_SIZE];
        snprintf(name, sizeof name, "curve_knot_%zu", k + 1);
        snprintf(title, sizeof title, "Curve, reading at the knot at %.6g mm", spline->x[k]);
        struct result *result = result_add(&work->fit->results, name, title, unit, err);
        if (!result)
            return err->code;
        result_set(result, spline->y[k], sqrt(spline->covariance[k][k]), work->curve.parameter_dof,
                   text);
    }
    return RIG_OK;
}

static int results(struct fit_work *work, struct rig_err *err)
{
    const char *unit = work->rig->sources[work->sensor_source].channels[work->sensor_channel].unit;
    char text[RESULT_TEXT_SIZE], per_mm[24];
    double middle = (work->low_mm + work->high_mm) / 2;
    snprintf(per_mm, sizeof per_mm, "%.18s/mm", unit);
    bool spline = work->curve.kind == CURVE_SPLINE;
    if (spline)
        snprintf(text, sizeof text, "slope of the spline of %zu knots at %.4g mm",
                 work->curve.spline.knots, middle);
    else
        snprintf(text, sizeof text, "slope of the curve of degree %zu at %.4g mm",
                 work->curve.polynomial.degree, middle);
    struct result *result =
        result_add(&work->fit->results, "sensitivity", "Sensitivity at mid-range", per_mm, err);
    if (!result)
        return err->code;
    double slope = curve_slope(&work->curve, middle);
    result_contribute(result, work->curve_from, 'A', curve_slope_u(&work->curve, middle),
                      work->curve.parameter_dof);
    /* Each end may be off by the axis' steps; its play shifts both alike. */
    fit_contribute_steps(work, result, slope * sqrt(2) / (work->high_mm - work->low_mm));
    fit_contribute_datum(work, result, bend_of(&work->curve, middle));
    result_combine(result, slope, text);
    static const char *const where[] = {"low", "middle", "high"};
    for (int i = 0; i < 3; i++) {
        char name[RESULT_NAME_SIZE], title[RESULT_TEXT_SIZE];
        double depth = work->low_mm + (work->high_mm - work->low_mm) * i / 2;
        snprintf(name, sizeof name, "reading_%s", where[i]);
        snprintf(title, sizeof title, "Reading at %.4g mm", depth);
        if (!(result = result_add(&work->fit->results, name, title, unit, err)))
            return err->code;
        result_contribute(result, work->curve_from, 'A', curve_value_u(&work->curve, depth),
                          work->curve.parameter_dof);
        if (work->curve_left_u > 0)
            result_contribute(result, "what the curve leaves over", 'A', work->curve_left_u,
                              work->curve_left_dof);
        fit_contribute_place(work, result, curve_slope(&work->curve, depth));
        fit_contribute_datum(work, result, curve_slope(&work->curve, depth));
        result_combine(result, curve_value(&work->curve, depth),
                       "the curve, between rising and falling");
    }
    int code = usable(work, err);
    if (code)
        return code;
    return spline ? knots(work, unit, err) : coefficients(work, unit, err);
}

int fit_curve_results(struct fit_work *work, const char *reason, struct rig_err *err)
{
    if (!work->has_curve) {
        struct result *result =
            result_add(&work->fit->results, "sensitivity", "Sensitivity at mid-range", "1", err);
        if (!result)
            return err->code;
        result_refuse(result, "%s", reason);
        return RIG_OK;
    }
    int code = results(work, err);
    return code ? code : curve_figures(work, err);
}
