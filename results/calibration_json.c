/* SPDX-License-Identifier: GPL-3.0-or-later
 * A calibration as JSON. JSON has no NaN: a number that can't be given is null, and
 * "reasons" says why under the same key. A failed allocation anywhere gives NULL, which
 * Jansson's setters pass on as a failure. */
#include "results/calibration.h"

#include "results/student.h"

#include <math.h>

static json_t *number(double value)
{
    return isfinite(value) ? json_real(value) : json_null();
}

static double parameter_of(const struct curve *curve, size_t i)
{
    return curve->kind == CURVE_SPLINE ? curve->spline.y[i] : curve->polynomial.power[i];
}

static double covariance_of(const struct curve *curve, size_t i, size_t j)
{
    return curve->kind == CURVE_SPLINE ? curve->spline.covariance[i][j]
                                       : curve->polynomial.power_covariance[i][j];
}

/* Appends value, freeing it on failure as Jansson does. */
static bool append(json_t *array, json_t *value)
{
    return array && value && json_array_append_new(array, value) == 0;
}

static bool set(json_t *object, const char *key, json_t *value)
{
    return value && json_object_set_new(object, key, value) == 0;
}

static bool add_parameters(json_t *root, const struct curve *curve)
{
    bool spline = curve->kind == CURVE_SPLINE;
    size_t count = spline ? curve->spline.knots : curve->polynomial.degree + 1;
    json_t *parameters = json_array(), *covariance = json_array(), *knots = json_array();
    bool fine = parameters && covariance && knots;
    for (size_t i = 0; i < count && fine; i++) {
        double value = parameter_of(curve, i), u = sqrt(covariance_of(curve, i, i));
        double half =
            curve->parameter_dof > 0 ? student_coverage(0.95, curve->parameter_dof) * u : NAN;
        fine = append(parameters, json_pack("{s:o,s:o,s:o,s:o}", "value", number(value),
                                            "standard_uncertainty", number(u), "low_95",
                                            number(value - half), "high_95", number(value + half)));
        json_t *row = json_array();
        for (size_t j = 0; j < count && fine; j++)
            fine = append(row, number(covariance_of(curve, i, j)));
        fine = append(covariance, row) && fine;
        if (spline && fine)
            fine = append(knots, json_real(curve->spline.x[i]));
    }
    fine = set(root, "parameters", parameters) && fine;
    fine = set(root, "covariance", covariance) && fine;
    if (spline)
        return set(root, "knots", knots) && fine;
    json_decref(knots);
    return fine;
}

static bool add_candidates(json_t *root, const struct curve *curve)
{
    json_t *list = json_array();
    bool fine = list != NULL;
    for (size_t i = 0; i < curve->candidate_count && fine; i++)
        fine = append(list, json_pack("{s:I,s:o}", "size", (json_int_t)curve->candidates[i].size,
                                      "aicc_above_least", number(curve->candidates[i].aicc)));
    return set(root, "candidates", list) && fine;
}

static bool add_range(json_t *root, const struct curve *curve)
{
    json_t *list = json_array();
    bool fine = list != NULL;
    for (size_t i = 0; i < curve->unusable_count && fine; i++) {
        const struct curve_range *range = &curve->unusable[i];
        fine = append(list, json_pack("{s:f,s:f,s:s}", "low", range->low, "high", range->high,
                                      "why", range->turned ? "turns over" : "too flat"));
    }
    fine = set(root, "unusable", list) && fine;
    fine = set(root, "usable",
               json_pack("{s:o,s:o}", "low", number(curve->usable_low), "high",
                         number(curve->usable_high))) &&
           fine;
    return set(root, "depth_low", json_real(curve->low)) &&
           set(root, "depth_high", json_real(curve->high)) && fine;
}

static bool add_inverse(json_t *root, const struct calibration *calibration, json_t *reasons)
{
    const struct curve *curve = &calibration->curve;
    if (isnan(curve->usable_low))
        return set(reasons, "inverse",
                   json_string("the curve is too flat, or turns over, everywhere"));
    json_t *list = json_array();
    bool fine = list != NULL;
    for (int i = 0; i < CALIBRATION_INVERSE_ROWS && fine; i++) {
        double share = (double)i / (CALIBRATION_INVERSE_ROWS - 1);
        double depth = curve->usable_low + share * (curve->usable_high - curve->usable_low);
        double slope = curve_slope(curve, depth);
        double u = curve_depth_u(curve, depth, calibration->inverse_reading_u);
        fine = append(list, json_pack("{s:o,s:f,s:o,s:o}", "reading",
                                      number(curve_value(curve, depth)), "depth", depth,
                                      "standard_uncertainty", number(u), "slope", number(slope)));
    }
    fine = set(root, "inverse", list) && fine;
    return set(root, "inverse_reading_u", number(calibration->inverse_reading_u)) && fine;
}

