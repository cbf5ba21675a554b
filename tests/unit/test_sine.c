/* SPDX-License-Identifier: GPL-3.0-or-later
 * Sine fits: bins, harmonics, refusals, and simulations against the Cramer-Rao bounds
 * (formulas: tests/reference/test_sine_reference.c). */
#include "check.h"
#include "montecarlo.h"

#include "results/sine.h"

#include <math.h>
#include <stdlib.h>

#include <gsl/gsl_errno.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>

static const unsigned long seed = 20240117;

static double wave(double t)
{
    return 3 + 2 * cos(2 * M_PI * 0.5 * t + 0.4) + 0.1 * cos(2 * M_PI * 1.0 * t - 1) +
           0.05 * cos(2 * M_PI * 1.5 * t + 2);
}

/* Means over bins as wide as a sixteenth of a cycle: amplitude and phase are those of the wave
 * and not of its averages, for all rows in a bin and for two, one. */
static void wide_bins(void **state)
{
    (void)state;
    for (int rows = 1; rows <= 64; rows *= 8) {
        struct sample samples[16];
        for (int i = 0; i < 16; i++) {
            double start = i / 8.0, width = 1 / 8.0, sum = 0, time = 0;
            for (int r = 0; r < rows; r++) {
                double t = start + width * (r + 0.5) / rows;
                sum += wave(t) / rows;
                time += t / rows;
            }
            samples[i] = sample_of_bin(time, width, sum, rows);
        }
        struct sine_fit fit;
        struct rig_err err;
        assert_int_equal(sine_fit(&fit, samples, 16, 0.5, 3, &err), 0);
        /* n readings in a row keep sin(n x)/(n sin x) and a full width sin(x)/x: they
         * differ by the fourth power of the width */
        double left = rows == 1 ? 1e-12 : 2e-5;
        assert_near(fit.component[0].amplitude, 2, left, "");
        assert_near(fit.component[0].phase_rad, 0.4, left, "rad");
        assert_near(fit.component[1].amplitude, 0.1, left, "");
        assert_near(fit.component[1].phase_rad, -1, left, "rad");
        assert_near(fit.component[2].amplitude, 0.05, left, "");
        assert_near(fit.mean, 3, left, "");
        assert_near(fit.distortion, sqrt(0.01 + 0.0025) / 2, left, "");
    }
}

/* One run of 8 cycles, 2000 rows, folded to 128 bins of phase, or raw. */
static void fill(struct sample samples[], size_t bins, gsl_rng *rng, double sd)
{
    enum { ROWS = 2000 };
    for (size_t i = 0; i < bins; i++)
        samples[i] = (struct sample){0, 0, 0, 0};
    double period = 2, length = 16;
    for (int r = 0; r < ROWS; r++) {
        double t = length * (r + 0.5) / ROWS, y = wave(t) + gsl_ran_gaussian(rng, sd);
        double phase = bins == ROWS ? t : fmod(t, period);
        size_t i = bins == ROWS ? (size_t)r : (size_t)(phase / period * (double)bins);
        samples[i].t_s += phase;
        samples[i].value += y;
        samples[i].weight += 1;
    }
    for (size_t i = 0; i < bins; i++) {
        double n = samples[i].weight;
        double width = bins == ROWS ? 0 : period / (double)bins;
        samples[i] = sample_of_bin(samples[i].t_s / n, width, samples[i].value / n, n);
    }
}

static void simulated(void **state)
{
    (void)state;
    print_message("seed %lu\n", seed);
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(rng, seed);
    struct tally amplitude = {.what = "amplitude, folded"}, phase = {.what = "phase, folded"};
    struct tally second = {.what = "second harmonic, folded"}, offset = {.what = "mean, folded"};
    struct tally raw_phase = {.what = "phase, four parameters"};
    struct tally raw_frequency = {.what = "frequency"};
    struct tally raw_amplitude = {.what = "amplitude, four parameters"};
    double sd = 0.1;
    size_t rows = 2000;
    struct sample *samples = malloc(rows * sizeof *samples);
    assert_non_null(samples);
    for (int run = 0; run < 600; run++) {
        struct sine_fit fit;
        struct rig_err err;
        fill(samples, 128, rng, sd);
        assert_int_equal(sine_fit(&fit, samples, 128, 0.5, 3, &err), 0);
        double dof = fit.degrees_of_freedom;
        const struct sine_component *c = fit.component;
        tally_add(&amplitude, c[0].amplitude, c[0].amplitude_u, dof, 2);
        tally_add(&phase, c[0].phase_rad, c[0].phase_u, dof, 0.4);
        tally_add(&second, c[1].amplitude, c[1].amplitude_u, dof, 0.1);
        tally_add(&offset, fit.mean, fit.mean_u, dof, 3);
        if (run >= 300)
            continue;
        fill(samples, rows, rng, sd);
        assert_int_equal(sine_fit_frequency(&fit, samples, rows, 0.501, 3, &err), 0);
        tally_add(&raw_amplitude, c[0].amplitude, c[0].amplitude_u, dof, 2);
        tally_add(&raw_phase, c[0].phase_rad, c[0].phase_u, dof, 0.4);
        tally_add(&raw_frequency, fit.frequency_hz, fit.frequency_u, dof, 0.5);
    }
    gsl_rng_free(rng);
    free(samples);
    assert_honest(&amplitude);
    assert_honest(&phase);
    assert_honest(&offset);
    assert_honest(&raw_amplitude);
    assert_honest(&raw_phase);
    assert_honest(&raw_frequency);
    tally_print(&second);
    double n = 2000, eta = 4 / (2 * sd * sd), rate = n / 16;
    assert_reaches(&amplitude, sd * sqrt(2 / n), 1.05);
    assert_reaches(&phase, sd * sqrt(2 / n) / 2, 1.05);
    assert_reaches(&raw_amplitude, sd * sqrt(2 / n), 1.05);
    assert_reaches(&raw_phase, sqrt(2 * (2 * n - 1) / (eta * n * (n + 1))), 1.05);
    assert_reaches(&raw_frequency,
                   sqrt(12 * rate * rate / (4 * M_PI * M_PI * eta * n * (n * n - 1))), 1.05);
}

