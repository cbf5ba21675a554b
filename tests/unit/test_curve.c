/* SPDX-License-Identifier: GPL-3.0-or-later
 * The calibration curve: common uncertainties against a full covariance, uncertain
 * depths against a direct search, the usable range, the inverse, honest intervals. */
#include "check.h"
#include "montecarlo.h"
#include "results/curve.h"

#include <gsl/gsl_multimin.h>
#include <gsl/gsl_randist.h>
#include <math.h>

static gsl_rng *dice(void)
{
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    assert_non_null(rng);
    gsl_rng_set(rng, 97);
    return rng;
}

static struct curve fit(const struct curve_points *points, enum curve_kind kind, size_t size)
{
    struct curve curve;
    struct rig_err err = {0};
    struct curve_options options = {.kind = kind};
    *(kind == CURVE_SPLINE ? &options.knots : &options.degree) = size;
    int failed = curve_fit(&curve, points, &options, &err);
    if (failed)
        print_error("%s\n", err.text);
    assert_int_equal(failed, 0);
    return curve;
}

/* A shared datum and a shared offset, as generalised least squares sees them. */
static void test_common_uncertainty(void **state)
{
    (void)state;
    enum { n = 12 };
    double depth[n], reading[n], u[n], design[n * 3], covariance[n * n];
    gsl_rng *rng = dice();
    for (size_t i = 0; i < n; i++) {
        depth[i] = 10 + 12 * (double)i;
        u[i] = gsl_ran_flat(rng, 0.01, 0.03);
        reading[i] =
            0.4 + 0.02 * depth[i] + 3e-5 * depth[i] * depth[i] + gsl_ran_gaussian(rng, u[i]);
    }
    struct curve_points points = {.n = n,
                                  .depth = depth,
                                  .reading = reading,
                                  .reading_u = u,
                                  .common_reading_u = 0.015,
                                  .common_depth_u = 0.7};
    struct curve curve = fit(&points, CURVE_POLYNOMIAL, 2);
    assert_int_equal(curve.source, CURVE_U_STATED);
    for (size_t i = 0; i < n; i++) {
        for (size_t k = 0; k < 3; k++)
            design[i * 3 + k] = pow(depth[i], (double)k);
        for (size_t j = 0; j < n; j++)
            covariance[i * n + j] =
                (i == j ? u[i] * u[i] : 0) + 0.015 * 0.015 +
                0.7 * 0.7 * curve_slope(&curve, depth[i]) * curve_slope(&curve, depth[j]);
    }
    struct lsq_fit full;
    struct rig_err err = {0};
    assert_int_equal(lsq_fit_covariance(&full, design, reading, covariance, n, 3, &err), 0);
    for (size_t k = 0; k < 3; k++) {
        assert_digits(curve.polynomial.power[k], full.parameter[k], 9);
        for (size_t l = 0; l < 3; l++)
            assert_digits(curve.polynomial.power_covariance[k][l], full.covariance[k][l], 8);
    }
    assert_digits(curve.chi_squared, full.chi_squared, 9);
    gsl_rng_free(rng);
}

struct both_axes {
    size_t n;
    const double *x, *y, *u_x, *u_y;
};

/* For a straight line the distance can be minimised over the unknown points by hand. */
static double line_misfit(const gsl_vector *ab, void *context)
{
    const struct both_axes *data = context;
    double sum = 0, a = gsl_vector_get(ab, 0), b = gsl_vector_get(ab, 1);
    for (size_t i = 0; i < data->n; i++)
        sum += pow(data->y[i] - a - b * data->x[i], 2) /
               (data->u_y[i] * data->u_y[i] + b * b * data->u_x[i] * data->u_x[i]);
    return sum;
}

