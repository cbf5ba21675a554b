/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "results/calibration.h"

#include "results/student.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

const char *calibration_value(char buffer[64], double value, double u)
{
    enum { SIZE = 64 };
    if (!isfinite(value) || !(u > 0) || !isfinite(u)) {
        snprintf(buffer, SIZE, "%.6g", value);
        return buffer;
    }
    int decimals = 1 - (int)floor(log10(u) + 1e-9);
    double largest = fmax(fabs(value), u);
    if (decimals >= 0 && decimals <= 8 && largest < 1e7)
        snprintf(buffer, SIZE, "%.*f +- %.*f", decimals, value, decimals, u);
    else if (decimals < 0 && largest < 1e7) /* hundreds and more carry no decimals */
        snprintf(buffer, SIZE, "%.0f +- %.0f", value, u);
    else {
        int digits = (int)floor(log10(largest) + 1e-9) + decimals;
        snprintf(buffer, SIZE, "%.*e +- %.1e",
                 digits < 1    ? 1
                 : digits > 15 ? 15
                               : digits,
                 value, u);
    }
    return buffer;
}

static void text_fit(const struct curve *curve, const char *depth, const char *reading,
                     struct text *out)
{
    char buffer[64];
    bool spline = curve->kind == CURVE_SPLINE;
    size_t count = spline ? curve->spline.knots : curve->polynomial.degree + 1;
    text_format(out, "%zu points, %s %g to %g\n\n", curve->n, depth, curve->low, curve->high);
    if (spline)
        text_format(out, "%s follows a monotone spline through %zu knots\n", reading, count);
    else
        text_format(out, "%s = sum of p_k x %s^k, degree %zu\n", reading, depth,
                    curve->polynomial.degree);
    double coverage = curve->parameter_dof > 0 ? student_coverage(0.95, curve->parameter_dof) : NAN;
    for (size_t i = 0; i < count; i++) {
        double value = spline ? curve->spline.y[i] : curve->polynomial.power[i];
        double u = sqrt(spline ? curve->spline.covariance[i][i]
                               : curve->polynomial.power_covariance[i][i]);
        if (spline)
            text_format(out, "  at %-12g", curve->spline.x[i]);
        else
            text_format(out, "  p_%-2zu ", i);
        text_format(out, " %-34s", calibration_value(buffer, value, u));
        if (isfinite(u * coverage))
            text_format(out, " 95 %%: %.6g to %.6g", value - coverage * u, value + coverage * u);
        text_add(out, "\n");
    }
    if (spline && curve->spline.flattened)
        text_add(out, "  (knots that ran against the trend were levelled)\n");
}

static void text_quality(const struct curve *curve, struct text *out)
{
    static const char *const words[] = {
        [CURVE_U_NONE] = "uncertainties unknown: as many parameters as points\n",
        [CURVE_U_RESIDUALS] = "uncertainties from the residuals, points taken as independent\n",
        [CURVE_U_STATED] = "uncertainties from those stated in the table, not rescaled\n",
        [CURVE_U_CYCLES] = "uncertainties from how the cycles differ\n",
    };
    const char *size = curve->kind == CURVE_SPLINE ? "number of knots" : "degree";
    if (curve->chosen) {
        text_format(out,
                    "%s chosen by AICc (smallest within 2 of the least), above the least:", size);
        for (size_t i = 0; i < curve->candidate_count; i++)
            if (isnan(curve->candidates[i].aicc))
                text_format(out, "  %zu: too few points", curve->candidates[i].size);
            else
                text_format(out, "  %zu: %.1f", curve->candidates[i].size,
                            curve->candidates[i].aicc);
        text_add(out, "\n");
    } else {
        text_format(out, "%s as asked\n", size);
    }
    text_add(out, words[curve->source]);
    if (isfinite(curve->residual_sd))
        text_format(out, "residual standard deviation %.4g, %g degrees of freedom\n",
                    curve->residual_sd, curve->degrees_of_freedom);
    if (curve->source == CURVE_U_STATED) {
        text_format(out, "chi-squared %.4g on %g degrees of freedom", curve->chi_squared,
                    curve->degrees_of_freedom);
        if (curve->chi_squared_p < 0.05)
            text_format(out,
                        ": larger by chance in %.2g %% of cases only; the stated uncertainties "
                        "or the degree are too small",
                        100 * curve->chi_squared_p);
        else if (isfinite(curve->chi_squared_p))
            text_add(out, ": the points agree with the curve within the stated uncertainties");
        text_add(out, "\n");
    }
}

