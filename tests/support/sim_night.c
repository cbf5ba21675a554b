/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "sim_night.h"

#include "check.h"
#include "fault_bench.h"

#include <gsl/gsl_randist.h>
#include <math.h>

static const char rig[] = "axis\n"
                          "  port axis\n"
                          "  travel 0 mm to 200 mm\n"
                          "  speed up to 60 mm/s\n"
                          "  acceleration up to 900 mm/s2\n"
                          "  resolution 400 steps/mm\n"
                          "  park at -20 mm\n"
                          "  position live\n"
                          "  backlash 0.03 mm\n"
                          "end\n"
                          "water\n"
                          "  datum at stage 31.4 mm\n"
                          "  tank area 900 cm2\n"
                          "  board section 0.6 cm2\n"
                          "end\n"
                          "source board\n"
                          "  port board\n"
                          "  line csv\n"
                          "  clock column 1 in ms, wraps at 2^32\n"
                          "  channel level column 2 in volts role sensor\n"
                          "  channel water column 3 in degC role temperature\n"
                          "end\n";

#define CYCLE(lift)                                                                                \
    "start at 10 mm\n"                                                                             \
    "repeat 20\n" lift "  step to 10 mm\n"                                                         \
    "  hold 4 s\n"                                                                                 \
    "  stairs from 10 mm to 130 mm in 4 steps, hold 2.5 s, up and down\n"                          \
    "end\n"
static const char with_lifts[] = CYCLE("  step to -10 mm\n  hold 6 s\n");
static const char without_lifts[] = CYCLE("  step to 70 mm\n  hold 6 s\n");

/* Either sign, size from low to high evenly in its logarithm. */
static double size_between(gsl_rng *random, double low, double high)
{
    double size = low * pow(high / low, gsl_rng_uniform(random));
    return gsl_rng_uniform(random) < 0.5 ? size : -size;
}

struct sim_truth sim_night_truth(uint64_t seed, bool warm, bool wander)
{
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    struct sim_truth truth;
    gsl_rng_set(random, (unsigned long)seed);
    sim_truth_defaults(&truth);
    truth.tank_area_mm2 = 90000;
    truth.board_area_mm2 = 60;
    truth.line_interval_s = 0.02;
    truth.curve[1] = 0.015 + 0.01 * gsl_rng_uniform(random);
    truth.curve[2] = gsl_ran_gaussian(random, 8e-6);
    truth.hysteresis_mm = 0.5 * gsl_rng_uniform(random);
    truth.lag_rising_s = 0.05 + 0.05 * gsl_rng_uniform(random);
    truth.lag_falling_s = 0.05 + 0.2 * gsl_rng_uniform(random);
    truth.backlash_mm = 0.03 * gsl_rng_uniform(random);
    truth.noise_sd = fabs(size_between(random, 1e-3, 4e-3));
    truth.resolution = 1e-3;
    truth.axis_skew_ppm = gsl_ran_gaussian(random, 30);
    truth.clock_skew_ppm = gsl_ran_gaussian(random, 30);
    truth.start_delay_s = 0.045;
    truth.start_delay_sd_s = 0.002;
    truth.zero_drift_per_h = size_between(random, 1e-3, 50e-3);
    truth.span_drift_ppm_h = size_between(random, 200, 20000);
    truth.evaporation_mm_h = size_between(random, 0.05, 5);
    truth.water_swing_degc = 0;
    if (warm) {
        truth.water_swing_degc = 0.5 + 1.5 * gsl_rng_uniform(random);
        truth.water_swing_period_s = 400 + 600 * gsl_rng_uniform(random);
        truth.temperature_coefficient = size_between(random, 0.2e-3, 3e-3);
        truth.span_temperature_ppm = size_between(random, 50, 1000);
    }
    if (wander) {
        /* Any share of the scatter of a lift's mean, 0.6 of 6 s at 50 rows a second; any
         * memory between cycles of 39 s. */
        double share = 0.98 * gsl_rng_uniform(random);
        truth.zero_wander = truth.noise_sd / sqrt(180) * sqrt(share / (1 - share));
        truth.zero_wander_s = -39 / log(0.95 * (1 - gsl_rng_uniform(random)));
    }
    /* Read off by eye, with the stage come from above or from below. */
    truth.datum_mm += 0.1 * gsl_rng_uniform(random) - 0.05;
    truth.datum_mm += (gsl_rng_uniform(random) < 0.5 ? -0.5 : 0.5) * truth.backlash_mm;
    gsl_rng_free(random);
    return truth;
}

void sim_night_fit(struct fit *fit, const struct sim_truth *truth, uint64_t seed, bool lifts)
{
    static struct fault_bench bench;
    fault_bench_defaults(&bench);
    bench.rig_text = rig;
    bench.profile_text = lifts ? with_lifts : without_lifts;
    bench.truth = *truth;
    bench.seed = seed;
    fault_bench_run(&bench);
    assert_int_equal(bench.end.state, RUN_COMPLETE);
    struct rig_err err = {0};
    struct recording *recording = recording_open(bench.folder, &err);
    if (!recording)
        fail_msg("%s", err.text);
    *fit = (struct fit){0};
    if (fit_recording(fit, recording, NULL, &err))
        fail_msg("%s", err.text);
    recording_free(recording);
    fault_bench_free(&bench);
}
