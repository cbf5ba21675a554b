/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "results/curve_fit.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* ---- how large a model the points carry ---- */

/* Akaike's criterion for few points (Hurvich and Tsai, Biometrika 76 (1989) 297;
 * Burnham and Anderson 2002, 2.4). Unknown noise counts as one more parameter. */
static double aicc(double squares, size_t n, size_t p, bool stated)
{
    double k = (double)(stated ? p : p + 1), spare = (double)n - k - 1;
    if (spare <= 0)
        return NAN;
    double misfit = stated ? squares : (double)n * log(squares / (double)n);
    return misfit + 2 * k + 2 * k * (k + 1) / spare;
}

/* Squares below what rounding of the readings alone makes tell nothing. */
static double rounding_squares(const struct curve_points *points)
{
    double largest = 0;
    for (size_t i = 0; i < points->n; i++)
        largest = fmax(largest, fabs(points->reading[i]));
    double step = fmax(largest * 1e-15, 1e-300);
    return (double)points->n * step * step;
}

/* Among models within 2 of the least AICc, which have substantial support (Burnham and
 * Anderson 2002, 2.6), the smallest. Makes aicc relative to the least. Returns the index;
 * the first when none could be judged. */
static size_t smallest_supported(struct curve_candidate candidates[], size_t count)
{
    const double support = 2;
    double least = INFINITY;
    for (size_t i = 0; i < count; i++)
        if (candidates[i].aicc < least)
            least = candidates[i].aicc;
    size_t chosen = count;
    for (size_t i = 0; i < count; i++) {
        if (isnan(candidates[i].aicc))
            continue;
        candidates[i].aicc -= least;
        if (chosen == count && candidates[i].aicc <= support)
            chosen = i;
    }
    return chosen == count ? 0 : chosen;
}

static int ascending(const void *a, const void *b)
{
    double left = *(const double *)a, right = *(const double *)b;
    return left < right ? -1 : left > right;
}

static int different_depths(const struct curve_points *points, size_t *count, struct rig_err *err)
{
    double *sorted = malloc(points->n * sizeof *sorted);
    if (!sorted)
        return rig_fail_memory(err, "sorting depths");
    memcpy(sorted, points->depth, points->n * sizeof *sorted);
    qsort(sorted, points->n, sizeof *sorted, ascending);
    *count = spline_different(sorted, points->n);
    free(sorted);
    return RIG_OK;
}

/* ---- polynomials ---- */

static int sums_of(struct lsq *sums, const struct polynomial *polynomial,
                   const struct curve_points *points, struct rig_err *err)
{
    int failed = lsq_start(sums, polynomial->degree + 1, err);
    for (size_t i = 0; i < points->n && !failed; i++) {
        long double row[POLYNOMIAL_TERMS];
        polynomial_row(polynomial, points->depth[i], row);
        lsq_add_exact(sums, row, points->reading[i], points->reading_u ? points->reading_u[i] : 1);
    }
    return failed;
}

/* Uncertain depths: the point on the curve that belongs to each observation, x, is
 * estimated too (Gauss-Newton, ISO/TS 28037:2010 clause 7.4 with a polynomial in place
 * of the line). Given the present curve and x, one linear fit improves the curve. */
