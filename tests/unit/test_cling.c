/* SPDX-License-Identifier: GPL-3.0-or-later
 * The power of the speed by which water clings: exact cases, honest intervals, refusals. */
#include "check.h"

#include "results/cling.h"

#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <stdbool.h>

static const unsigned long seed = 20260420;
static const double speeds[] = {5, 10, 20, 40};

/* Five pairs a speed: 0.05 mm + 0.2 mm (v / 1 mm/s)^p, scatter 0.01 mm and 1 ms of time. */
static size_t make(struct cling_pair pairs[], double power, double size, gsl_rng *random)
{
    size_t n = 0;
    for (size_t i = 0; i < 4; i++)
        for (size_t k = 0; k < 5; k++) {
            double v = speeds[i], scatter = hypot(0.01, 1e-3 * v);
            pairs[n++] = (struct cling_pair){
                v, 0.05 + size * pow(v, power) + (random ? gsl_ran_gaussian(random, scatter) : 0)};
        }
    return n;
}

static void exact_powers_come_back(void **state)
{
    (void)state;
    const double powers[] = {1, 2.0 / 3, 0.5, 1.4};
    for (size_t k = 0; k < 4; k++) {
        struct cling_pair pairs[20];
        struct cling_power power;
        struct rig_err err = {0};
        size_t n = make(pairs, powers[k], 0.2, NULL);
        assert_int_equal(cling_power_of(&power, pairs, n, &err), 0);
        assert_near(power.power, powers[k], 0.006, ""); /* the grid's step is 0.01 */
        assert_int_equal(power.speeds, 4);
        assert_int_equal(power.pairs, 20);
    }
}

static void intervals_are_honest(void **state)
{
    (void)state;
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(random, seed);
    const double powers[] = {1, 2.0 / 3, 0.5};
    size_t runs = 300, held = 0, told = 0, all = 0;
    for (size_t run = 0; run < runs; run++) {
        struct cling_pair pairs[20];
        struct cling_power power;
        struct rig_err err = {0};
        double true_power = powers[run % 3];
        size_t n = make(pairs, true_power, 0.2, random);
        if (cling_power_of(&power, pairs, n, &err))
            continue;
        all++;
        held += power.low <= true_power && true_power <= power.high;
        size_t fitting = 0;
        for (size_t k = 0; k < 3; k++)
            fitting += power.low <= powers[k] && powers[k] <= power.high;
        told += fitting == 1;
    }
    double share = (double)held / (double)all;
    print_message("seed %lu: %.1f %% of %zu hold, %zu tell one power from the others\n", seed,
                  100 * share, all, told);
    assert_true((double)all > 0.97 * (double)runs); /* a few at 1/2 stay open below */
    assert_near(share, 0.95, 3 * sqrt(0.95 * 0.05 / (double)all), "");
    assert_true((double)told > 0.9 * (double)runs);
    gsl_rng_free(random);
}

static void refusals(void **state)
{
    (void)state;
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(random, seed);
    struct cling_pair pairs[20];
    struct cling_power power;
    struct rig_err err = {0};
    size_t n = make(pairs, 1, 0.2, random);
    assert_int_equal(cling_power_of(&power, pairs, 15, &err), RIG_EUNKNOWABLE);
    assert_contains(err.text, "there are 3 and 15");
    assert_int_equal(cling_power_of(&power, pairs, 0, &err), RIG_EUNKNOWABLE);
    n = make(pairs, 1, 0, random); /* nothing clings */
    assert_int_equal(cling_power_of(&power, pairs, n, &err), RIG_EUNKNOWABLE);
    assert_contains(err.text, "does not change with speed");
    n = make(pairs, 1, 0.0008, random); /* hardly anything */
    assert_int_equal(cling_power_of(&power, pairs, n, &err), RIG_EUNKNOWABLE);
    n = make(pairs, 1, 0.2, random);
    pairs[3].cling_mm = NAN;
    assert_int_equal(cling_power_of(&power, pairs, n, &err), RIG_EINPUT);
    assert_contains(err.text, "pair 4");
    gsl_rng_free(random);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(exact_powers_come_back),
        cmocka_unit_test(intervals_are_honest),
        cmocka_unit_test(refusals),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
