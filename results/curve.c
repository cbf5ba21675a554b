/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "results/curve.h"

#include "results/cluster.h"
#include "results/curve_fit.h"

#include <gsl/gsl_cdf.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

const char *curve_source_name(enum curve_source source)
{
    static const char *const names[] = {
#define X(of, word) word,
        CURVE_SOURCES(X)
#undef X
    };
    return source >= 0 && source < CURVE_SOURCE_COUNT ? names[source] : "?";
}

double curve_value(const struct curve *curve, double depth)
{
    return curve->kind == CURVE_SPLINE ? spline_value(&curve->spline, depth)
                                       : polynomial_value(&curve->polynomial, depth);
}

double curve_slope(const struct curve *curve, double depth)
{
    return curve->kind == CURVE_SPLINE ? spline_slope(&curve->spline, depth)
                                       : polynomial_slope(&curve->polynomial, depth);
}

double curve_value_u(const struct curve *curve, double depth)
{
    return curve->kind == CURVE_SPLINE ? spline_value_u(&curve->spline, depth)
                                       : polynomial_value_u(&curve->polynomial, depth);
}

double curve_reading_u(const struct curve *curve, double depth, double depth_u)
{
    return hypot(curve_value_u(curve, depth), curve_slope(curve, depth) * depth_u);
}

double curve_depth_u(const struct curve *curve, double depth, double reading_u)
{
    double slope = fabs(curve_slope(curve, depth));
    return slope > 0 ? hypot(reading_u, curve_value_u(curve, depth)) / slope : INFINITY;
}

/* ---- the range where a reading gives one depth ---- */

/* Half of the range must move the reading by more than its noise's standard deviation,
 * else a reading says hardly anything about depth (common practice, no source). */
static const double flat_share = 0.5;

static bool usable_at(const struct curve *curve, double depth, bool *turned)
{
    double slope = curve->direction * curve_slope(curve, depth);
    double noise = isfinite(curve->residual_sd) ? curve->residual_sd : 0;
    *turned = slope <= 0;
    return slope > 0 && slope * flat_share * (curve->high - curve->low) > noise;
}

/* Depth between a usable and an unusable one where it changes. */
static double border(const struct curve *curve, double usable, double unusable)
{
    bool turned;
    for (int step = 0; step < 60; step++) {
        double middle = usable / 2 + unusable / 2;
        if (usable_at(curve, middle, &turned))
            usable = middle;
        else
            unusable = middle;
    }
    return usable;
}

static void close_unusable(struct curve *curve, double low, double high, bool turned)
{
    if (curve->unusable_count < CURVE_UNUSABLE_LIMIT)
        curve->unusable[curve->unusable_count++] = (struct curve_range){low, high, turned};
    else /* the last one takes the rest */
        curve->unusable[CURVE_UNUSABLE_LIMIT - 1].high = high;
}

static void find_usable(struct curve *curve)
{
    enum { steps = 1024 };
    double rise = curve_value(curve, curve->high) - curve_value(curve, curve->low);
    double longest = 0, started = curve->low, before = curve->low;
    bool usable = false, turned_here, turned = false;
    curve->direction = rise < 0 ? -1 : 1;
    curve->usable_low = curve->usable_high = NAN;
    curve->unusable_count = 0;
    for (int k = 0; k <= steps; k++) {
        double depth = curve->low + (curve->high - curve->low) * k / steps;
        bool now = usable_at(curve, depth, &turned_here);
        double edge = k == 0           ? depth
                      : now && !usable ? border(curve, depth, before)
                      : !now && usable ? border(curve, before, depth)
                                       : depth;
        if (k > 0 && now != usable) {
            if (now)
                close_unusable(curve, started, edge, turned);
            turned = false;
        }
        if (usable && (!now || k == steps) && edge - started > longest) {
            longest = edge - started;
            curve->usable_low = started;
            curve->usable_high = edge;
        }
        if (k == 0 || now != usable)
            started = edge;
        turned = turned || (!now && turned_here);
        usable = now;
        before = depth;
    }
    if (!usable)
        close_unusable(curve, started, curve->high, turned);
}

/* ---- the inverse ---- */