static int fit_both_axes(struct polynomial *polynomial, struct lsq_fit *fit,
                         const struct curve_points *points, struct rig_err *err)
{
    enum { most_steps = 200 };
    size_t p = polynomial->degree + 1;
    double *x = malloc(points->n * sizeof *x);
    if (!x)
        return rig_fail_memory(err, "fitting with uncertain depths");
    memcpy(x, points->depth, points->n * sizeof *x);
    /* A start: the readings alone, unweighted. */
    int failed = polynomial_fit(polynomial, fit, points->depth, points->reading, NULL, points->n,
                                polynomial->degree, err);
    bool settled = false;
    for (int step = 0; step < most_steps && !failed && !settled; step++) {
        struct lsq sums;
        failed = lsq_start(&sums, p, err);
        for (size_t i = 0; i < points->n && !failed; i++) {
            long double row[POLYNOMIAL_TERMS];
            double u_x = points->depth_u[i], u_y = points->reading_u ? points->reading_u[i] : 0;
            double slope = polynomial_slope(polynomial, x[i]);
            double variance = u_y * u_y + slope * slope * u_x * u_x;
            if (!(variance > 0)) { /* a level spot of a curve without reading_u */
                failed = rig_fail(err, RIG_EUNKNOWABLE,
                                  "the curve is level at depth %g, where depth_u alone says "
                                  "nothing about the reading; give reading_u too",
                                  x[i]);
                break;
            }
            double off = points->reading[i] - polynomial_value(polynomial, x[i]) -
                         slope * (points->depth[i] - x[i]);
            x[i] = points->depth[i] + slope * u_x * u_x * off / variance;
            slope = polynomial_slope(polynomial, x[i]);
            variance = u_y * u_y + slope * slope * u_x * u_x;
            off = points->reading[i] - polynomial_value(polynomial, x[i]) -
                  slope * (points->depth[i] - x[i]);
            polynomial_row(polynomial, x[i], row);
            long double target = off;
            for (size_t k = 0; k < p; k++)
                target += row[k] * polynomial->basis[k];
            lsq_add_exact(&sums, row, target, sqrt(variance));
        }
        if (!failed)
            failed = lsq_solve(fit, &sums, LSQ_FROM_STATED, err);
        if (failed)
            break;
        settled = true;
        for (size_t k = 0; k < p; k++)
            if (fabs(fit->parameter[k] - polynomial->basis[k]) >
                1e-9 * sqrt(fit->covariance[k][k]) + 1e-14 * fabs(fit->parameter[k]))
                settled = false;
        polynomial_take(polynomial, fit);
    }
    free(x);
    if (!failed && !settled)
        failed = rig_fail(err, RIG_EUNKNOWABLE,
                          "the fit with uncertain depths doesn't settle at degree %zu; ask for a "
                          "lower one",
                          polynomial->degree);
    return failed;
}

static int fit_degree(struct polynomial *polynomial, struct lsq_fit *fit,
                      const struct curve_points *points, size_t degree, struct rig_err *err)
{
    struct lsq sums;
    int failed = polynomial_domain(polynomial, points->depth, points->n, degree, err);
    if (failed)
        return failed;
    if (points->depth_u)
        return fit_both_axes(polynomial, fit, points, err);
    failed = sums_of(&sums, polynomial, points, err);
    if (!failed)
        failed =
            lsq_solve(fit, &sums, points->reading_u ? LSQ_FROM_STATED : LSQ_FROM_RESIDUALS, err);
    if (!failed)
        polynomial_take(polynomial, fit);
    return failed;
}

/* Degrees 1 to most, and how well each does. */
static int weigh_degrees(struct curve *curve, const struct curve_points *points, size_t most,
                         struct rig_err *err)
{
    bool stated = points->reading_u || points->depth_u;
    double least = stated ? 0 : rounding_squares(points);
    struct polynomial polynomial;
    struct lsq_fit fit;
    struct lsq sums;
    int failed = polynomial_domain(&polynomial, points->depth, points->n, most, err);
    if (!failed && !points->depth_u)
        failed = sums_of(&sums, &polynomial, points, err);
    for (size_t degree = 1; degree <= most && !failed; degree++) {
        if (points->depth_u) {
            struct rig_err ignored;
            failed = fit_degree(&polynomial, &fit, points, degree, degree > 1 ? &ignored : err);
            if (failed && degree > 1) { /* a degree that doesn't settle is no candidate */
                failed = RIG_OK;
                break;
            }
        } else {
            failed = lsq_solve_first(&fit, &sums, degree + 1, LSQ_FROM_STATED, err);
        }
        if (!failed)
            curve->candidates[curve->candidate_count++] = (struct curve_candidate){
                degree, aicc(fmax(fit.chi_squared, least), points->n, degree + 1, stated)};
    }
    return failed;
}

int curve_fit_polynomial(struct curve *curve, struct lsq_fit *fit,
                         const struct curve_points *points, size_t degree, struct rig_err *err)
{
    size_t depths = 0;
    int failed = different_depths(points, &depths, err);
    if (failed)
        return failed;
    if (degree > POLYNOMIAL_DEGREE_LIMIT)
        return rig_fail(err, RIG_EINPUT, "degree %zu is too high; 1 to %d are possible", degree,
                        POLYNOMIAL_DEGREE_LIMIT);
    if (degree >= depths)
        return rig_fail(err, RIG_EINPUT,
                        "%zu different depths can't carry degree %zu; ask for %zu at most", depths,
                        degree, depths - 1);
    if (degree == 0) {
        /* One depth more than parameters, so that no degree fits for lack of data. */
        size_t most = depths > 3 ? depths - 2 : 1;
        if (most > CURVE_DEGREE_CHOSEN_UP_TO)
            most = CURVE_DEGREE_CHOSEN_UP_TO;
        failed = weigh_degrees(curve, points, most, err);
        if (failed)
            return failed;
        curve->chosen = true;
        degree =
            curve->candidates[smallest_supported(curve->candidates, curve->candidate_count)].size;
    }
    return fit_degree(&curve->polynomial, fit, points, degree, err);
}

