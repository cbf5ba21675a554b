/* SPDX-License-Identifier: GPL-3.0-or-later
 * Frequency response: exact points, unwrapping, simulations, misfits, refusals. */
#include "check.h"
#include "montecarlo.h"
#include "random_bench.h"

#include "results/frequency.h"

#include <math.h>

#include <gsl/gsl_errno.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>

static const unsigned long seed = 20240405;
enum { COUNT = 10 };

/* Gain and phase of a dead time with one or two time constants at 0.05 to 3 Hz, as printed in
 * any control handbook. */
static void respond(struct sine_ratio ratios[COUNT], double gain, double dead, double tau,
                    double tau2, double u, gsl_rng *rng)
{
    for (int i = 0; i < COUNT; i++) {
        double hz = 0.05 * pow(60, i / (COUNT - 1.0)), w = 2 * M_PI * hz;
        double g = gain / sqrt((1 + w * w * tau * tau) * (1 + w * w * tau2 * tau2));
        double phase = -w * dead - atan(w * tau) - atan(w * tau2);
        double relative = u / (g / gain); /* the same noise on a smaller amplitude */
        if (rng) {
            g *= 1 + gsl_ran_gaussian(rng, relative);
            phase += gsl_ran_gaussian(rng, relative);
        }
        ratios[i] = (struct sine_ratio){.frequency_hz = hz,
                                        .gain = g,
                                        .gain_u = g * relative,
                                        .phase_rad = sine_wrap(phase),
                                        .phase_u = relative};
    }
}

static void exact(void **state)
{
    (void)state;
    struct sine_ratio ratios[COUNT];
    double unwrapped[COUNT];
    struct frequency_fit fit;
    struct rig_err err;
    /* 0.6 s of dead time: almost two turns at 3 Hz */
    respond(ratios, 0.98, 0.6, 0.15, 0, 1e-3, NULL);
    for (int i = 0; i < COUNT / 2; i++) { /* any order */
        struct sine_ratio other = ratios[i];
        ratios[i] = ratios[COUNT - 1 - i];
        ratios[COUNT - 1 - i] = other;
    }
    assert_int_equal(frequency_estimate(&fit, ratios, COUNT, NULL, unwrapped, &err), 0);
    assert_near(fit.gain.value, 0.98, 1e-8, "");
    assert_near(fit.dead_s.value, 0.6, 1e-8, "s");
    assert_near(fit.tau_s.value, 0.15, 1e-8, "s");
    assert_near(fit.mean_lag_s.value, 0.75, 1e-8, "s");
    assert_near(fit.bandwidth_hz.value, 1 / (2 * M_PI * 0.15), 1e-7, "Hz");
    assert_near(fit.bandwidth_seen_hz.value, 1 / (2 * M_PI * 0.15), 1e-7, "Hz");
    assert_near(unwrapped[0], -2 * M_PI * 3 * 0.6 - atan(2 * M_PI * 3 * 0.15), 1e-9, "rad");
    assert_true(fit.fits);
    assert_near(fit.birge, 1, 0, "");
    assert_int_equal(fit.points, COUNT);
    assert_string_equal(fit.note, "");
    /* slow enough for the road without a model: 0.02 s in all */
    respond(ratios, 1, 0.01, 0.01, 0, 1e-4, NULL);
    assert_int_equal(frequency_estimate(&fit, ratios, COUNT, NULL, NULL, &err), 0);
    assert_near(fit.low_lag_s.value, 0.02, fit.low_lag_drawn_s + 1e-9, "s");
    assert_true(fit.low_lag_drawn_s < 1e-4);
    assert_true(isnan(fit.bandwidth_seen_hz.value));
    assert_contains(fit.bandwidth_reason, "stays above -3 dB up to the highest frequency, 3 Hz");
    /* Common error of time: into what is absolute, not into the time constant. */
    struct frequency_fit tied;
    struct frequency_options options = {.common_time_u_s = 0.005};
    assert_int_equal(frequency_estimate(&tied, ratios, COUNT, &options, NULL, &err), 0);
    assert_near(tied.mean_lag_s.u, hypot(fit.mean_lag_s.u, 0.005), 1e-12, "s");
    assert_near(tied.low_lag_s.u, hypot(fit.low_lag_s.u, 0.005), 1e-12, "s");
    assert_near(tied.tau_s.u, fit.tau_s.u, 1e-12, "s");
}