static void test_uncertain_depths(void **state)
{
    (void)state;
    const double x[] = {1.2, 1.9, 2.9, 4.0, 4.7, 5.9}, y[] = {3.4, 4.4, 7.2, 8.5, 10.8, 13.5};
    const double u_x[] = {0.2, 0.2, 0.2, 0.2, 0.2, 0.2}, u_y[] = {0.2, 0.2, 0.2, 0.4, 0.4, 0.4};
    struct both_axes data = {6, x, y, u_x, u_y};
    struct curve_points points = {
        .n = 6, .depth = x, .reading = y, .reading_u = u_y, .depth_u = u_x};
    struct curve curve = fit(&points, CURVE_POLYNOMIAL, 1);
    gsl_multimin_function function = {line_misfit, 2, &data};
    gsl_multimin_fminimizer *search =
        gsl_multimin_fminimizer_alloc(gsl_multimin_fminimizer_nmsimplex2, 2);
    gsl_vector *start = gsl_vector_alloc(2), *step = gsl_vector_alloc(2);
    gsl_vector_set(start, 0, 1);
    gsl_vector_set(start, 1, 2);
    gsl_vector_set_all(step, 0.1);
    assert_int_equal(gsl_multimin_fminimizer_set(search, &function, start, step), 0);
    for (int i = 0; i < 2000; i++)
        gsl_multimin_fminimizer_iterate(search);
    assert_near(curve.polynomial.power[0], gsl_vector_get(search->x, 0), 1e-6, "");
    assert_near(curve.polynomial.power[1], gsl_vector_get(search->x, 1), 1e-6, "");
    assert_digits(curve.chi_squared, search->fval, 8);
    gsl_vector_free(start);
    gsl_vector_free(step);
    gsl_multimin_fminimizer_free(search);
    /* The example of ISO/TS 28037:2010 clause 7, its numbers from memory. */
    assert_near(curve.polynomial.power[0], 0.5788, 0.00006, "");
    assert_near(curve.polynomial.power[1], 2.1597, 0.00006, "");
    assert_near(sqrt(curve.polynomial.power_covariance[0][0]), 0.4764, 0.00006, "");
    assert_near(sqrt(curve.polynomial.power_covariance[1][1]), 0.1355, 0.00006, "");
    assert_near(curve.chi_squared, 2.743, 0.0006, "");
}

/* Depth uncertainty alone says as much as the reading uncertainty it amounts to. */
static void test_depth_uncertainty_alone(void **state)
{
    (void)state;
    enum { n = 9 };
    double x[n], y[n], u_x[n], u_y[n];
    for (size_t i = 0; i < n; i++) {
        x[i] = 20 * (double)i;
        y[i] = 1 + 0.05 * x[i] + ((double)(i % 3) - 1) * 0.01;
        u_x[i] = 0.3;
    }
    struct curve_points points = {.n = n, .depth = x, .reading = y, .depth_u = u_x};
    struct curve alone = fit(&points, CURVE_POLYNOMIAL, 1);
    for (size_t i = 0; i < n; i++)
        u_y[i] = 0.3 * alone.polynomial.power[1];
    points.depth_u = NULL;
    points.reading_u = u_y;
    struct curve readings = fit(&points, CURVE_POLYNOMIAL, 1);
    assert_near(alone.polynomial.power[1], readings.polynomial.power[1], 1e-6, "");
    assert_digits(sqrt(alone.polynomial.power_covariance[1][1]),
                  sqrt(readings.polynomial.power_covariance[1][1]), 3);
    assert_digits(alone.chi_squared, readings.chi_squared, 3);
}

/* Degree by AICc: a cubic is found, a straight line isn't overfitted, five exact points
 * of a line don't hide a parabola. */
static void test_degree(void **state)
{
    (void)state;
    enum { n = 40 };
    double x[n], y[n];
    size_t right[4] = {0};
    gsl_rng *rng = dice();
    for (int round = 0; round < 200; round++)
        for (size_t degree = 1; degree <= 3; degree++) {
            for (size_t i = 0; i < n; i++) {
                double t = (double)i / (n - 1);
                x[i] = 10 + 140 * t;
                y[i] = t + (degree > 1 ? 0.2 * t * t : 0) - (degree > 2 ? 0.3 * t * t * t : 0) +
                       gsl_ran_gaussian(rng, 0.005);
            }
            struct curve_points points = {.n = n, .depth = x, .reading = y};
            struct curve curve = fit(&points, CURVE_POLYNOMIAL, 0);
            assert_true(curve.chosen && curve.candidate_count == CURVE_DEGREE_CHOSEN_UP_TO);
            right[degree] += curve.polynomial.degree == degree;
        }
    for (size_t degree = 1; degree <= 3; degree++)
        assert_true(right[degree] >= 170); /* of 200 */
    for (size_t i = 0; i < 5; i++)
        y[i] = 2 + 0.1 * x[i];
    struct curve_points exact = {.n = 5, .depth = x, .reading = y};
    assert_int_equal(fit(&exact, CURVE_POLYNOMIAL, 0).polynomial.degree, 1);
    gsl_rng_free(rng);
}

