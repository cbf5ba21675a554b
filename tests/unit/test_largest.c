/* SPDX-License-Identifier: GPL-3.0-or-later
 * The largest of noisy values by simulation: unbiased where its naive version is not, and
 * as uncertain as it says. */
#include "check.h"
#include "results/largest.h"

#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>

enum { LEVELS = 11, TRIALS = 4000 };

static void over_trials(double slope, double *bias, double *naive, double *ratio)
{
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    double sum = 0, plain = 0, squares = 0, stated = 0, truth = slope * (LEVELS - 1);
    gsl_rng_set(random, 7);
    for (int t = 0; t < TRIALS; t++) {
        double x[LEVELS], values[LEVELS], top = -INFINITY;
        for (int i = 0; i < LEVELS; i++) {
            x[i] = i;
            values[i] = slope * i + gsl_ran_gaussian(random, 1);
            top = fmax(top, values[i]);
        }
        struct estimate largest = largest_of(x, values, LEVELS, 1, INFINITY);
        sum += largest.value - truth;
        plain += top - truth;
        squares += (largest.value - truth) * (largest.value - truth);
        stated += largest.u * largest.u;
    }
    gsl_rng_free(random);
    *bias = sum / TRIALS;
    *naive = plain / TRIALS;
    *ratio = sqrt(squares / stated);
}

static void all_alike(void **state)
{
    (void)state;
    double bias, naive, ratio;
    over_trials(0, &bias, &naive, &ratio);
    /* Expected largest of eleven standard normal values: 1.586 (tables of normal order
     * statistics; from memory). */
    assert_near(naive, 1.586, 0.03, "");
    /* One in twenty is taken for a course that is none, and then stands out. */
    assert_near(bias, 0, 0.15, "");
    assert_true(ratio < 1.6);
}

static void one_stands_out(void **state)
{
    (void)state;
    for (double slope = 0.6; slope < 10; slope *= 2) {
        double bias, naive, ratio;
        over_trials(slope, &bias, &naive, &ratio);
        assert_true(fabs(bias) < 0.25);
        assert_in_range((int)(100 * ratio), 80, 125);
    }
}

/* A course that no parabola follows is left as it is. */
static void a_jump_is_kept(void **state)
{
    (void)state;
    const double x[] = {0, 1, 2, 3, 4, 5, 6, 7}, values[] = {0, 0, 0, 0, 9, 0, 0, 0};
    struct estimate largest = largest_of(x, values, 8, 0.5, INFINITY);
    assert_true(largest.value == 9 && largest.u == 0.5);
}

static void without_noise_it_is_the_largest(void **state)
{
    (void)state;
    const double values[] = {1, 3, 2};
    struct estimate largest = largest_of(values, values, 3, 0, INFINITY);
    assert_true(largest.value == 3 && largest.u == 0);
    assert_true(isnan(largest_of(values, values, 0, 1, 5).value));
    const double hole[] = {1, NAN};
    assert_true(isnan(largest_of(hole, hole, 2, 1, 5).value));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(all_alike),
        cmocka_unit_test(one_stands_out),
        cmocka_unit_test(a_jump_is_kept),
        cmocka_unit_test(without_noise_it_is_the_largest),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
