/* SPDX-License-Identifier: GPL-3.0-or-later
 * Lines through values that remember the ones before: the exact cases (independent errors,
 * a direct solution with the full covariance matrix), honest intervals, refusals. */
#include "check.h"

#include "results/lsq.h"
#include "results/serial.h"

#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <stdbool.h>
#include <string.h>

static const unsigned long seed = 20260418;
static const double slope_asked[][SERIAL_COLUMNS] = {{0, 1}};

/* Noise that alternates has no memory at all, and then nearly ordinary least squares is
 * left: its slope by hand, and an interval near that of Student's t. */
static void without_memory_it_is_a_straight_line(void **state)
{
    (void)state;
    enum { N = 200 };
    double t[N], design[2 * N], y[N], u[N];
    for (size_t i = 0; i < N; i++) {
        t[i] = (double)i;
        design[2 * i] = 1;
        design[2 * i + 1] = t[i];
        u[i] = 1;
        y[i] = 5 + 0.25 * t[i] + (i % 4 < 2 ? 1 : -1) * (i % 2 ? 1 : -1);
    }
    struct serial_value slope;
    struct rig_err err = {0};
    assert_int_equal(serial_regression(&slope, slope_asked, 1, t, design, y, u, N, 2, &err), 0);
    struct lsq_fit fit;
    assert_int_equal(lsq_fit_rows(&fit, design, y, NULL, N, 2, &err), 0);
    assert_near(slope.value, fit.parameter[1], 2e-6, "");
    assert_near(slope.widening, 1, 0.05, "");
    assert_near(slope.u, sqrt(fit.covariance[1][1]), 0.06 * slope.u, "");
    assert_true(slope.low < 0.25 && slope.high > 0.25);
}

/* Scaling and moving the values scales and moves the answer; so does time. */
static void units_do_not_matter(void **state)
{
    (void)state;
    const double t[] = {0, 1, 2.5, 3, 4.2, 6, 7}, y[] = {1, 1.3, 1.2, 1.9, 2.2, 2.1, 3};
    double design[14], scaled[14], minutes[7], volts[7], u[7], small[7];
    for (size_t i = 0; i < 7; i++) {
        design[2 * i] = scaled[2 * i] = 1;
        design[2 * i + 1] = t[i];
        minutes[i] = 60 * t[i] + 17;
        scaled[2 * i + 1] = 60 * t[i];
        u[i] = 0.2;
        small[i] = 0.2e-3;
        volts[i] = 1e-3 * y[i] + 4;
    }
    struct serial_value a, b;
    struct rig_err err = {0};
    assert_int_equal(serial_regression(&a, slope_asked, 1, t, design, y, u, 7, 2, &err), 0);
    assert_int_equal(
        serial_regression(&b, slope_asked, 1, minutes, scaled, volts, small, 7, 2, &err), 0);
    assert_near(b.value, a.value * 1e-3 / 60, 1e-12, "");
    assert_near(b.u, a.u * 1e-3 / 60, 1e-12, "");
    assert_near(b.widening, a.widening, 1e-6, "");
}

/* How often 95 % intervals hold 2, over series with a memory between neighbours. */
static double coverage(gsl_rng *random, size_t n, double neighbour, double size, size_t runs)
{
    size_t held = 0;
    for (size_t run = 0; run < runs; run++) {
        double t[100], design[200], y[100], u[100], wander = gsl_ran_gaussian(random, 1);
        for (size_t i = 0; i < n; i++) {
            if (i > 0)
                wander =
                    neighbour * wander + gsl_ran_gaussian(random, sqrt(1 - neighbour * neighbour));
            t[i] = 0.1 * (double)i;
            design[2 * i] = 1;
            design[2 * i + 1] = t[i];
            u[i] = 1;
            y[i] = 3 + 2 * t[i] + size * wander + gsl_ran_gaussian(random, 1);
        }
        struct serial_value slope;
        struct rig_err err = {0};
        assert_int_equal(serial_regression(&slope, slope_asked, 1, t, design, y, u, n, 2, &err), 0);
        held += slope.low <= 2 && slope.high >= 2;
    }
    return (double)held / (double)runs;
}

