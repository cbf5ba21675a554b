/* SPDX-License-Identifier: GPL-3.0-or-later
 * How honest are the results about a night? Random nights with known truth: most of them as
 * settled readings straight into the estimators (9 h, 24 to 90 cycles), the rest as whole
 * recordings of the simulated bench in simulated time through the shipped fit. Prints, for
 * every result, coverage of the 95 % interval, bias, root-mean-square error beside the stated
 * one, and how much of evaporation appears as drift and the other way.
 *
 *   build/release/tests/bench_nights [NIGHTS [RECORDINGS [SEED]]]     default 600 300 1 */
#include "check.h"
#include "montecarlo.h"
#include "nights.h"
#include "sim_night.h"

#include "results/drift.h"

#include <gsl/gsl_randist.h>
#include <math.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>

static size_t nights = 600, recordings = 300;
static unsigned long seed = 1;

static double size_between(gsl_rng *random, double low, double high)
{
    double size = low * pow(high / low, gsl_rng_uniform(random));
    return gsl_rng_uniform(random) < 0.5 ? size : -size;
}

/* Half of the nights each cycle by itself, half with a memory between neighbours of any size
 * up to 0.95, in any share of the scatter: as the method supposes. */
static void draw_wander(struct night_path *path, double noise, double cycle_h, gsl_rng *random)
{
    if (gsl_rng_uniform(random) < 0.5)
        return;
    double share = fmin(gsl_rng_uniform(random), 0.98);
    path->wander = noise * sqrt(share / (1 - share));
    path->wander_memory_h = -cycle_h / log(0.95 * (1 - gsl_rng_uniform(random)));
}

static struct night_truth draw(gsl_rng *random, bool warm)
{
    struct night_truth truth = night_truth_typical();
    truth.cycles = 24 + gsl_rng_uniform_int(random, 67);
    truth.curve[2] = gsl_ran_gaussian(random, 1e-5);
    truth.noise = fabs(size_between(random, 0.5e-3, 8e-3));
    truth.zero.per_h = size_between(random, 2e-5, 2e-3);
    truth.span.per_h = size_between(random, 5e-6, 500e-6);
    truth.water.per_h = size_between(random, 0.01, 0.5);
    double cycle_h = truth.hours / (double)truth.cycles;
    /* What one cycle's zero, span and water scatter by for the readings' noise. */
    draw_wander(&truth.zero, truth.noise / 42, cycle_h, random);
    draw_wander(&truth.span, truth.noise / 42, cycle_h, random);
    draw_wander(&truth.water, truth.noise * 2, cycle_h, random);
    if (warm) {
        truth.swing_degc = 0.3 + 1.5 * gsl_rng_uniform(random);
        truth.swing_h = 6 + 18 * gsl_rng_uniform(random);
        truth.swing_phase = 2 * M_PI * gsl_rng_uniform(random);
        truth.zero.per_degc = size_between(random, 0.05e-3, 1e-3);
        truth.span.per_degc = size_between(random, 5e-6, 200e-6);
        truth.degc_noise = 0.003;
    }
    return truth;
}

enum { ZERO, SPAN, WATER, KINDS };

static void drifts_of(struct drift drift[KINDS], const struct night *night,
                      const struct test_night *made)
{
    double t[100], value[100], u[100], degc[100];
    for (int kind = 0; kind < KINDS; kind++) {
        for (size_t i = 0; i < night->count; i++) {
            const struct night_cycle *c = &night->cycles[i];
            t[i] = c->t_s / 3600;
            value[i] = kind == ZERO ? c->zero : kind == SPAN ? c->span : c->water_mm;
            u[i] = kind == ZERO ? c->zero_u : kind == SPAN ? c->span_u : c->water_u;
            degc[i] = made->degc[night->origin[i]];
        }
        struct drift_series series = {.n = night->count,
                                      .t_h = t,
                                      .value = value,
                                      .u = u,
                                      .temperature = kind == WATER ? NULL : degc,
                                      .temperature_u = made->truth.degc_noise};
        struct rig_err err = {0};
        assert_int_equal(drift_of(&drift[kind], &series, &err), 0);
    }
}