/* Depth in the usable range, which the reading is known to lie in: bisection with
 * Newton's steps where they stay inside. */
static double solve_depth(const struct curve *curve, double reading)
{
    double low = curve->usable_low, high = curve->usable_high, depth = low / 2 + high / 2;
    for (int step = 0; step < 200 && low < high; step++) {
        double off = curve_value(curve, depth) - reading;
        if (off == 0)
            break;
        if (off * curve->direction > 0)
            high = depth;
        else
            low = depth;
        double slope = curve_slope(curve, depth);
        double next = slope != 0 ? depth - off / slope : low;
        if (!(next > low && next < high))
            next = low / 2 + high / 2;
        if (fabs(next - depth) <= 1e-15 * fmax(fabs(low), fabs(high)))
            return next;
        depth = next;
    }
    return depth;
}

double curve_depth_extended(const struct curve *curve, double reading)
{
    if (isnan(curve->usable_low) || isnan(reading))
        return NAN;
    double at_low = curve_value(curve, curve->usable_low);
    double at_high = curve_value(curve, curve->usable_high);
    if ((reading - at_low) * curve->direction < 0)
        return curve->usable_low + (reading - at_low) / curve_slope(curve, curve->usable_low);
    if ((reading - at_high) * curve->direction > 0)
        return curve->usable_high + (reading - at_high) / curve_slope(curve, curve->usable_high);
    return solve_depth(curve, reading);
}

int curve_depth(const struct curve *curve, double reading, double reading_u, double *depth,
                double *u, struct rig_err *err)
{
    if (isnan(curve->usable_low))
        return rig_fail(err, RIG_EUNKNOWABLE, "the curve is too flat to give a depth anywhere");
    if (!isfinite(reading))
        return rig_fail(err, RIG_EINPUT, "the reading is not finite");
    double at_low = curve_value(curve, curve->usable_low);
    double at_high = curve_value(curve, curve->usable_high);
    if (reading < fmin(at_low, at_high) || reading > fmax(at_low, at_high))
        return rig_fail(err, RIG_EUNKNOWABLE,
                        "reading %g is outside what the curve covers, %g to %g", reading,
                        fmin(at_low, at_high), fmax(at_low, at_high));
    *depth = solve_depth(curve, reading);
    if (u)
        *u = curve_depth_u(curve, *depth, reading_u);
    return RIG_OK;
}

/* ---- fitting ---- */

/* Numbers beyond this have no meaning on a bench, and their powers would overflow. */
static const double beyond = 1e20;

static int check_points(const struct curve_points *points, struct rig_err *err)
{
    for (size_t i = 0; i < points->n; i++) {
        double u_y = points->reading_u ? points->reading_u[i] : 0;
        double u_x = points->depth_u ? points->depth_u[i] : 0;
        if (!isfinite(points->depth[i]) || !isfinite(points->reading[i]))
            return rig_fail(err, RIG_EINPUT, "point %zu is not finite", i + 1);
        if (fabs(points->depth[i]) > beyond || fabs(points->reading[i]) > beyond || u_y > beyond ||
            u_x > beyond || (u_y > 0 && u_y < 1 / beyond) || (u_x > 0 && u_x < 1 / beyond))
            return rig_fail(err, RIG_EINPUT,
                            "point %zu holds a number beyond %g, or an uncertainty below %g", i + 1,
                            beyond, 1 / beyond);
        if (!(u_y >= 0 && u_x >= 0 && isfinite(u_y) && isfinite(u_x)))
            return rig_fail(err, RIG_EINPUT, "an uncertainty of point %zu is below 0", i + 1);
        if ((points->reading_u || points->depth_u) && u_y == 0 && u_x == 0)
            return rig_fail(err, RIG_EINPUT, "point %zu has an uncertainty of 0", i + 1);
    }
    if (!(points->common_depth_u >= 0) || !(points->common_reading_u >= 0) ||
        points->common_depth_u > beyond || points->common_reading_u > beyond)
        return rig_fail(err, RIG_EINPUT, "a common uncertainty is below 0 or beyond %g", beyond);
    return RIG_OK;
}

