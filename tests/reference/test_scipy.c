/* SPDX-License-Identifier: GPL-3.0-or-later
 * Step and sine fits against SciPy on the same recordings, to 6 digits. Data and SciPy's answers
 * (1.10.1) are in tests/reference/scipy, made by make.py there, which integrates the lags by
 * DOP853 and minimises by its own least squares; nothing of ours is in it. */
#include "check.h"
#include "refdata.h"

#include "results/sine.h"
#include "results/step.h"

#include <gsl/gsl_errno.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

/* 20 to 70 mm at 60 mm/s and 600 mm/s2. */
static const struct motion_piece move[3] = {
    {0, 0.1, 20, 0, 600, 0},
    {0.1, 0.1 + 44.0 / 60, 23, 60, 0, 0},
    {0.1 + 44.0 / 60, 0.2 + 44.0 / 60, 67, 60, -600, 0},
};

static struct sample samples[REFDATA_ROWS];

static size_t read_samples(const char *file)
{
    static struct refdata data;
    refdata_read(&data, file);
    const double *t_s = refdata_column(&data, "t_s"), *value = refdata_column(&data, "value");
    for (size_t i = 0; i < data.rows; i++)
        samples[i] = (struct sample){t_s[i], 0, value[i], 1};
    return data.rows;
}

static double scipy(const char *fit, const char *quantity)
{
    FILE *file = fopen(reference_path("scipy/fits.csv"), "r");
    char line[200], name[64], what[64];
    double value = NAN, found = NAN;
    assert_non_null(file);
    while (fgets(line, sizeof line, file))
        if (sscanf(line, "%63[^,],%63[^,],%lf", name, what, &value) == 3 &&
            strcmp(name, fit) == 0 && strcmp(what, quantity) == 0)
            found = value;
    fclose(file);
    if (isnan(found))
        fail_msg("fits.csv has no %s of %s", quantity, fit);
    return found;
}

static void same(double value, const char *fit, const char *quantity)
{
    double theirs = scipy(fit, quantity);
    print_message("%-12s %-14s %.9g, SciPy %.9g\n", fit, quantity, value, theirs);
    assert_near(value, theirs, 1e-6 * fabs(theirs), quantity);
}

static void step(const char *name, enum response_kind kind)
{
    char file[64];
    struct step_fit fit;
    struct rig_err err;
    snprintf(file, sizeof file, "scipy/%s.csv", name);
    size_t n = read_samples(file);
    const struct step_options options = {.kinds = 1u << kind};
    assert_int_equal(n, 400);
    assert_int_equal(step_estimate(&fit, move, 3, 20, samples, n, &options, NULL, &err), 0);
    same(fit.initial.value, name, "initial");
    same(fit.final.value, name, "final");
    same(fit.dead_s.value, name, "dead_s");
    if (kind == RESPONSE_FIRST_ORDER) {
        same(fit.tau_s.value, name, "tau_s");
    } else {
        same(fmax(fit.tau_s.value, fit.tau2_s.value), name, "tau_s");
        same(fmin(fit.tau_s.value, fit.tau2_s.value), name, "tau2_s");
    }
    same(fit.residual_sd, name, "residual_sd");
}

static void steps(void **state)
{
    (void)state;
    step("step_1", RESPONSE_FIRST_ORDER);
    step("step_2", RESPONSE_TWO_TIME_CONSTANTS);
}

static void sine(const struct sine_fit *fit, const char *name)
{
    same(fit->component[0].amplitude, name, "amplitude");
    same(fit->component[0].amplitude_u, name, "amplitude_u");
    same(fit->component[0].phase_rad, name, "phase_rad");
    same(fit->mean, name, "mean");
    same(fit->mean_u, name, "mean_u");
    same(fit->frequency_hz, name, "frequency_hz");
}

static void sines(void **state)
{
    (void)state;
    struct sine_fit fit;
    struct rig_err err;
    size_t n = read_samples("scipy/sine.csv");
    assert_int_equal(n, 900);
    assert_int_equal(sine_fit(&fit, samples, n, 0.4031, 1, &err), 0);
    sine(&fit, "sine_known");
    assert_int_equal(sine_fit_frequency(&fit, samples, n, 0.4, 1, &err), 0);
    sine(&fit, "sine_free");
    same(fit.frequency_u, "sine_free", "frequency_u");
}

int main(void)
{
    gsl_set_error_handler_off();
    const struct CMUnitTest tests[] = {cmocka_unit_test(steps), cmocka_unit_test(sines)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