/* 93 to 97 %, widened by two binomial standard deviations of so few; a reason in place of
 * a number counts for nothing. */
static void check_coverage(const struct tally *tally)
{
    double n = (double)(tally->runs - tally->unknown), share = (double)tally->covered / n;
    double allowance = 2 * sqrt(0.95 * 0.05 / n);
    if (!(share >= 0.93 - allowance && share <= 0.97 + allowance))
        fail_msg("%s: %.1f %% covered", tally->what, 100 * share);
    assert_true(fabs(tally_bias(tally)) < 4 * tally_rms(tally) / sqrt(n));
}

static void add(struct tally *tally, struct serial_value value, double truth)
{
    tally_add_interval(tally, value.value, value.low, value.high, truth);
}

/* Slope of a straight line through the true temperature. */
static double warming_of(const struct test_night *made)
{
    double t_mean = made->truth.hours / 2, tt = 0, ty = 0;
    for (size_t i = 0; i < made->truth.cycles; i++) {
        double off = made->t_h[i] - t_mean;
        tt += off * off;
        ty += off * made->truth.swing_degc *
              sin(2 * M_PI * made->t_h[i] / made->truth.swing_h + made->truth.swing_phase);
    }
    return ty / tt;
}

static void straight_into_the_estimators(void **state)
{
    (void)state;
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(random, seed);
    struct tally tally[] = {{.what = "zero, per h"},       {.what = "span, per h"},
                            {.what = "water, mm/h"},       {.what = "zero, per degC"},
                            {.what = "span, per degC"},    {.what = "zero left, per h"},
                            {.what = "span left, per h"},  {.what = "zero whole, warm nights"},
                            {.what = "water, warm nights"}};
    size_t explained = 0, warm_nights = 0;
    print_message("-- %zu nights of 9 h straight into the estimators, seed %lu\n", nights, seed);
    for (size_t i = 0; i < nights; i++) {
        bool warm = i % 2;
        struct night_truth truth = draw(random, warm);
        struct test_night made;
        struct night night;
        struct drift drift[KINDS];
        test_night_make(&made, &truth, random);
        test_night_solve(&night, &made);
        drifts_of(drift, &night, &made);
        if (warm) {
            add(&tally[3], drift[ZERO].coefficient, truth.zero.per_degc);
            add(&tally[4], drift[SPAN].coefficient, truth.span.per_degc);
            add(&tally[5], drift[ZERO].left, truth.zero.per_h);
            add(&tally[6], drift[SPAN].left, truth.span.per_h);
            /* What the zero did: the straight part and temperature's. */
            warm_nights++;
            explained += drift[ZERO].explains;
            if (drift[ZERO].explains)
                add(&tally[7], drift[ZERO].slope,
                    truth.zero.per_h + truth.zero.per_degc * warming_of(&made));
            add(&tally[8], drift[WATER].slope, truth.water.per_h);
        } else {
            add(&tally[0], drift[ZERO].slope, truth.zero.per_h);
            add(&tally[1], drift[SPAN].slope, truth.span.per_h);
            add(&tally[2], drift[WATER].slope, truth.water.per_h);
        }
        night_free(&night);
        test_night_free(&made);
    }
    for (size_t k = 0; k < sizeof tally / sizeof *tally; k++)
        tally_print(&tally[k]);
    print_message("temperature was seen in %zu of %zu warm nights\n", explained, warm_nights);
    for (size_t k = 0; k < sizeof tally / sizeof *tally; k++)
        check_coverage(&tally[k]);
    gsl_rng_free(random);
}