static void simulated(void **state)
{
    (void)state;
    print_message("seed %lu\n", seed);
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(rng, seed);
    struct tally dead = {.what = "dead time"}, tau = {.what = "time constant"};
    struct tally lag = {.what = "mean lag"}, gain = {.what = "gain"};
    struct tally bandwidth = {.what = "bandwidth, model"}, low = {.what = "lag, no model"};
    struct tally seen = {.what = "bandwidth, interpolated"};
    size_t misfits = 0;
    for (int run = 0; run < 600; run++) {
        struct sine_ratio ratios[COUNT];
        struct frequency_fit fit;
        struct rig_err err;
        respond(ratios, 1, 0.05, 0.15, 0, 0.004, rng);
        assert_int_equal(frequency_estimate(&fit, ratios, COUNT, NULL, NULL, &err), 0);
        tally_add(&dead, fit.dead_s.value, fit.dead_s.u, fit.dead_s.dof, 0.05);
        tally_add(&tau, fit.tau_s.value, fit.tau_s.u, fit.tau_s.dof, 0.15);
        tally_add(&lag, fit.mean_lag_s.value, fit.mean_lag_s.u, fit.mean_lag_s.dof, 0.2);
        tally_add(&gain, fit.gain.value, fit.gain.u, fit.gain.dof, 1);
        tally_add(&low, fit.low_lag_s.value, fit.low_lag_s.u, fit.low_lag_s.dof, 0.2);
        double hz = 1 / (2 * M_PI * 0.15);
        tally_add(&bandwidth, fit.bandwidth_hz.value, fit.bandwidth_hz.u, fit.bandwidth_hz.dof, hz);
        tally_add(&seen, fit.bandwidth_seen_hz.value, fit.bandwidth_seen_hz.u,
                  fit.bandwidth_seen_hz.dof, hz);
        misfits += !fit.fits;
    }
    gsl_rng_free(rng);
    assert_honest(&dead);
    assert_honest(&tau);
    assert_honest(&lag);
    assert_honest(&gain);
    assert_honest(&bandwidth);
    assert_honest(&seen);
    assert_honest(&low);
    print_message("misfits by chance: %zu of 600, 1 %% expected\n", misfits);
    assert_true(misfits < 18);
}

/* Two time constants seen through the model of one: said so, and widened. */
static void misfit(void **state)
{
    (void)state;
    struct sine_ratio ratios[COUNT];
    struct frequency_fit fit;
    struct rig_err err;
    respond(ratios, 1, 0.05, 0.3, 0.3, 0.001, NULL);
    assert_int_equal(frequency_estimate(&fit, ratios, COUNT, NULL, NULL, &err), 0);
    assert_false(fit.fits);
    assert_true(fit.birge > 3);
    assert_contains(fit.note, "do not fit the points");
    assert_near(fit.low_lag_s.value, 0.65, 0.01, "s"); /* the road without a model still holds */
}

/* Water that drains more slowly than it rises: the mean lag lies within what the way to zero leaves
 * open, for frequencies near and far apart. Above that none is given. */
static void two_lags(void **state)
{
    (void)state;
    for (double ratio = 1.5; ratio < 3.3; ratio *= 1.45)
        for (double lag_s = 0.02; lag_s < 0.3; lag_s *= 2.5)
            for (double times = 1; times < 20; times *= 1.7) {
                struct sim_truth truth = {.lag_rising_s = lag_s, .lag_falling_s = lag_s * times};
                struct sine_ratio ratios[3];
                for (int i = 0; i < 3; i++) {
                    double hz = 0.1 * pow(ratio, i), gain, phase;
                    random_bench_response(&truth, hz, INFINITY, &gain, &phase);
                    ratios[i] = (struct sine_ratio){.frequency_hz = hz,
                                                    .gain = gain,
                                                    .gain_u = 1e-3,
                                                    .phase_rad = phase,
                                                    .phase_u = 1e-3};
                }
                struct frequency_fit fit;
                struct rig_err err;
                const struct frequency_options options = {.longest_lag_s = truth.lag_falling_s};
                double mean_s = lag_s * (1 + times) / 2, w = 2 * M_PI * 0.1;
                assert_int_equal(frequency_estimate(&fit, ratios, 3, &options, NULL, &err), 0);
                bool low = -ratios[0].phase_rad < 0.5 && w * ratio * truth.lag_falling_s < 1.6;
                assert_int_equal(isfinite(fit.low_lag_s.value) != 0, low);
                if (low)
                    assert_near(fit.low_lag_s.value, mean_s, fit.low_lag_drawn_s + 2e-4 * mean_s,
                                "s");
            }
}