static void test_usable_range_and_inverse(void **state)
{
    (void)state;
    enum { n = 101 };
    double x[n], y[n];
    for (size_t i = 0; i < n; i++) { /* turns over at 120 */
        x[i] = 1.5 * (double)i;
        y[i] = 5 - pow((120 - x[i]) / 120, 2) + ((double)(i % 2) - 0.5) * 1e-4;
    }
    struct curve_points points = {.n = n, .depth = x, .reading = y};
    struct curve curve = fit(&points, CURVE_POLYNOMIAL, 2);
    struct rig_err err = {0};
    assert_near(curve.usable_low, 0, 0, "mm");
    assert_near(curve.usable_high, 120, 0.1, "mm");
    assert_true(curve.usable_high < 120);
    assert_int_equal(curve.unusable_count, 1);
    assert_true(curve.unusable[0].turned);
    assert_near(curve.unusable[0].high, 150, 0, "mm");
    double depth, u;
    for (double at = 1; at < 119; at += 3.3) {
        assert_int_equal(curve_depth(&curve, curve_value(&curve, at), 0.001, &depth, &u, &err), 0);
        assert_near(depth, at, 1e-9, "mm");
        assert_digits(u, hypot(0.001, curve_value_u(&curve, at)) / curve_slope(&curve, at), 8);
        assert_near(curve_depth_extended(&curve, curve_value(&curve, at)), at, 1e-9, "mm");
    }
    assert_int_equal(curve_depth(&curve, 3.9, 0, &depth, &u, &err), RIG_EUNKNOWABLE);
    assert_contains(err.text, "outside");
    assert_int_equal(curve_depth(&curve, NAN, 0, &depth, &u, &err), RIG_EINPUT);
    /* Beyond the end: straight on. */
    double below = curve_value(&curve, 0) - 0.01;
    assert_near(curve_depth_extended(&curve, below), -0.01 / curve_slope(&curve, 0), 1e-9, "mm");
    /* Falling readings work alike. */
    for (size_t i = 0; i < n; i++)
        y[i] = -y[i];
    struct curve falling = fit(&points, CURVE_POLYNOMIAL, 2);
    assert_int_equal(falling.direction, -1);
    assert_near(falling.usable_high, curve.usable_high, 1e-6, "mm");
    assert_near(curve_depth_extended(&falling, curve_value(&falling, 40)), 40, 1e-9, "mm");
    /* Nothing but noise: nothing is usable. */
    for (size_t i = 0; i < n; i++)
        y[i] = (double)((i * 7919) % 13);
    struct curve noise = fit(&points, CURVE_POLYNOMIAL, 0);
    assert_true(isnan(noise.usable_low) && isnan(curve_depth_extended(&noise, 6)));
    assert_int_equal(curve_depth(&noise, 6, 0, &depth, &u, &err), RIG_EUNKNOWABLE);
}

/* A characteristic with a knee and a flat end, as a spline. */
static void test_spline_curve(void **state)
{
    (void)state;
    enum { n = 120 };
    double x[n], y[n];
    gsl_rng *rng = dice();
    for (size_t i = 0; i < n; i++) {
        x[i] = (double)i;
        y[i] = (x[i] < 40   ? 2 * x[i]
                : x[i] < 90 ? 80 + 0.5 * (x[i] - 40)
                            : 105) +
               gsl_ran_gaussian(rng, 0.3);
    }
    struct curve_points points = {.n = n, .depth = x, .reading = y};
    struct curve curve = fit(&points, CURVE_SPLINE, 0);
    assert_true(curve.chosen && curve.spline.knots >= 4);
    assert_near(curve.usable_low, 0, 0, "mm");
    assert_true(curve.usable_high > 80 && curve.usable_high < 105);
    assert_int_equal(curve.unusable_count, 1);
    double depth, u;
    struct rig_err err = {0};
    assert_int_equal(curve_depth(&curve, 60, 0.3, &depth, &u, &err), 0);
    assert_near(depth, 30, 2, "mm");
    assert_true(u > 0.1 && u < 0.5);
    /* Stated uncertainties and common parts. */
    double known[n];
    for (size_t i = 0; i < n; i++)
        known[i] = 0.3;
    points.reading_u = known;
    struct curve stated = fit(&points, CURVE_SPLINE, 6);
    points.common_reading_u = 1;
    struct curve common = fit(&points, CURVE_SPLINE, 6);
    assert_near(stated.chi_squared, common.chi_squared, 1e-9, "");
    assert_near(curve_value_u(&common, 55), hypot(curve_value_u(&stated, 55), 1), 1e-6, "");
    gsl_rng_free(rng);
}