/* Large evaporation alone, then a large drift of the zero alone, each 0.5 mm/h. */
static void leaks(void **state)
{
    (void)state;
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(random, seed + 1);
    double worst[2] = {0}, mean[2] = {0}, size = 0.5;
    size_t runs = nights / 4;
    for (size_t i = 0; i < runs; i++)
        for (int way = 0; way < 2; way++) {
            struct night_truth truth = draw(random, false);
            truth.noise = 2e-3;
            truth.zero = truth.span = truth.water = (struct night_path){0};
            (way == 0 ? &truth.water : &truth.zero)->per_h =
                way == 0 ? -size : size * truth.curve[1];
            struct test_night made;
            struct night night;
            struct drift drift[KINDS];
            test_night_make(&made, &truth, random);
            test_night_solve(&night, &made);
            drifts_of(drift, &night, &made);
            double leak =
                (way == 0 ? drift[ZERO].slope.value / truth.curve[1] : drift[WATER].slope.value) /
                size;
            mean[way] += leak / (double)runs;
            worst[way] = fmax(worst[way], fabs(leak));
            night_free(&night);
            test_night_free(&made);
        }
    print_message("-- leaks over %zu nights each, 0.5 mm/h\n"
                  "evaporation into zero drift  mean %+.3f %%, worst %.3f %%\n"
                  "zero drift into evaporation  mean %+.3f %%, worst %.3f %%\n",
                  runs, 100 * mean[0], 100 * worst[0], 100 * mean[1], 100 * worst[1]);
    assert_true(worst[0] < 0.03 && worst[1] < 0.03);
    gsl_rng_free(random);
}

static void add_result(struct tally *tally, const struct fit *fit, const char *name, double truth)
{
    const struct result *result = result_find(&fit->results, name);
    assert_non_null(result);
    if (isnan(result->value) && !tally->unknown)
        print_message("%s: %s\n", name, result->reason);
    tally_add_interval(tally, result->value, result->low_95, result->high_95, truth);
}

static void whole_recordings(void **state)
{
    (void)state;
    struct tally tally[] = {
        {.what = "zero_drift"},       {.what = "span_drift"},
        {.what = "evaporation"},      {.what = "temperature_coefficient"},
        {.what = "span_temperature"}, {.what = "zero_drift_left"},
        {.what = "span_drift_left"},  {.what = "evaporation, warm"},
        {.what = "reading_low"},      {.what = "reading_high"},
    };
    print_message("-- %zu recordings of 13 min and 20 cycles through the shipped fit\n",
                  recordings);
    for (size_t i = 0; i < recordings; i++) {
        bool warm = i % 2, wander = i / 2 % 2;
        struct sim_truth truth = sim_night_truth(seed + i, warm, wander);
        struct fit fit;
        sim_night_fit(&fit, &truth, seed + i, true);
        if (warm) {
            add_result(&tally[3], &fit, "temperature_coefficient", truth.temperature_coefficient);
            add_result(&tally[4], &fit, "span_temperature_coefficient", truth.span_temperature_ppm);
            add_result(&tally[5], &fit, "zero_drift_left", truth.zero_drift_per_h);
            add_result(&tally[6], &fit, "span_drift_left", truth.span_drift_ppm_h);
            add_result(&tally[7], &fit, "evaporation", truth.evaporation_mm_h);
        } else {
            add_result(&tally[0], &fit, "zero_drift", truth.zero_drift_per_h);
            add_result(&tally[1], &fit, "span_drift", truth.span_drift_ppm_h);
            add_result(&tally[2], &fit, "evaporation", truth.evaporation_mm_h);
        }
        if (!warm && !wander) {
            add_result(&tally[8], &fit, "reading_low", sim_truth_reading(&truth, fit.low_mm));
            add_result(&tally[9], &fit, "reading_high", sim_truth_reading(&truth, fit.high_mm));
        }
        fit_free(&fit);
    }
    for (size_t k = 0; k < sizeof tally / sizeof *tally; k++)
        tally_print(&tally[k]);
    for (size_t k = 0; k < 8; k++)
        check_coverage(&tally[k]);
}

int main(int argc, char **argv)
{
    if (argc > 1)
        nights = strtoul(argv[1], NULL, 10);
    if (argc > 2)
        recordings = strtoul(argv[2], NULL, 10);
    if (argc > 3)
        seed = strtoul(argv[3], NULL, 10);
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(straight_into_the_estimators),
        cmocka_unit_test(leaks),
        cmocka_unit_test(whole_recordings),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
