/* SPDX-License-Identifier: GPL-3.0-or-later
 * Drift over cycles, with and without temperature: what it says from how many, intervals
 * against known truth, and reasons where there is nothing to say. */
#include "check.h"

#include "results/drift.h"

#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>

static const unsigned long seed = 20260419;
enum { LARGEST = 90 };

struct series {
    double t[LARGEST], y[LARGEST], u[LARGEST], degc[LARGEST];
};

/* 0.5 per hour and 0.3 per degC on a swing of 0.8 degC over 24 h, noise 0.1. */
static struct drift_series make(struct series *series, size_t n, double per_degc, double phase,
                                gsl_rng *random)
{
    for (size_t i = 0; i < n; i++) {
        series->t[i] = 0.1 * (double)i;
        series->u[i] = 0.1;
        double swing = 0.8 * sin(2 * M_PI * series->t[i] / 24 + phase);
        series->y[i] = 7 + 0.5 * series->t[i] + per_degc * swing + gsl_ran_gaussian(random, 0.1);
        series->degc[i] = 20 + swing + gsl_ran_gaussian(random, 0.001);
    }
    return (struct drift_series){.n = n,
                                 .t_h = series->t,
                                 .value = series->y,
                                 .u = series->u,
                                 .temperature = series->degc,
                                 .temperature_u = 0.001};
}

static void by_how_many(void **state)
{
    (void)state;
    static const char *const words[] = {"readings' noise alone", "serial correlation allowed for",
                                        "Theil-Sen"};
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(random, seed);
    const size_t sizes[] = {2, 3, 4, 7, 8, 40};
    for (size_t k = 0; k < 6; k++) {
        struct series series;
        struct drift drift;
        struct rig_err err = {0};
        struct drift_series of = make(&series, sizes[k], 0, 0, random);
        of.temperature = NULL;
        assert_int_equal(drift_of(&drift, &of, &err), 0);
        assert_contains(drift.method, words[k / 2]);
        assert_near(drift.slope.value, 0.5, 5 * drift.slope.u, "1/h");
        assert_true(drift.slope.low < drift.slope.value && drift.slope.high > drift.slope.value);
        assert_true(isnan(drift.coefficient.value));
        assert_contains(drift.temperature_reason, "role temperature");
        assert_int_equal(isnan(drift.p), sizes[k] < 8);
    }
    struct drift drift;
    struct rig_err err = {0};
    assert_int_equal(drift_of(&drift, &(struct drift_series){0}, &err), 0);
    assert_contains(drift.reason, "there are none");
    assert_true(isnan(drift.slope.value));
    gsl_rng_free(random);
}

static void temperature_is_told_from_time(void **state)
{
    (void)state;
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(random, seed);
    size_t runs = 200, left = 0, coefficient = 0, whole = 0, seen = 0;
    for (size_t run = 0; run < runs; run++) {
        struct series series;
        struct drift drift;
        struct rig_err err = {0};
        double phase = 2 * M_PI * gsl_rng_uniform(random);
        struct drift_series of = make(&series, LARGEST, 0.3, phase, random);
        assert_int_equal(drift_of(&drift, &of, &err), 0);
        assert_true(isfinite(drift.left.value));
        left += drift.left.low <= 0.5 && drift.left.high >= 0.5;
        coefficient += drift.coefficient.low <= 0.3 && drift.coefficient.high >= 0.3;
        /* What the zero really did, temperature included: slope of a straight line. */
        double t_mean = 0.05 * (LARGEST - 1), tt = 0, ty = 0;
        for (size_t i = 0; i < LARGEST; i++) {
            double off = series.t[i] - t_mean;
            tt += off * off;
            ty += off * 0.3 * 0.8 * sin(2 * M_PI * series.t[i] / 24 + phase);
        }
        seen += drift.explains;
        whole +=
            drift.explains && drift.slope.low <= 0.5 + ty / tt && drift.slope.high >= 0.5 + ty / tt;
    }
    print_message("seed %lu: left %zu, coefficient %zu of %zu, whole %zu of %zu hold\n", seed, left,
                  coefficient, runs, whole, seen);
    /* 95 % and three binomial standard deviations: 181 to 199. */
    assert_in_range(left, 181, 200);
    assert_in_range(coefficient, 181, 200);
    assert_true(seen > runs / 2);
    assert_near((double)whole / (double)seen, 0.95, 3 * sqrt(0.95 * 0.05 / (double)seen), "");
    gsl_rng_free(random);
}

static void a_steady_temperature_explains_nothing(void **state)
{
    (void)state;
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(random, seed);
    struct series series;
    struct drift drift;
    struct rig_err err = {0};
    struct drift_series of = make(&series, LARGEST, 0, 0, random);
    for (size_t i = 0; i < LARGEST; i++) /* rises along with time, and no more */
        series.degc[i] = 20 + 0.2 * series.t[i] + gsl_ran_gaussian(random, 0.01);
    of.temperature_u = 0.01;
    assert_int_equal(drift_of(&drift, &of, &err), 0);
    assert_true(isnan(drift.coefficient.value) && isnan(drift.left.value));
    assert_contains(drift.temperature_reason, "hardly moved but along with time");
    assert_true(isfinite(drift.slope.value));
    for (size_t i = 0; i < LARGEST; i++)
        series.degc[i] = 20;
    assert_int_equal(drift_of(&drift, &of, &err), 0);
    assert_contains(drift.temperature_reason, "hardly moved");
    gsl_rng_free(random);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(by_how_many),
        cmocka_unit_test(temperature_is_told_from_time),
        cmocka_unit_test(a_steady_temperature_explains_nothing),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