static bool add_linearity(json_t *root, const struct calibration *calibration, json_t *reasons)
{
    const struct straightness *straight = &calibration->straightness;
    const struct {
        const char *key, *at_key;
        const struct straightness_line *line;
    } lines[] = {
        {"independent_percent_span", "independent_at", &straight->independent},
        {"terminal_percent_span", "terminal_at", &straight->terminal},
        {"zero_based_percent_span", "zero_based_at", &straight->zero_based},
        {"least_squares_percent_span", "least_squares_at", &straight->least_squares},
    };
    bool known = calibration->straightness_reason[0] == 0;
    json_t *object = json_object();
    bool fine = object != NULL;
    for (size_t i = 0; i < sizeof lines / sizeof *lines && fine; i++) {
        fine = set(object, lines[i].key, number(known ? lines[i].line->percent_span : NAN)) &&
               set(object, lines[i].at_key, number(known ? lines[i].line->at : NAN));
    }
    fine = fine && set(object, "span", number(calibration->hysteresis.span));
    fine = set(root, "linearity", object) && fine;
    if (!known)
        fine = set(reasons, "linearity", json_string(calibration->straightness_reason)) && fine;
    return fine;
}

static bool add_extent(json_t *root, const struct levels_extent *extent, const char *key,
                       const char *at_key, json_t *reasons)
{
    if (extent->reason)
        return set(reasons, key, json_string(extent->reason));
    return set(root, key, number(extent->percent_span)) && set(root, at_key, number(extent->at));
}

static bool add_hysteresis(json_t *root, const struct calibration *calibration, json_t *reasons)
{
    const struct hysteresis *hysteresis = &calibration->hysteresis;
    bool fine = add_extent(root, &hysteresis->within_pair, "hysteresis_percent_span",
                           "hysteresis_at", reasons);
    fine = add_extent(root, &hysteresis->of_means, "hysteresis_of_means_percent_span",
                      "hysteresis_of_means_at", reasons) &&
           fine;
    fine = add_extent(root, &hysteresis->repeatability, "repeatability_percent_span",
                      "repeatability_at", reasons) &&
           fine;
    if (hysteresis->pooled_dof > 0)
        fine = set(root, "pooled_sd", number(hysteresis->pooled_sd)) &&
               set(root, "pooled_degrees_of_freedom", json_real(hysteresis->pooled_dof)) && fine;
    if (calibration->directed)
        fine = set(root, "cycles", json_integer((json_int_t)calibration->levels.cycles)) &&
               set(root, "moved_along_curve", json_boolean(calibration->levels.moved)) && fine;
    return fine;
}

static bool add_quality(json_t *root, const struct curve *curve, json_t *reasons)
{
    bool stated = curve->source == CURVE_U_STATED;
    bool fine = set(root, "uncertainty_from", json_string(curve_source_name(curve->source)));
    fine = set(root, "parameter_degrees_of_freedom", number(curve->parameter_dof)) && fine;
    fine = set(root, "residual_sd", number(curve->residual_sd)) && fine;
    fine = set(root, "degrees_of_freedom", json_real(curve->degrees_of_freedom)) && fine;
    if (stated)
        fine = set(root, "chi_squared", number(curve->chi_squared)) &&
               set(root, "chi_squared_p", number(curve->chi_squared_p)) && fine;
    if (curve->source == CURVE_U_NONE)
        fine = set(reasons, "standard_uncertainty",
                   json_string("as many parameters as points, so nothing is left to show the "
                               "noise; state reading_u, or take more points")) &&
               fine;
    if (isnan(curve->residual_sd))
        fine = set(reasons, "residual_sd", json_string("as many parameters as points")) && fine;
    return fine;
}

json_t *calibration_json(const struct calibration *calibration)
{
    const struct curve *curve = &calibration->curve;
    bool spline = curve->kind == CURVE_SPLINE;
    json_t *root = json_object(), *reasons = json_object();
    bool fine = root && reasons;
    fine = fine && set(root, "format", json_string("wetsweep curve")) &&
           set(root, "n", json_integer((json_int_t)curve->n)) &&
           set(root, "kind", json_string(spline ? "spline" : "polynomial")) &&
           set(root, "degree",
               spline ? json_null() : json_integer((json_int_t)curve->polynomial.degree)) &&
           set(root, "degree_by", json_string(curve->chosen ? "AICc" : "asked"));
    fine = fine && add_candidates(root, curve) && add_parameters(root, curve) &&
           add_quality(root, curve, reasons) && add_linearity(root, calibration, reasons) &&
           add_hysteresis(root, calibration, reasons) && add_range(root, curve) &&
           add_inverse(root, calibration, reasons);
    fine = fine && json_object_set(root, "reasons", reasons) == 0;
    json_decref(reasons);
    if (fine)
        return root;
    json_decref(root);
    return NULL;
}