/* Output late by 0.3 s at 0.5 Hz and half as large. */
static void gain_and_phase(void **state)
{
    (void)state;
    struct sample in[200], out[200];
    for (int i = 0; i < 200; i++) {
        double t = i * 0.04;
        in[i] = (struct sample){t, 0, 5 * cos(M_PI * t), 1};
        double wiggle = i % 2 ? 0.01 : -0.01;
        out[i] = (struct sample){t, 0, 1 + 2.5 * cos(M_PI * (t - 0.3)) + wiggle, 1};
    }
    struct sine_fit a, b;
    struct sine_ratio ratio;
    struct rig_err err;
    assert_int_equal(sine_fit(&a, in, 200, 0.5, 1, &err), 0);
    assert_int_equal(sine_fit(&b, out, 200, 0.5, 1, &err), 0);
    assert_int_equal(sine_compare(&ratio, &b, &a, 1, &err), 0);
    assert_near(ratio.gain, 0.5, 1e-4, "");
    assert_near(ratio.lag_s, 0.3, 1e-4, "s");
    assert_near(ratio.phase_rad, -0.3 * M_PI, 1e-3, "rad");
    /* white noise of 0.01 sd on 200 values of amplitude 2.5 */
    assert_near(ratio.phase_u, 0.01 * sqrt(2.0 / 200) / 2.5, 2e-5, "rad");
    assert_near(ratio.lag_u, ratio.phase_u / M_PI, 1e-12, "s");
    assert_near(ratio.gain_u, 0.5 * ratio.phase_u, 1e-6, "");
    struct sine_ratio both;
    assert_int_equal(sine_compare(&both, &b, &b, 0, &err), 0);
    assert_near(both.phase_u, ratio.phase_u * sqrt(2), 1e-9, "rad");
    a.frequency_hz = 0.6;
    assert_int_equal(sine_compare(&both, &b, &a, 1, &err), RIG_EBUG);
}

static void refusals(void **state)
{
    (void)state;
    struct sample samples[40];
    for (int i = 0; i < 40; i++)
        samples[i] = (struct sample){i * 0.01, 0, i % 2 ? 1 : -1, 1};
    struct sine_fit fit, other;
    struct sine_ratio ratio;
    struct rig_err err;
    assert_int_equal(sine_fit(&fit, samples, 3, 0.5, 1, &err), RIG_EUNKNOWABLE);
    assert_contains(err.text, "3 values are too few");
    /* 0.4 s of a cycle of 1000 s */
    assert_int_equal(sine_fit(&fit, samples, 40, 0.00001, 1, &err), RIG_EUNKNOWABLE);
    assert_contains(err.text, "too little of a cycle");
    /* two values a cycle, always at the same phases: sine and mean are one */
    assert_int_equal(sine_fit(&fit, samples, 40, 100, 1, &err), RIG_EUNKNOWABLE);
    assert_int_equal(sine_fit(&fit, samples, 40, 0, 1, &err), RIG_EINPUT);
    samples[7].value = NAN;
    assert_int_equal(sine_fit(&fit, samples, 40, 2, 1, &err), RIG_EINPUT);
    samples[7].value = -1;
    samples[7].weight = 0;
    assert_int_equal(sine_fit(&fit, samples, 40, 2, 1, &err), RIG_EINPUT);
    samples[7].weight = 1;
    /* an alternating signal holds no 2.5 Hz worth naming */
    assert_int_equal(sine_fit(&fit, samples, 40, 2.5, 1, &err), 0);
    other = fit;
    assert_int_equal(sine_compare(&ratio, &fit, &other, 1, &err), RIG_EUNKNOWABLE);
    assert_contains(err.text, "below five times");
    assert_int_equal(sine_fit_frequency(&fit, samples, 40, 2.5, 1, &err), RIG_EUNKNOWABLE);
    assert_contains(err.text, "no sine near 2.5 Hz");
    assert_near(sine_wrap(M_PI * 7 + 0.1), 0.1 - M_PI, 1e-12, "rad");
    assert_near(sine_wrap(-M_PI), M_PI, 1e-12, "rad");
}

int main(void)
{
    gsl_set_error_handler_off();
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(wide_bins),
        cmocka_unit_test(simulated),
        cmocka_unit_test(gain_and_phase),
        cmocka_unit_test(refusals),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