static double residual_sd_of(const struct curve *curve, const struct curve_points *points)
{
    long double squares = 0;
    for (size_t i = 0; i < points->n; i++) {
        long double off = points->reading[i] - curve_value(curve, points->depth[i]);
        squares += off * off;
    }
    return curve->degrees_of_freedom > 0 ? sqrt((double)(squares / curve->degrees_of_freedom))
                                         : NAN;
}

/* A shift of all readings or of all depths is one that the fit can't see: it moves
 * the parameters as a whole. The estimate stays, the covariance grows by u^2 g g'. */
static void add_common(struct curve *curve, double u, const double g[], size_t p)
{
    double covariance[POLYNOMIAL_TERMS * POLYNOMIAL_TERMS];
    if (!(u > 0))
        return;
    for (size_t i = 0; i < p; i++)
        for (size_t j = 0; j < p; j++) {
            if (curve->kind == CURVE_SPLINE)
                curve->spline.covariance[i][j] += u * u * g[i] * g[j];
            else
                covariance[i * p + j] =
                    curve->polynomial.basis_covariance[i][j] + u * u * g[i] * g[j];
        }
    if (curve->kind == CURVE_POLYNOMIAL)
        polynomial_set_covariance(&curve->polynomial, covariance);
}

/* Chebyshev coefficients of the slope (Mason and Handscomb 2003, 2.4.4). */
static void slope_coefficients(const struct polynomial *polynomial, double g[])
{
    size_t degree = polynomial->degree;
    double above[POLYNOMIAL_TERMS + 2] = {0};
    for (size_t k = degree; k-- > 0;) {
        above[k] = above[k + 2] + 2 * (double)(k + 1) * polynomial->basis[k + 1];
        g[k] = above[k] / polynomial->half * (k == 0 ? 0.5 : 1);
    }
    g[degree] = 0;
}

static void add_common_parts(struct curve *curve, const struct curve_points *points)
{
    double g[SPLINE_KNOTS] = {1};
    if (curve->kind == CURVE_POLYNOMIAL) {
        add_common(curve, points->common_reading_u, g, curve->polynomial.degree + 1);
        slope_coefficients(&curve->polynomial, g);
        add_common(curve, points->common_depth_u, g, curve->polynomial.degree + 1);
        return;
    }
    size_t knots = curve->spline.knots;
    for (size_t k = 0; k < knots; k++)
        g[k] = 1;
    add_common(curve, points->common_reading_u, g, knots);
    for (size_t k = 0; k < knots; k++)
        g[k] = spline_slope(&curve->spline, curve->spline.x[k]);
    add_common(curve, points->common_depth_u, g, knots);
}

static int cluster_by_cycle(struct curve *curve, const struct lsq_fit *fit,
                            const struct curve_points *points, struct rig_err *err)
{
    size_t p = fit->p;
    double covariance[SPLINE_KNOTS * SPLINE_KNOTS];
    double *design = calloc(points->n, p * sizeof *design);
    double *target = calloc(points->n, sizeof *target);
    if (!design || !target) {
        free(design);
        free(target);
        return rig_fail_memory(err, "comparing cycles");
    }
    for (size_t i = 0; i < points->n; i++) {
        double *row = design + i * p;
        if (curve->kind == CURVE_SPLINE) {
            spline_gradient(&curve->spline, points->depth[i], row);
        } else {
            long double exact[POLYNOMIAL_TERMS];
            polynomial_row(&curve->polynomial, points->depth[i], exact);
            for (size_t k = 0; k < p; k++)
                row[k] = (double)exact[k];
        }
        /* The residual about the curve as it is, on top of what the design gives. */
        target[i] = points->reading[i] - curve_value(curve, points->depth[i]);
        for (size_t k = 0; k < p; k++)
            target[i] += row[k] * fit->parameter[k];
    }
    int failed = cluster_covariance(covariance, fit, design, target, NULL, points->cycle, points->n,
                                    points->cycles, CLUSTER_CR1, err);
    free(design);
    free(target);
    if (failed)
        return failed;
    if (curve->kind == CURVE_SPLINE) {
        for (size_t i = 0; i < p; i++)
            for (size_t j = 0; j < p; j++)
                curve->spline.covariance[i][j] = covariance[i * p + j];
    } else {
        polynomial_set_covariance(&curve->polynomial, covariance);
    }
    return RIG_OK;
}

