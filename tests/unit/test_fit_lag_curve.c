/* SPDX-License-Identifier: GPL-3.0-or-later
 * What the calibration's noise does to hysteresis and lags, against many calibrations drawn anew.
 */
#include "check.h"
#include "montecarlo.h"

#include "results/fit_lag.h"

#include <gsl/gsl_errno.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>

enum { LEVELS = 12, SPEEDS = 4, PASSES = 4 * SPEEDS, RUNS = 600 };

static const double hysteresis_mm = 0.4, lag_s[] = {0.08, 0.2}; /* rising, falling */

static double reading_at(double depth)
{
    return 1.2 + 0.02 * depth + 1.5e-5 * depth * depth;
}

static int calibrate(struct curve *curve, enum curve_kind kind, gsl_rng *random, double noise)
{
    double depth[LEVELS], reading[LEVELS], u[LEVELS];
    for (int i = 0; i < LEVELS; i++) {
        depth[i] = 10 + 140.0 * i / (LEVELS - 1);
        reading[i] = reading_at(depth[i]) + gsl_ran_gaussian(random, noise);
        u[i] = noise;
    }
    struct rig_err err = {0};
    const struct curve_points points = {
        .n = LEVELS, .depth = depth, .reading = reading, .reading_u = u};
    const struct curve_options options = {
        .kind = kind, .degree = kind == CURVE_POLYNOMIAL ? 2 : 0, .knots = 5};
    return curve_fit(curve, &points, &options, &err);
}

/* Without noise of their own; a faster pass is steady later. */
static void run_passes(struct ramp_pass passes[], const struct curve *curve)
{
    static const double speeds[SPEEDS] = {8, 16, 28, 45};
    for (int i = 0; i < PASSES; i++) {
        double speed = speeds[i / 4], sum = 0;
        int direction = i % 2 ? -1 : 1;
        double behind = hysteresis_mm / 2 + speed * lag_s[i % 2];
        double from = direction > 0 ? 10 + 1.2 * speed : 150 - 1.2 * speed;
        double to = direction > 0 ? 148 : 12;
        for (int k = 0; k < 50; k++) {
            double depth = from + (to - from) * (k + 0.5) / 50;
            sum += direction *
                   (depth - curve_depth_extended(curve, reading_at(depth - direction * behind)));
        }
        passes[i] = (struct ramp_pass){.speed_mm_s = speed,
                                       .direction = direction,
                                       .late_mm = sum / 50,
                                       .from_mm = from,
                                       .to_mm = to,
                                       .host_s = 20.0 * i};
    }
}

static void honest_over(enum curve_kind kind, double noise)
{
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(random, 20260711);
    struct tally tallies[CURVE_ON] = {{.what = "hysteresis"},
                                      {.what = "sum"},
                                      {.what = "rising"},
                                      {.what = "falling"},
                                      {.what = "difference"}};
    const double truth[CURVE_ON] = {hysteresis_mm, lag_s[0] + lag_s[1], lag_s[0], lag_s[1],
                                    lag_s[1] - lag_s[0]};
    for (int run = 0; run < RUNS; run++) {
        struct curve curve;
        struct ramp_pass passes[PASSES];
        struct loop_fit loop;
        struct loop_directions ways;
        struct rig_err err = {0};
        double u[CURVE_ON];
        assert_int_equal(calibrate(&curve, kind, random, noise), 0);
        run_passes(passes, &curve);
        assert_int_equal(fit_lag_separate(&loop, &ways, passes, PASSES, &err), 0);
        assert_true(fit_lag_curve_u(u, &curve, passes, PASSES));
        const double found[CURVE_ON] = {loop.hysteresis_mm.value, loop.lag_sum_s.value,
                                        ways.lag_rising_s.value, ways.lag_falling_s.value,
                                        ways.lag_difference_s.value};
        for (int i = 0; i < CURVE_ON; i++)
            tally_add(&tallies[i], found[i], u[i], INFINITY, truth[i]);
    }
    gsl_rng_free(random);
    for (int i = 0; i < CURVE_ON; i++) {
        assert_honest(&tallies[i]);
    }
}

static void honest_over_calibrations(void **state)
{
    (void)state;
    honest_over(CURVE_POLYNOMIAL, 0.003);
    /* More noise than the spline leaves over of the parabola. */
    honest_over(CURVE_SPLINE, 0.01);
}

/* Inferred over the same depths both ways: what one gains the other loses. */
static void cancels_over_the_same_depths(void **state)
{
    (void)state;
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    struct curve curve;
    struct ramp_pass passes[PASSES];
    double u[CURVE_ON];
    assert_int_equal(calibrate(&curve, CURVE_POLYNOMIAL, random, 0.003), 0);
    run_passes(passes, &curve);
    for (int i = 0; i < PASSES; i++) {
        passes[i].from_mm = 40 + passes[i].direction * passes[i].late_mm;
        passes[i].to_mm = 120 + passes[i].direction * passes[i].late_mm;
    }
    assert_true(fit_lag_curve_u(u, &curve, passes, PASSES));
    assert_true(u[CURVE_ON_HYSTERESIS] < 1e-6 && u[CURVE_ON_SUM] < 1e-6);
    for (int i = 0; i < PASSES; i++) /* one speed tells nothing */
        passes[i].speed_mm_s = 8;
    assert_false(fit_lag_curve_u(u, &curve, passes, PASSES));
    gsl_rng_free(random);
}

int main(void)
{
    gsl_set_error_handler_off();
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(honest_over_calibrations),
        cmocka_unit_test(cancels_over_the_same_depths),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