/* Sizes and memories as the method supposes them beforehand: a quarter without any, the rest
 * of any size from 0.2 to 5 times the noise, a third of it without memory. Its intervals then
 * hold 95 %, which tests filter, likelihood and averaging at once. Three binomial standard
 * deviations. */
static void intervals_are_honest(void **state)
{
    (void)state;
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(random, seed);
    const size_t sizes[] = {5, 12, 40}, runs = 500;
    for (size_t k = 0; k < 3; k++) {
        double held = 0;
        for (size_t run = 0; run < runs; run++) {
            bool none = gsl_rng_uniform(random) < 0.25;
            bool short_lived = gsl_rng_uniform(random) < 1.0 / 3;
            double size = 0.2 * pow(25, gsl_rng_uniform(random));
            held += coverage(random, sizes[k], short_lived ? 0 : 0.95 * gsl_rng_uniform(random),
                             none ? 0 : size, 1);
        }
        print_message("seed %lu, %zu values: %.1f %% of intervals hold\n", seed, sizes[k],
                      100 * held / (double)runs);
        assert_near(held / (double)runs, 0.95, 3 * sqrt(0.95 * 0.05 / (double)runs), "");
    }
    gsl_rng_free(random);
}

/* Where the interval for independent values holds half the time (neighbours at 0.8, wander
 * of three times the noise), this one holds most. */
static void memory_widens(void **state)
{
    (void)state;
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(random, seed);
    double share = coverage(random, 90, 0.8, 3, 200);
    print_message("90 values, neighbours at 0.8: %.1f %%\n", 100 * share);
    assert_true(share > 0.9);
    gsl_rng_free(random);
}

static void refusals(void **state)
{
    (void)state;
    double t[] = {0, 1, 2, 3, 4}, design[] = {1, 0, 1, 1, 1, 2, 1, 3, 1, 4}, y[] = {1, 2, 3, 5, 4};
    double twice[] = {1, 2, 1, 2, 1, 2, 1, 2, 1, 2}, u[] = {1e-9, 1e-9, 1e-9, 1e-9, 1e-9};
    struct serial_value slope;
    struct rig_err err = {0};
    assert_int_equal(serial_regression(&slope, slope_asked, 1, t, design, y, u, 3, 2, &err),
                     RIG_EINPUT);
    assert_contains(err.text, "at least 4");
    assert_int_equal(serial_regression(&slope, slope_asked, 1, t, twice, y, u, 5, 2, &err),
                     RIG_EINPUT);
    assert_contains(err.text, "depend on one another");
    t[2] = 1;
    assert_int_equal(serial_regression(&slope, slope_asked, 1, t, design, y, u, 5, 2, &err),
                     RIG_EINPUT);
    assert_contains(err.text, "value 3");
    t[2] = 2;
    y[4] = NAN;
    assert_int_equal(serial_regression(&slope, slope_asked, 1, t, design, y, u, 5, 2, &err),
                     RIG_EINPUT);
    assert_contains(err.text, "not finite");
    y[4] = 4;
    u[1] = 0;
    assert_int_equal(serial_regression(&slope, slope_asked, 1, t, design, y, u, 5, 2, &err),
                     RIG_EINPUT);
    assert_contains(err.text, "uncertainty of value 2");
    u[1] = 1e-9;
    /* Values without any noise are no trouble. */
    for (size_t i = 0; i < 5; i++)
        y[i] = 3 + 2 * t[i];
    assert_int_equal(serial_regression(&slope, slope_asked, 1, t, design, y, u, 5, 2, &err), 0);
    assert_near(slope.value, 2, 1e-9, "");
    assert_near(slope.u, 0, 1e-6, "");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(without_memory_it_is_a_straight_line),
        cmocka_unit_test(units_do_not_matter),
        cmocka_unit_test(intervals_are_honest),
        cmocka_unit_test(memory_widens),
        cmocka_unit_test(refusals),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
