/* SPDX-License-Identifier: GPL-3.0-or-later
 * The four lines: closed forms, an exhaustive check, and the order that must always
 * hold, over random tables. */
#include "check.h"
#include "results/straightness.h"

#include <gsl/gsl_randist.h>
#include <math.h>

static struct straightness of(const double depth[], const double reading[], size_t n)
{
    struct straightness made;
    struct rig_err err = {0};
    int failed = straightness_of(&made, depth, reading, n, &err);
    if (failed)
        print_error("%s\n", err.text);
    assert_int_equal(failed, 0);
    return made;
}

/* y = x^2 on [0, 1], span 1: chord off by 1/4; parallel line between chord and tangent
 * 1/8; through 0: x^2 - s x dips to -s^2/4 and ends at 1 - s, equal at s = 2 sqrt 2 - 2. */
static void test_parabola(void **state)
{
    (void)state;
    enum { n = 20001 };
    static double x[n], y[n];
    for (size_t i = 0; i < n; i++) {
        x[i] = (double)i / (n - 1);
        y[i] = x[i] * x[i];
    }
    struct straightness made = of(x, y, n);
    assert_near(made.terminal.percent_span, 25, 1e-6, "%");
    assert_near(made.terminal.at, 0.5, 1e-4, "");
    assert_near(made.independent.percent_span, 12.5, 1e-6, "%");
    assert_near(made.independent.slope, 1, 1e-9, "");
    assert_near(made.zero_based.percent_span, 100 * (3 - 2 * sqrt(2)), 1e-6, "%");
    assert_near(made.zero_based.slope, 2 * sqrt(2) - 2, 1e-6, "");
    /* Least squares of x^2: x - 1/6, off by 1/6 at both ends. */
    assert_near(made.least_squares.percent_span, 100.0 / 6, 2e-2, "%");
    assert_near(made.least_squares.slope, 1, 1e-9, "");
}

static void test_by_hand(void **state)
{
    (void)state;
    const double x[] = {0, 1, 2, 4}, y[] = {10, 12, 13, 18};
    struct straightness made = of(x, y, 4);
    assert_near(made.span, 8, 0, "");
    /* Terminal: 10 + 2 x, off by 0, 0, -1, 0. */
    assert_near(made.terminal.error, 1, 1e-15, "");
    assert_near(made.terminal.at, 2, 0, "");
    assert_near(made.terminal.percent_span, 12.5, 1e-12, "%");
    /* Independent: the edge (0,10)-(4,18) has (2,13) 1 below it: half of that. */
    assert_near(made.independent.error, 0.5, 1e-15, "");
    assert_near(made.independent.offset, 9.5, 1e-15, "");
    /* Zero-based: (4,18) above and (2,13) below equal: 8 - 4 s = 2 s - 3, s = 11/6. */
    assert_near(made.zero_based.slope, 11.0 / 6, 1e-15, "");
    assert_near(made.zero_based.error, 2.0 / 3, 1e-14, "");
    assert_near(made.zero_based.offset, 10, 1e-14, "");
}

static double largest(const double x[], const double y[], size_t n, double slope, double offset)
{
    double found = 0;
    for (size_t i = 0; i < n; i++)
        found = fmax(found, fabs(y[i] - offset - slope * x[i]));
    return found;
}

/* Over random tables: the order of the four; each line's error is what it says; no line
 * through two points, shifted to the middle, and no line near by, is better. */