/* Intervals cover the truth: independent noise, and cycles that differ as a whole. */
static void test_honest(void **state)
{
    (void)state;
    enum { cycles = 6, each = 12, n = cycles * each, runs = 1500 };
    double x[n], y[n];
    size_t cycle[n];
    gsl_rng *rng = dice();
    struct tally slope = {.what = "slope, residuals"}, middle = {.what = "middle, cycles"},
                 inverse = {.what = "inverse"}, end = {.what = "end, cycles"};
    for (int run = 0; run < runs; run++) {
        for (size_t c = 0; c < cycles; c++) {
            double shift = gsl_ran_gaussian(rng, 0.02), gain = 1 + gsl_ran_gaussian(rng, 0.01);
            for (size_t i = 0; i < each; i++) {
                size_t at = c * each + i;
                x[at] = 12 * (double)i;
                y[at] = gain * (0.5 + 0.02 * x[at]) + shift + gsl_ran_gaussian(rng, 0.005);
                cycle[at] = c;
            }
        }
        struct curve_points points = {
            .n = n, .depth = x, .reading = y, .cycle = cycle, .cycles = cycles};
        struct curve curve = fit(&points, CURVE_POLYNOMIAL, 1);
        assert_int_equal(curve.source, CURVE_U_CYCLES);
        assert_near(curve.parameter_dof, cycles - 1, 0, "");
        tally_add(&middle, curve_value(&curve, 60), curve_value_u(&curve, 60), curve.parameter_dof,
                  1.7);
        tally_add(&end, curve_value(&curve, 130), curve_value_u(&curve, 130), curve.parameter_dof,
                  3.1);
        for (size_t i = 0; i < n; i++)
            y[i] = 0.5 + 0.02 * x[i] + gsl_ran_gaussian(rng, 0.01);
        points.cycle = NULL;
        curve = fit(&points, CURVE_POLYNOMIAL, 1);
        assert_int_equal(curve.source, CURVE_U_RESIDUALS);
        tally_add(&slope, curve.polynomial.power[1], sqrt(curve.polynomial.power_covariance[1][1]),
                  curve.parameter_dof, 0.02);
        double depth, u;
        struct rig_err err = {0};
        double reading = 0.5 + 0.02 * 77 + gsl_ran_gaussian(rng, 0.01);
        assert_int_equal(curve_depth(&curve, reading, curve.residual_sd, &depth, &u, &err), 0);
        tally_add(&inverse, depth, u, curve.parameter_dof, 77);
    }
    assert_honest(&slope);
    assert_honest(&inverse);
    assert_honest(&middle);
    assert_honest(&end);
    gsl_rng_free(rng);
}

static void test_refusals(void **state)
{
    (void)state;
    const double x[] = {0, 1, 2, 3}, y[] = {1, 2, 3, 5}, same[] = {2, 2, 2, 2};
    double u[] = {0.1, 0, 0.1, 0.1};
    struct curve curve;
    struct curve_options options = {.degree = 4};
    struct rig_err err = {0};
    struct curve_points points = {.n = 4, .depth = x, .reading = y};
    assert_int_equal(curve_fit(&curve, &points, &options, &err), RIG_EINPUT);
    assert_contains(err.text, "4 different depths can't carry degree 4; ask for 3 at most");
    options.degree = 3;
    assert_int_equal(curve_fit(&curve, &points, &options, &err), 0);
    assert_int_equal(curve.source, CURVE_U_NONE);
    assert_true(isnan(curve.residual_sd) && isnan(curve.polynomial.power_covariance[0][0]));
    options.degree = 13;
    assert_int_equal(curve_fit(&curve, &points, &options, &err), RIG_EINPUT);
    options.degree = 0;
    points.depth = same;
    assert_int_equal(curve_fit(&curve, &points, &options, &err), RIG_EINPUT);
    assert_contains(err.text, "all depths are 2");
    points.depth = x;
    points.n = 1;
    assert_int_equal(curve_fit(&curve, &points, &options, &err), RIG_EINPUT);
    points.n = 4;
    points.reading_u = u;
    assert_int_equal(curve_fit(&curve, &points, &options, &err), RIG_EINPUT);
    assert_contains(err.text, "point 2");
    u[1] = -1;
    assert_int_equal(curve_fit(&curve, &points, &options, &err), RIG_EINPUT);
    points.reading_u = NULL;
    points.common_depth_u = NAN;
    assert_int_equal(curve_fit(&curve, &points, &options, &err), RIG_EINPUT);
    /* Two points: a line without an uncertainty, unless it is stated. */
    points = (struct curve_points){.n = 2, .depth = x, .reading = y};
    assert_int_equal(curve_fit(&curve, &points, &options, &err), 0);
    assert_int_equal(curve.source, CURVE_U_NONE);
    assert_near(curve.polynomial.power[1], 1, 1e-15, "");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_common_uncertainty),
        cmocka_unit_test(test_uncertain_depths),
        cmocka_unit_test(test_depth_uncertainty_alone),
        cmocka_unit_test(test_degree),
        cmocka_unit_test(test_usable_range_and_inverse),
        cmocka_unit_test(test_spline_curve),
        cmocka_unit_test(test_honest),
        cmocka_unit_test(test_refusals),
    };
    return cmocka_run_group_tests_name("curve", tests, NULL, NULL);
}