/* Cycles that hold points; those that hold more than one. */
static size_t count_cycles(const struct curve_points *points, bool *repeated)
{
    size_t filled = 0;
    *repeated = false;
    unsigned char *seen = points->cycle ? calloc(points->cycles + 1, 1) : NULL;
    for (size_t i = 0; seen && i < points->n; i++) {
        if (points->cycle[i] >= points->cycles)
            continue;
        filled += !seen[points->cycle[i]];
        *repeated = *repeated || seen[points->cycle[i]];
        seen[points->cycle[i]] = 1;
    }
    free(seen);
    return filled;
}

static int finish(struct curve *curve, const struct lsq_fit *fit, const struct curve_points *points,
                  struct rig_err *err)
{
    enum { fewest_cycles = 3 };
    bool repeated, stated = points->reading_u || points->depth_u;
    size_t cycles = count_cycles(points, &repeated);
    curve->n = points->n;
    curve->degrees_of_freedom = fit->degrees_of_freedom;
    curve->residual_sd = residual_sd_of(curve, points);
    curve->chi_squared = stated ? fit->chi_squared : NAN;
    curve->chi_squared_p = stated && fit->degrees_of_freedom > 0
                               ? gsl_cdf_chisq_Q(fit->chi_squared, fit->degrees_of_freedom)
                               : NAN;
    if (stated) {
        curve->source = CURVE_U_STATED;
        curve->parameter_dof = INFINITY;
    } else if (!(fit->degrees_of_freedom > 0)) {
        curve->source = CURVE_U_NONE;
        curve->parameter_dof = 0;
    } else if (cycles >= fewest_cycles && repeated) {
        int failed = cluster_by_cycle(curve, fit, points, err);
        if (failed)
            return failed;
        curve->source = CURVE_U_CYCLES;
        curve->parameter_dof = (double)cycles - 1;
    } else {
        curve->source = CURVE_U_RESIDUALS;
        curve->parameter_dof = fit->degrees_of_freedom;
    }
    add_common_parts(curve, points);
    find_usable(curve);
    return RIG_OK;
}

/* The curve itself; an uncertainty may be unknown, which is NaN. */
static bool is_finite(const struct curve *curve)
{
    size_t count = curve->kind == CURVE_SPLINE ? curve->spline.knots : curve->polynomial.degree + 1;
    for (size_t k = 0; k < count; k++)
        if (!isfinite(curve->kind == CURVE_SPLINE
                          ? curve->spline.y[k]
                          : curve->polynomial.basis[k] + curve->polynomial.power[k]))
            return false;
    return isfinite(curve_value(curve, curve->low)) && isfinite(curve_value(curve, curve->high));
}

int curve_fit(struct curve *curve, const struct curve_points *points,
              const struct curve_options *options, struct rig_err *err)
{
    struct curve made;
    struct lsq_fit fit;
    memset(&made, 0, sizeof made);
    made.kind = options->kind;
    made.low = INFINITY;
    made.high = -INFINITY;
    int failed = check_points(points, err);
    if (failed)
        return failed;
    for (size_t i = 0; i < points->n; i++) {
        made.low = fmin(made.low, points->depth[i]);
        made.high = fmax(made.high, points->depth[i]);
    }
    if (points->n < 2)
        return rig_fail(err, RIG_EINPUT, "%zu point; a curve needs at least two", points->n);
    if (!(made.high > made.low))
        return rig_fail(err, RIG_EINPUT, "all depths are %g; a curve needs at least two depths",
                        made.low);
    if (made.high - made.low < 1 / beyond)
        return rig_fail(err, RIG_EINPUT, "the depths differ by less than %g", 1 / beyond);
    failed = options->kind == CURVE_SPLINE
                 ? curve_fit_spline(&made, &fit, points, options->knots, err)
                 : curve_fit_polynomial(&made, &fit, points, options->degree, err);
    if (!failed && !is_finite(&made))
        failed = rig_fail(err, RIG_EUNKNOWABLE,
                          "the points are too uneven in size for a fit in this arithmetic");
    if (!failed)
        failed = finish(&made, &fit, points, err);
    if (!failed)
        *curve = made;
    return failed;
}