static void test_order_and_optimum(void **state)
{
    (void)state;
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(rng, 7);
    for (int round = 0; round < 3000; round++) {
        double x[24], y[24];
        size_t n = 3 + gsl_rng_uniform_int(rng, 22);
        double depth = gsl_ran_flat(rng, -200, 200), bend = gsl_ran_gaussian(rng, 1);
        int shape = (int)gsl_rng_uniform_int(rng, 4);
        for (size_t i = 0; i < n; i++) {
            x[i] = depth += gsl_ran_flat(rng, 0.01, 20);
            double t = (double)i / (double)n;
            y[i] = 5 * t + bend * t * t;
            if (shape == 1)
                y[i] = gsl_ran_gaussian(rng, 1);
            else if (shape == 2)
                y[i] = (double)gsl_rng_uniform_int(rng, 4) + (i == 0 ? 0.5 : 0);
            else if (shape == 3)
                y[i] += 1e6 + gsl_ran_gaussian(rng, 0.001);
        }
        struct rig_err err = {0};
        struct straightness made;
        if (straightness_of(&made, x, y, n, &err)) {
            assert_int_equal(err.code, RIG_EUNKNOWABLE); /* shape 2 may be level */
            continue;
        }
        double tiny = 1e-12 * made.span + 1e-15 * fabs(y[0]);
        assert_true(made.independent.error <= made.zero_based.error);
        assert_true(made.zero_based.error <= made.terminal.error);
        assert_true(made.independent.error <= made.least_squares.error);
        const struct straightness_line *lines[] = {&made.independent, &made.zero_based,
                                                   &made.terminal, &made.least_squares};
        for (size_t k = 0; k < 4; k++)
            assert_near(largest(x, y, n, lines[k]->slope, lines[k]->offset), lines[k]->error,
                        1e-9 * made.span + 1e-14 * fabs(y[0]), "");
        /* The best line is parallel to one through two of the points. */
        double best = INFINITY, best_zero = INFINITY;
        for (size_t i = 0; i < n; i++)
            for (size_t j = i + 1; j < n; j++) {
                double slope = (y[j] - y[i]) / (x[j] - x[i]), low = INFINITY, high = -INFINITY;
                for (size_t k = 0; k < n; k++) {
                    double off = y[k] - y[0] - slope * (x[k] - x[0]);
                    low = fmin(low, off);
                    high = fmax(high, off);
                }
                best = fmin(best, (high - low) / 2);
                /* Through the lower end: two deviations equal and opposite, or one alone. */
                double run = x[i] + x[j] - 2 * x[0];
                double slopes[2] = {(y[i] + y[j] - 2 * y[0]) / run, (y[j] - y[0]) / (x[j] - x[0])};
                for (size_t k = 0; k < 2; k++)
                    best_zero =
                        fmin(best_zero, largest(x, y, n, slopes[k], y[0] - slopes[k] * x[0]));
            }
        assert_near(made.independent.error, best, tiny, "independent");
        assert_near(made.zero_based.error, best_zero, 1e-9 * made.span + 1e-14 * fabs(y[0]),
                    "zero-based");
    }
    gsl_rng_free(rng);
}

static void test_refusals(void **state)
{
    (void)state;
    struct straightness made = {.span = 42};
    struct rig_err err = {0};
    const double x[] = {0, 1, 2}, level[] = {3, 3, 3}, y[] = {1, 2, 3}, back[] = {0, 2, 1},
                 broken[] = {1, NAN, 3};
    assert_int_equal(straightness_of(&made, x, y, 2, &err), RIG_EUNKNOWABLE);
    assert_contains(err.text, "three");
    assert_int_equal(straightness_of(&made, x, level, 3, &err), RIG_EUNKNOWABLE);
    assert_contains(err.text, "span");
    assert_int_equal(straightness_of(&made, back, y, 3, &err), RIG_EINPUT);
    assert_int_equal(straightness_of(&made, x, broken, 3, &err), RIG_EINPUT);
    assert_near(made.span, 42, 0, "untouched");
    struct straightness exact = of(x, y, 3);
    assert_near(exact.independent.error, 0, 0, "");
    assert_near(exact.terminal.error, 0, 0, "");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_parabola),
        cmocka_unit_test(test_by_hand),
        cmocka_unit_test(test_order_and_optimum),
        cmocka_unit_test(test_refusals),
    };
    return cmocka_run_group_tests_name("straightness", tests, NULL, NULL);
}
