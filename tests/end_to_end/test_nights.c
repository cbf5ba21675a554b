/* SPDX-License-Identifier: GPL-3.0-or-later
 * Short nights on the simulated bench, from the wire to the results: drift of zero and
 * span, evaporation and temperature are told apart, and what is told is true. The study
 * over many nights is tests/bench/bench_nights.c. */
#include "check.h"
#include "sim_night.h"

#include <math.h>

static const uint64_t seed = 417;

static const struct result *get(const struct fit *fit, const char *name)
{
    const struct result *result = result_find(&fit->results, name);
    if (!result)
        fail_msg("there is no result %s", name);
    return result;
}

/* Within half as much again as the 95 % interval reaches: these are not thrown dice. */
static void near_truth(const struct fit *fit, const char *name, double truth)
{
    const struct result *result = get(fit, name);
    if (!isfinite(result->value))
        fail_msg("%s: %s", name, result->reason);
    print_message("%-30s %12.5g [%.5g, %.5g] %s, truth %.5g\n", name, result->value, result->low_95,
                  result->high_95, result->unit, truth);
    double reach = 0.75 * (result->high_95 - result->low_95);
    assert_true(result->high_95 > result->low_95);
    assert_near(result->value, truth, reach, result->unit);
}

static void drift_and_evaporation(void **state)
{
    (void)state;
    for (uint64_t k = 0; k < 3; k++) {
        struct sim_truth truth = sim_night_truth(seed + k, false, false);
        struct fit fit;
        sim_night_fit(&fit, &truth, seed + k, true);
        near_truth(&fit, "zero_drift", truth.zero_drift_per_h);
        near_truth(&fit, "span_drift", truth.span_drift_ppm_h);
        near_truth(&fit, "evaporation", truth.evaporation_mm_h);
        /* The swing of the temperature is 0. */
        assert_contains(get(&fit, "temperature_coefficient")->reason, "hardly moved");
        /* The curve is that of the start, whatever moved later: 0.1 mm of datum, axis and
         * fit together. */
        double depth = fit.low_mm, slope = truth.curve[1] + 2 * truth.curve[2] * depth;
        assert_near(get(&fit, "reading_low")->value, sim_truth_reading(&truth, depth), 0.1 * slope,
                    "V");
        fit_free(&fit);
    }
}

static void temperature(void **state)
{
    (void)state;
    struct sim_truth truth = sim_night_truth(seed, true, false);
    truth.temperature_coefficient = 3e-3;
    truth.span_temperature_ppm = 1000;
    struct fit fit;
    sim_night_fit(&fit, &truth, seed, true);
    near_truth(&fit, "temperature_coefficient", truth.temperature_coefficient);
    near_truth(&fit, "span_temperature_coefficient", truth.span_temperature_ppm);
    near_truth(&fit, "zero_drift_left", truth.zero_drift_per_h);
    near_truth(&fit, "span_drift_left", truth.span_drift_ppm_h);
    near_truth(&fit, "evaporation", truth.evaporation_mm_h);
    fit_free(&fit);
}

/* Evaporation alone must not show as drift, nor drift as evaporation: 3 % at most. */
static void leaks(void **state)
{
    (void)state;
    struct sim_truth truth = sim_night_truth(seed, false, false);
    struct fit fit;
    truth.noise_sd = 1e-3;
    truth.zero_drift_per_h = truth.span_drift_ppm_h = 0;
    truth.evaporation_mm_h = 5;
    sim_night_fit(&fit, &truth, seed, true);
    double leak = get(&fit, "zero_drift")->value / (truth.curve[1] * 5);
    print_message("evaporation into zero: %.2f %%\n", 100 * leak);
    assert_near(leak, 0, 0.03, "");
    fit_free(&fit);
    truth.evaporation_mm_h = 0;
    truth.zero_drift_per_h = 5 * truth.curve[1];
    sim_night_fit(&fit, &truth, seed, true);
    leak = get(&fit, "evaporation")->value / 5;
    print_message("zero into evaporation: %.2f %%\n", 100 * leak);
    assert_near(leak, 0, 0.03, "");
    fit_free(&fit);
}

/* Without a lift a reason stands in place of all three. */
static void without_lifts(void **state)
{
    (void)state;
    struct sim_truth truth = sim_night_truth(seed, true, false);
    struct fit fit;
    sim_night_fit(&fit, &truth, seed, false);
    static const char *const names[] = {"zero_drift",
                                        "span_drift",
                                        "evaporation",
                                        "temperature_coefficient",
                                        "span_temperature_coefficient",
                                        "zero_drift_left",
                                        "span_drift_left"};
    for (size_t i = 0; i < sizeof names / sizeof *names; i++) {
        assert_true(isnan(get(&fit, names[i])->value));
        assert_contains(get(&fit, names[i])->reason, "hold at a depth below zero");
    }
    fit_free(&fit);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(drift_and_evaporation),
        cmocka_unit_test(temperature),
        cmocka_unit_test(leaks),
        cmocka_unit_test(without_lifts),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
