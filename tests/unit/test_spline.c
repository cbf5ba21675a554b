/* SPDX-License-Identifier: GPL-3.0-or-later
 * The monotone spline: GSL's Steffen interpolation as a second opinion, monotony, and
 * the least-squares fit of its knots. */
#include "check.h"
#include "results/spline.h"

#include <gsl/gsl_interp.h>
#include <gsl/gsl_randist.h>
#include <math.h>

static gsl_rng *dice(void)
{
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    assert_non_null(rng);
    gsl_rng_set(rng, 11);
    return rng;
}

/* Inner intervals agree with GSL; the two end intervals differ by design (GSL takes the
 * secant as end slope, the paper a parabola). */
static void test_against_gsl(void **state)
{
    (void)state;
    gsl_rng *rng = dice();
    for (int round = 0; round < 200; round++) {
        struct spline spline = {.knots = 8};
        double x = 0;
        for (size_t k = 0; k < 8; k++) {
            spline.x[k] = x += gsl_ran_flat(rng, 0.1, 3);
            spline.y[k] = gsl_ran_gaussian(rng, 2);
        }
        gsl_interp *interp = gsl_interp_alloc(gsl_interp_steffen, 8);
        assert_int_equal(gsl_interp_init(interp, spline.x, spline.y, 8), 0);
        for (double at = spline.x[1]; at < spline.x[6]; at += 0.05) {
            assert_near(spline_value(&spline, at),
                        gsl_interp_eval(interp, spline.x, spline.y, at, NULL), 1e-12, "");
            assert_near(spline_slope(&spline, at),
                        gsl_interp_eval_deriv(interp, spline.x, spline.y, at, NULL), 1e-10, "");
        }
        gsl_interp_free(interp);
    }
    gsl_rng_free(rng);
}

/* Never outside the two knots around it, continuous, straight beyond the ends. */
static void test_monotone(void **state)
{
    (void)state;
    gsl_rng *rng = dice();
    for (int round = 0; round < 500; round++) {
        struct spline spline = {.knots = 6};
        for (size_t k = 0; k < 6; k++) {
            spline.x[k] = (double)k + (k ? gsl_ran_flat(rng, 0, 0.9) : 0);
            spline.y[k] = gsl_ran_gaussian(rng, 1);
        }
        for (size_t k = 0; k + 1 < 6; k++) {
            double low = fmin(spline.y[k], spline.y[k + 1]);
            double high = fmax(spline.y[k], spline.y[k + 1]);
            for (int i = 0; i <= 20; i++) {
                double at = spline.x[k] + (spline.x[k + 1] - spline.x[k]) * i / 20;
                double value = spline_value(&spline, at);
                assert_true(value >= low - 1e-12 && value <= high + 1e-12);
            }
        }
        double beyond = spline.x[5] + 2;
        assert_near(spline_value(&spline, beyond),
                    spline.y[5] + 2 * spline_slope(&spline, spline.x[5]), 1e-12, "");
        double before = spline.x[0] - 1;
        assert_near(spline_value(&spline, before), spline.y[0] - spline_slope(&spline, spline.x[0]),
                    1e-12, "");
    }
    gsl_rng_free(rng);
}

/* A parabola is met exactly where no limiter acts: at its own knots' midpoints to third
 * order, so a fit with few knots follows a smooth curve closely. */
static void test_fit_follows(void **state)
{
    (void)state;
    enum { n = 200 };
    double x[n], y[n], gradient[SPLINE_KNOTS];
    gsl_rng *rng = dice();
    struct rig_err err = {0};
    struct spline spline;
    struct lsq_fit fit;
    for (size_t i = 0; i < n; i++) {
        x[i] = (double)i;
        y[i] = 1 + 3 * (1 - exp(-x[i] / 80)) + gsl_ran_gaussian(rng, 0.01);
    }
    assert_int_equal(spline_place_knots(&spline, x, n, 7, &err), 0);
    assert_near(spline.x[0], 0, 0, "");
    assert_near(spline.x[6], n - 1, 0, "");
    assert_int_equal(spline_fit(&spline, &fit, x, y, NULL, n, &err), 0);
    assert_false(spline.flattened);
    assert_near(fit.residual_sd, 0.01, 0.0015, "");
    for (double at = 0; at < n; at += 3.7) {
        double truth = 1 + 3 * (1 - exp(-at / 80));
        assert_near(spline_value(&spline, at), truth, 5 * spline_value_u(&spline, at) + 0.003, "");
        /* The gradient's parts add up to 1: raising all knots raises the curve. */
        double sum = 0;
        spline_gradient(&spline, at, gradient);
        for (size_t k = 0; k < spline.knots; k++)
            sum += gradient[k];
        assert_near(sum, 1, 1e-6, "");
    }
    gsl_rng_free(rng);
}

static void test_levelled_knots(void **state)
{
    (void)state;
    enum { n = 60 };
    double x[n], y[n];
    struct rig_err err = {0};
    struct spline spline;
    for (size_t i = 0; i < n; i++) {
        x[i] = (double)i;
        y[i] = x[i] + (i > 20 && i < 40 ? -30 : 0); /* a dent that runs backwards */
    }
    assert_int_equal(spline_place_knots(&spline, x, n, 8, &err), 0);
    assert_int_equal(spline_fit(&spline, NULL, x, y, NULL, n, &err), 0);
    assert_true(spline.flattened);
    for (size_t k = 1; k < 8; k++)
        assert_true(spline.y[k] >= spline.y[k - 1]);
}

static void test_refusals(void **state)
{
    (void)state;
    const double x[] = {0, 0, 1, 1};
    struct rig_err err = {0};
    struct spline spline;
    assert_int_equal(spline_place_knots(&spline, x, 4, 3, &err), RIG_EINPUT);
    assert_contains(err.text, "2 different depths");
    assert_int_equal(spline_place_knots(&spline, x, 4, 2, &err), RIG_EINPUT);
    assert_int_equal(spline_place_knots(&spline, x, 4, SPLINE_KNOTS + 1, &err), RIG_EINPUT);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_against_gsl), cmocka_unit_test(test_monotone),
        cmocka_unit_test(test_fit_follows), cmocka_unit_test(test_levelled_knots),
        cmocka_unit_test(test_refusals),
    };
    return cmocka_run_group_tests_name("spline", tests, NULL, NULL);
}
