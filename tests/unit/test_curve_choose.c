/* SPDX-License-Identifier: GPL-3.0-or-later
 * Polynomial or spline: what follows a polynomial keeps it, knees and steps take the spline, and
 * what neither follows is owned up to. */
#include "check.h"

#include "results/curve_choose.h"

#include <gsl/gsl_errno.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>

enum { LEVELS = 15, RUNS = 300 };

typedef double shape(double depth);

static double straight(double depth)
{
    return 0.4 + 0.02 * depth;
}

static double bent(double depth)
{
    return 0.4 + 0.02 * depth - 3e-5 * depth * depth;
}

/* An electrode that is half as wide from a depth on. */
static double kneed(double depth)
{
    return 0.4 + 0.02 * fmin(depth, 72) + 0.01 * fmax(depth - 72, 0);
}

/* Level to begin with, then straight, then level: as where guards overlap both ends. */
static double shouldered(double depth)
{
    return 1 / (1 + exp(-(depth - 80) / 9)) + 0.001 * depth;
}

struct levels {
    double depth[LEVELS], reading[LEVELS], u[LEVELS];
    struct curve_points points;
};

static void read_levels(struct levels *levels, shape *truth, double noise, gsl_rng *random)
{
    for (int i = 0; i < LEVELS; i++) {
        levels->depth[i] = 10 + 10.0 * i;
        levels->reading[i] = truth(levels->depth[i]) + gsl_ran_gaussian(random, noise);
        levels->u[i] = noise;
    }
    levels->points = (struct curve_points){
        .n = LEVELS, .depth = levels->depth, .reading = levels->reading, .reading_u = levels->u};
}

/* How many of RUNS take the spline; *held: share of depths, over all range and runs, at which the
 * curve is right within 1.96 times its uncertainty and what it leaves over. */
static int splines(shape *truth, double noise, double *held)
{
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    int taken = 0, depths = 0, right = 0;
    for (int run = 0; run < RUNS; run++) {
        struct levels levels;
        struct curve curve;
        struct rig_err err = {0};
        read_levels(&levels, truth, noise, random);
        assert_int_equal(curve_choose(&curve, &levels.points, &err), 0);
        taken += curve.kind == CURVE_SPLINE;
        double left = curve_left_u(&curve, &levels.points);
        for (double depth = 12.5; depth < 150; depth += 2.5, depths++)
            right += fabs(curve_value(&curve, depth) - truth(depth)) <=
                     1.96 * hypot(curve_value_u(&curve, depth), left);
    }
    gsl_rng_free(random);
    *held = (double)right / depths;
    print_message("%d of %d take the spline, %.1f %% of depths right\n", taken, RUNS, 100 * *held);
    return taken;
}

static void polynomials_stay(void **state)
{
    (void)state;
    double held;
    assert_true(splines(straight, 0.002, &held) <= 2);
    assert_true(held > 0.92);
    assert_true(splines(bent, 0.002, &held) <= 2);
    assert_true(held > 0.92);
}

static void knees_take_the_spline(void **state)
{
    (void)state;
    double held;
    assert_true(splines(kneed, 0.002, &held) >= RUNS * 95 / 100);
    assert_true(held > 0.9);
    assert_true(splines(shouldered, 0.002, &held) >= RUNS * 95 / 100);
    assert_true(held > 0.9);
}

/* Without stated uncertainties AICc alone judges. */
static void unstated_noise(void **state)
{
    (void)state;
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    shape *shapes[] = {straight, bent, kneed};
    for (int i = 0; i < 3; i++) {
        struct levels levels;
        struct curve curve;
        struct rig_err err = {0};
        read_levels(&levels, shapes[i], 0.0005, random);
        levels.points.reading_u = NULL;
        assert_int_equal(curve_choose(&curve, &levels.points, &err), 0);
        assert_int_equal(curve.kind, i == 2 ? CURVE_SPLINE : CURVE_POLYNOMIAL);
        assert_near(curve_left_u(&curve, &levels.points), 0, 0, "");
    }
    gsl_rng_free(random);
}

/* By hand: one of five readings stands out by 2, so the line is level; k = 2, n = 5. */
static void criterion(void **state)
{
    (void)state;
    const double depth[] = {0, 1, 2, 3, 4}, reading[] = {0, 0, 2, 0, 0}, u[] = {1, 1, 1, 1, 1};
    const struct curve_points points = {.n = 5, .depth = depth, .reading = reading, .reading_u = u};
    const struct curve_options line = {.kind = CURVE_POLYNOMIAL, .degree = 1};
    struct curve curve;
    struct rig_err err = {0};
    assert_int_equal(curve_fit(&curve, &points, &line, &err), 0);
    /* About the mean 0.4: 4 x 0.16 + 2.56. */
    assert_near(curve_aicc(&curve), 3.2 + 4 + 12.0 / 2, 1e-12, "");
}

/* The spread of a spline's slope over many fits is what it says. */
static void slope_of_a_spline(void **state)
{
    (void)state;
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    const struct curve_options options = {.kind = CURVE_SPLINE, .knots = 5};
    double sum = 0, squares = 0, said = 0;
    for (int run = 0; run < RUNS; run++) {
        struct levels levels;
        struct curve curve;
        struct rig_err err = {0};
        read_levels(&levels, straight, 0.002, random);
        assert_int_equal(curve_fit(&curve, &levels.points, &options, &err), 0);
        double slope = curve_slope(&curve, 63);
        sum += slope / RUNS;
        squares += slope * slope / RUNS;
        said += curve_slope_u(&curve, 63) / RUNS;
    }
    gsl_rng_free(random);
    print_message("spread %.3g, said %.3g\n", sqrt(squares - sum * sum), said);
    assert_near(said, sqrt(squares - sum * sum), 0.15 * said, "");
}

int main(void)
{
    gsl_set_error_handler_off();
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(polynomials_stay), cmocka_unit_test(knees_take_the_spline),
        cmocka_unit_test(unstated_noise), cmocka_unit_test(criterion),
        cmocka_unit_test(slope_of_a_spline)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