static void text_straightness(const struct calibration *calibration, const char *depth,
                              struct text *out)
{
    const struct straightness *straight = &calibration->straightness;
    text_add(out, "\nStraightness");
    if (calibration->straightness_reason[0]) {
        text_format(out, ": not given: %s\n", calibration->straightness_reason);
        return;
    }
    const struct {
        const char *name;
        const struct straightness_line *line;
    } lines[] = {
        {"independent (best line)", &straight->independent},
        {"zero-based (through the lower end)", &straight->zero_based},
        {"terminal-based (through both ends)", &straight->terminal},
        {"least squares", &straight->least_squares},
    };
    text_format(out, ", largest deviation in %% of the span of %g%s\n", straight->span,
                calibration->directed ? ", mean of rising and falling" : "");
    for (size_t i = 0; i < sizeof lines / sizeof *lines; i++)
        text_format(out, "  %-36s %8.4g %%  at %s %g\n", lines[i].name, lines[i].line->percent_span,
                    depth, lines[i].line->at);
}

static void text_extent(const char *name, const struct levels_extent *extent, const char *depth,
                        struct text *out)
{
    if (extent->reason)
        text_format(out, "  %-36s not given: %s\n", name, extent->reason);
    else
        text_format(out, "  %-36s %8.4g %%  at %s %g (%.4g)\n", name, extent->percent_span, depth,
                    extent->at, extent->value);
}

static void text_hysteresis(const struct calibration *calibration, const char *depth,
                            struct text *out)
{
    const struct hysteresis *hysteresis = &calibration->hysteresis;
    if (!calibration->directed) {
        text_add(out, "\nHysteresis and repeatability: not given: the table has no column "
                      "'direction' (up, down)\n");
        return;
    }
    text_format(
        out, "\nHysteresis and repeatability, %% of the span of %g, %zu %s%s\n", hysteresis->span,
        calibration->levels.cycles, calibration->levels.cycles == 1 ? "cycle" : "cycles",
        calibration->levels.moved ? "; readings moved along the curve to common depths" : "");
    text_extent("hysteresis within one cycle", &hysteresis->within_pair, depth, out);
    text_extent("hysteresis of the means", &hysteresis->of_means, depth, out);
    text_extent("repeatability from one side", &hysteresis->repeatability, depth, out);
    if (hysteresis->pooled_dof > 0)
        text_format(out, "  %-36s %8.4g, %g degrees of freedom\n", "pooled standard deviation",
                    hysteresis->pooled_sd, hysteresis->pooled_dof);
}

static void text_inverse(const struct calibration *calibration, const char *depth,
                         const char *reading, struct text *out)
{
    const struct curve *curve = &calibration->curve;
    char buffer[64];
    text_add(out, "\nInverse");
    for (size_t i = 0; i < curve->unusable_count; i++)
        text_format(out, "%s %s %g to %g can't be used: the curve %s there", i ? ";" : ":", depth,
                    curve->unusable[i].low, curve->unusable[i].high,
                    curve->unusable[i].turned ? "turns over" : "is flatter than its noise");
    if (isnan(curve->usable_low)) {
        text_add(out, "\n");
        return;
    }
    text_format(out, "%s for a reading of standard uncertainty %.4g\n  %14s   %s\n",
                curve->unusable_count ? ";" : ",", calibration->inverse_reading_u, reading, depth);
    for (int i = 0; i < CALIBRATION_INVERSE_ROWS; i++) {
        double share = (double)i / (CALIBRATION_INVERSE_ROWS - 1);
        double at = curve->usable_low + share * (curve->usable_high - curve->usable_low);
        double u = curve_depth_u(curve, at, calibration->inverse_reading_u);
        text_format(out, "  %14.7g   %s\n", curve_value(curve, at),
                    calibration_value(buffer, at, u));
    }
}

void calibration_text(const struct calibration *calibration, const char *depth_name,
                      const char *reading_name, struct text *out)
{
    text_fit(&calibration->curve, depth_name, reading_name, out);
    text_quality(&calibration->curve, out);
    text_straightness(calibration, depth_name, out);
    text_hysteresis(calibration, depth_name, out);
    text_inverse(calibration, depth_name, reading_name, out);
}
