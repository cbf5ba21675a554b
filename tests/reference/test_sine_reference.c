/* SPDX-License-Identifier: GPL-3.0-or-later
 * Three- and four-parameter sine fits (IEEE 1057, IEEE 1241; Handel, IEEE Trans. Instrum.
 * Meas. 49(6), 2000) of a constructed set whose results were computed in 50-digit
 * arithmetic (tests/reference/sine/README.md), and the Cramer-Rao bounds (Kay, Fundamentals
 * of Statistical Signal Processing I, example 3.14; Rife & Boorstyn 1974). */
#include "check.h"

#include "results/sine.h"

#include <math.h>
#include <stdio.h>

#include <gsl/gsl_errno.h>

enum { COUNT = 60 };

static void read_samples(struct sample samples[COUNT])
{
    FILE *in = fopen(reference_path("sine/sine_fit_check.csv"), "r");
    assert_non_null(in);
    char header[32];
    assert_non_null(fgets(header, sizeof header, in));
    for (int i = 0; i < COUNT; i++) {
        samples[i] = (struct sample){.weight = 1};
        assert_int_equal(fscanf(in, "%lf,%lf", &samples[i].t_s, &samples[i].value), 2);
    }
    fclose(in);
}

static void three_parameters(void **state)
{
    (void)state;
    struct sample samples[COUNT];
    read_samples(samples);
    struct sine_fit fit;
    struct rig_err err;
    assert_int_equal(sine_fit(&fit, samples, COUNT, 0.0425, 1, &err), 0);
    assert_near(fit.component[0].cosine, 1.47539526083493, 6e-15, "");
    assert_near(fit.component[0].sine, -0.41338570823320, 6e-15, "");
    assert_near(fit.mean, 0.70074243682880, 6e-15, "");
    assert_near(fit.component[0].amplitude, 1.53221373165288, 6e-15, "");
    assert_near(fit.component[0].phase_rad, 0.273181556910589, 4e-15, "rad");
    assert_near(fit.residual_rms, 0.05605795263672, 6e-15, "");
    assert_near(fit.degrees_of_freedom, 57, 0, "");
}

static void four_parameters(void **state)
{
    (void)state;
    struct sample samples[COUNT];
    read_samples(samples);
    const double starts[] = {0.0425, 0.041, 0.044};
    for (int i = 0; i < 3; i++) {
        struct sine_fit fit;
        struct rig_err err;
        assert_int_equal(sine_fit_frequency(&fit, samples, COUNT, starts[i], 1, &err), 0);
        assert_near(fit.frequency_hz, 0.0424953170765018, 6e-17, "cycles/sample");
        assert_near(fit.component[0].cosine, 1.47511228517414, 6e-15, "");
        assert_near(fit.component[0].sine, -0.41463600764186, 6e-15, "");
        assert_near(fit.mean, 0.70075271251748, 6e-15, "");
        assert_near(fit.component[0].amplitude, 1.53227911057511, 6e-15, "");
        assert_near(fit.component[0].phase_rad, 0.274017097251422, 4e-15, "rad");
        assert_near(fit.residual_rms, 0.05605543335752, 6e-15, "");
    }
}

/* Uncertainties that the fit states, against the bounds. A = 1, sd 0.01, N = 1000, w = 0.7, phase
 * 0.3: 4.47214e-4 for the amplitude; phase 4.47214e-4 (frequency known) and 8.93757e-4
 * (unknown); 1.549194e-6 rad a sample. The inverse of the exact Fisher matrix with four
 * unknowns: 4.4736219e-4, 8.9357434e-4, 1.5476746e-6. The residual, here a sequence that is
 * the same every time, has its own sd, so ratios to it are compared. */
static void cramer_rao(void **state)
{
    (void)state;
    struct sample samples[1000];
    for (int i = 0; i < 1000; i++) {
        double noise = (i * 7919 % 1000) / 500.0 - 1; /* no more than a spread of values */
        samples[i] = (struct sample){i, 0, 2 + cos(0.7 * i + 0.3) + 0.01 * noise, 1};
    }
    struct sine_fit fit;
    struct rig_err err;
    double hz = 0.7 / (2 * M_PI);
    assert_int_equal(sine_fit(&fit, samples, 1000, hz, 1, &err), 0);
    double sd = fit.residual_sd / 0.01;
    assert_near(fit.component[0].amplitude_u / sd, 4.47214e-4, 5e-7, "");
    assert_near(fit.component[0].phase_u / sd, 4.47214e-4, 5e-7, "rad");
    assert_int_equal(sine_fit_frequency(&fit, samples, 1000, hz, 1, &err), 0);
    sd = fit.residual_sd / 0.01;
    double size = fit.component[0].amplitude;
    assert_near(fit.component[0].amplitude_u / sd, 4.4736219e-4, 3e-9, "");
    assert_near(fit.component[0].phase_u * size / sd, 8.9357434e-4, 3e-8, "rad");
    assert_near(fit.frequency_u * 2 * M_PI * size / sd, 1.5476746e-6, 3e-10, "rad/sample");
}

int main(void)
{
    gsl_set_error_handler_off();
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(three_parameters),
        cmocka_unit_test(four_parameters),
        cmocka_unit_test(cramer_rao),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