/* ---- splines ---- */

struct point {
    double depth, reading, u;
};

static int by_depth(const void *a, const void *b)
{
    const struct point *left = a, *right = b;
    return left->depth < right->depth ? -1 : left->depth > right->depth;
}

/* Points by depth, as columns; u NULL when nothing is stated. Depth uncertainty goes
 * into u through the slope of the curve so far (effective variance). */
struct columns {
    struct point *points;
    double *x, *y, *u;
    size_t n;
};

static void columns_free(struct columns *columns)
{
    free(columns->points);
    free(columns->x);
}

static int columns_of(struct columns *columns, const struct curve_points *points,
                      struct rig_err *err)
{
    size_t n = points->n;
    bool stated = points->reading_u || points->depth_u;
    *columns = (struct columns){.n = n};
    columns->points = calloc(n, sizeof *columns->points);
    columns->x = calloc(n, 3 * sizeof *columns->x);
    if (!columns->points || !columns->x) {
        columns_free(columns);
        return rig_fail_memory(err, "sorting points");
    }
    columns->y = columns->x + n;
    columns->u = stated ? columns->x + 2 * n : NULL;
    /* A straight line's slope turns depth_u into the reading's unit to begin with. */
    double slope = 0;
    if (points->depth_u) {
        struct polynomial line;
        int failed = polynomial_fit(&line, NULL, points->depth, points->reading, NULL, n, 1, err);
        if (failed) {
            columns_free(columns);
            return failed;
        }
        slope = line.basis[1] / line.half;
    }
    for (size_t i = 0; i < n; i++) {
        double u_y = points->reading_u ? points->reading_u[i] : 0;
        double u_x = points->depth_u ? points->depth_u[i] : 0;
        double u = hypot(u_y, slope * u_x);
        if (stated && !(u > 0)) {
            columns_free(columns);
            return rig_fail(err, RIG_EUNKNOWABLE,
                            "the readings don't change with depth, so depth_u alone says nothing "
                            "about them; give reading_u too");
        }
        columns->points[i] = (struct point){points->depth[i], points->reading[i], u};
    }
    qsort(columns->points, n, sizeof *columns->points, by_depth);
    for (size_t i = 0; i < n; i++) {
        columns->x[i] = columns->points[i].depth;
        columns->y[i] = columns->points[i].reading;
        if (columns->u)
            columns->u[i] = columns->points[i].u;
    }
    return RIG_OK;
}

static int fit_knots(struct spline *spline, struct lsq_fit *fit, const struct columns *columns,
                     size_t knots, struct rig_err *err)
{
    int failed = spline_place_knots(spline, columns->x, columns->n, knots, err);
    if (!failed)
        failed = spline_fit(spline, fit, columns->x, columns->y, columns->u, columns->n, err);
    return failed;
}

int curve_fit_spline(struct curve *curve, struct lsq_fit *fit, const struct curve_points *points,
                     size_t knots, struct rig_err *err)
{
    enum { fewest = 3, most_chosen = 12 };
    size_t depths = 0;
    struct columns columns;
    int failed = different_depths(points, &depths, err);
    if (failed)
        return failed;
    if (depths < fewest)
        return rig_fail(err, RIG_EINPUT, "%zu different depths; a spline needs at least %d", depths,
                        fewest);
    failed = columns_of(&columns, points, err);
    if (failed)
        return failed;
    bool stated = columns.u != NULL;
    if (knots == 0) {
        /* Two depths a knot at least. */
        size_t most = depths / 2 < fewest ? fewest : depths / 2;
        if (most > most_chosen)
            most = most_chosen;
        double least = stated ? 0 : rounding_squares(points);
        for (size_t size = fewest; size <= most && !failed; size++) {
            failed = fit_knots(&curve->spline, fit, &columns, size, err);
            if (!failed)
                curve->candidates[curve->candidate_count++] = (struct curve_candidate){
                    size, aicc(fmax(fit->chi_squared, least), points->n, size, stated)};
        }
        curve->chosen = true;
        if (!failed)
            knots = curve->candidates[smallest_supported(curve->candidates, curve->candidate_count)]
                        .size;
    }
    if (!failed)
        failed = fit_knots(&curve->spline, fit, &columns, knots, err);
    columns_free(&columns);
    return failed;
}