/* The bandwidth of such a board lies within what is left open between the frequencies. */
static void bandwidth_of_two_lags(void **state)
{
    (void)state;
    for (double ratio = 1.5; ratio < 3.3; ratio *= 1.45)
        for (double times = 1; times < 10; times *= 1.9)
            for (double below = 0.1; below < 1; below += 0.2) {
                struct sim_truth truth = {.lag_rising_s = 0.03, .lag_falling_s = 0.03 * times};
                double hz = random_bench_bandwidth_hz(&truth, INFINITY), gain, phase;
                struct sine_ratio ratios[3];
                for (int i = 0; i < 3; i++) {
                    double at_hz = hz * pow(ratio, i - below);
                    random_bench_response(&truth, at_hz, INFINITY, &gain, &phase);
                    ratios[i] = (struct sine_ratio){.frequency_hz = at_hz,
                                                    .gain = gain,
                                                    .gain_u = 1e-3,
                                                    .phase_rad = phase,
                                                    .phase_u = 1e-3};
                }
                struct frequency_fit fit;
                struct rig_err err;
                const struct frequency_options options = {.gain_at_rest = 1};
                assert_int_equal(frequency_estimate(&fit, ratios, 3, &options, NULL, &err), 0);
                assert_near(fit.bandwidth_seen_hz.value, hz,
                            1.02 * fit.bandwidth_drawn_hz + 5e-5 * hz, "Hz");
            }
}

static void refusals(void **state)
{
    (void)state;
    struct sine_ratio ratios[COUNT];
    struct frequency_fit fit;
    struct rig_err err;
    respond(ratios, 1, 0.05, 0.15, 0, 0.001, NULL);
    assert_int_equal(frequency_estimate(&fit, ratios, 1, NULL, NULL, &err), RIG_EUNKNOWABLE);
    assert_contains(err.text, "only one frequency");
    assert_int_equal(frequency_estimate(&fit, ratios, 0, NULL, NULL, &err), RIG_EUNKNOWABLE);
    assert_contains(err.text, "no frequency");
    /* readings twice a second: only what is below 0.5 Hz counts */
    struct frequency_options options = {.sample_interval_s = 0.5};
    double unwrapped[COUNT];
    assert_int_equal(frequency_estimate(&fit, ratios, COUNT, &options, unwrapped, &err), 0);
    assert_int_equal(fit.points + fit.left_out, COUNT);
    assert_int_equal(fit.left_out, 4);
    assert_contains(fit.note, "4 left out: above a quarter of the sampling rate of 2 Hz");
    assert_true(isnan(unwrapped[COUNT - 1]));
    options.sample_interval_s = 4;
    assert_int_equal(frequency_estimate(&fit, ratios, COUNT, &options, NULL, &err),
                     RIG_EUNKNOWABLE);
    assert_contains(err.text, "above a quarter of the sampling rate");
    /* a gain that never falls: only the sum is known */
    respond(ratios, 1, 0.02, 0, 0, 0.01, NULL);
    assert_int_equal(frequency_estimate(&fit, ratios, COUNT, NULL, NULL, &err), 0);
    assert_true(isnan(fit.tau_s.value) && isnan(fit.dead_s.value));
    assert_near(fit.mean_lag_s.value, 0.02, 1e-6, "s");
    assert_contains(fit.note, "only the mean lag is known");
    ratios[2].gain_u = 0;
    assert_int_equal(frequency_estimate(&fit, ratios, COUNT, NULL, NULL, &err), RIG_EINPUT);
}

int main(void)
{
    gsl_set_error_handler_off();
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(exact),
        cmocka_unit_test(simulated),
        cmocka_unit_test(misfit),
        cmocka_unit_test(two_lags),
        cmocka_unit_test(bandwidth_of_two_lags),
        cmocka_unit_test(refusals),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
