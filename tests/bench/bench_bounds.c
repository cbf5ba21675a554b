/* SPDX-License-Identifier: GPL-3.0-or-later
 * The estimators of sines and steps against the Cramer-Rao bound: root mean square error
 * over the smallest that an unbiased estimator can have, and coverage.
 *
 *   bench_bounds [TRIALS] */
#include "study.h"

#include "results/response.h"
#include "results/sine.h"
#include "results/step.h"

#include <gsl/gsl_linalg.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <stdlib.h>

static const double rate_hz = 100;

static double between(gsl_rng *random, double low, double high)
{
    return low + (high - low) * gsl_rng_uniform(random);
}

static void tell(struct study_desk *desk, const char *name, double value, double u, double truth,
                 double bound)
{
    study_tell(desk, name, value, value - 1.96 * u, value + 1.96 * u, truth, bound);
}

/* N samples at a known frequency: var(amplitude) >= 2 sigma^2/N, var(phase) >= 2 sigma^2/(A^2 N)
 * (IEEE 1057; methods, Lag). */
static void one_sine(struct study_desk *desk, gsl_rng *random)
{
    enum { N = 2000 };
    static struct sample samples[N];
    double frequency = between(random, 0.2, 5), amplitude = between(random, 1, 10);
    double phase = between(random, -2.5, 2.5), sigma = between(random, 0.01, 0.5);
    for (int i = 0; i < N; i++) {
        double t = i / rate_hz;
        samples[i] =
            (struct sample){.t_s = t,
                            .value = 80 + amplitude * cos(2 * M_PI * frequency * t + phase) +
                                     gsl_ran_gaussian(random, sigma),
                            .weight = 1};
    }
    struct sine_fit fit;
    if (sine_fit(&fit, samples, N, frequency, 1, NULL))
        exit(1);
    double bound = sigma * sqrt(2.0 / N);
    tell(desk, "sine amplitude", fit.component[0].amplitude, fit.component[0].amplitude_u,
         amplitude, bound);
    tell(desk, "sine phase", fit.component[0].phase_rad, fit.component[0].phase_u, phase,
         bound / amplitude);
}

/* A stage's move from 30 to 120 mm at 60 mm/s and 900 mm/s2. */
static void stage_move(struct motion_piece pieces[3])
{
    double ramp_s = 60.0 / 900, cruise_s = 90.0 / 60 - ramp_s;
    pieces[0] = (struct motion_piece){0, ramp_s, 30, 0, 900, 0};
    pieces[1] = (struct motion_piece){ramp_s, ramp_s + cruise_s, 32, 60, 0, 0};
    pieces[2] = (struct motion_piece){ramp_s + cruise_s, 2 * ramp_s + cruise_s, 118, 60, -900, 0};
}

enum { STEP_N = 700, PARAMETERS = 4 }; /* initial, final, dead, tau */

static void answer(const double p[PARAMETERS], const struct sample samples[], double value[])
{
    struct motion_piece pieces[3];
    struct response response;
    stage_move(pieces);
    if (response_open(&response, pieces, 3, 30, NULL))
        exit(1);
    const struct response_model model = {
        .kind = RESPONSE_FIRST_ORDER, .dead_s = p[2], .tau_s = p[3]};
    response_set(&response, &model);
    for (int i = 0; i < STEP_N; i++)
        value[i] = p[0] + (p[1] - p[0]) * (response_at(&response, samples[i].t_s) - 30) / 90;
    response_free(&response);
}

/* The bound from the Fisher matrix J'J/sigma^2, J by differences. */
static void step_bounds(const double truth[PARAMETERS], const struct sample samples[], double sigma,
                        double bound[PARAMETERS])
{
    static double columns[PARAMETERS][STEP_N], other[STEP_N];
    static const double off[PARAMETERS] = {1e-4, 1e-4, 1e-5, 1e-5};
    double fisher[PARAMETERS * PARAMETERS] = {0}, inverse[PARAMETERS * PARAMETERS];
    for (int k = 0; k < PARAMETERS; k++) {
        double p[PARAMETERS];
        for (int side = -1; side <= 1; side += 2) {
            for (int l = 0; l < PARAMETERS; l++)
                p[l] = truth[l] + (l == k ? side * off[k] : 0);
            answer(p, samples, side < 0 ? other : columns[k]);
        }
        for (int i = 0; i < STEP_N; i++)
            columns[k][i] = (columns[k][i] - other[i]) / (2 * off[k]) / sigma;
    }
    for (int k = 0; k < PARAMETERS; k++)
        for (int l = 0; l < PARAMETERS; l++)
            for (int i = 0; i < STEP_N; i++)
                fisher[k * PARAMETERS + l] += columns[k][i] * columns[l][i];
    gsl_matrix_view matrix = gsl_matrix_view_array(fisher, PARAMETERS, PARAMETERS);
    gsl_matrix_view result = gsl_matrix_view_array(inverse, PARAMETERS, PARAMETERS);
    gsl_permutation *order = gsl_permutation_alloc(PARAMETERS);
    int sign;
    if (!order || gsl_linalg_LU_decomp(&matrix.matrix, order, &sign) ||
        gsl_linalg_LU_invert(&matrix.matrix, order, &result.matrix))
        exit(1);
    gsl_permutation_free(order);
    for (int k = 0; k < PARAMETERS; k++)
        bound[k] = sqrt(inverse[k * PARAMETERS + k]);
}

static void one_step(struct study_desk *desk, gsl_rng *random)
{
    static struct sample samples[STEP_N];
    static double value[STEP_N];
    const double truth[PARAMETERS] = {30, 120, between(random, 0, 0.1), between(random, 0.05, 0.4)};
    double sigma = between(random, 0.02, 0.3), bound[PARAMETERS];
    for (int i = 0; i < STEP_N; i++)
        samples[i] = (struct sample){.t_s = i / rate_hz - 1.5, .weight = 1};
    answer(truth, samples, value);
    step_bounds(truth, samples, sigma, bound);
    for (int i = 0; i < STEP_N; i++)
        samples[i].value = value[i] + gsl_ran_gaussian(random, sigma);
    struct motion_piece pieces[3];
    struct step_fit fit;
    stage_move(pieces);
    if (step_estimate(&fit, pieces, 3, 30, samples, STEP_N, NULL, NULL, NULL))
        exit(1);
    study_tell_verdict(desk, "step model chosen, one step", fit.kind == RESPONSE_FIRST_ORDER);
    /* In a recording all steps choose together; the bound is that of the right model. */
    const struct step_options settled = {.kinds = 1u << RESPONSE_FIRST_ORDER};
    if (step_estimate(&fit, pieces, 3, 30, samples, STEP_N, &settled, NULL, NULL))
        exit(1);
    tell(desk, "step dead time", fit.dead_s.value, fit.dead_s.u, truth[2], bound[2]);
    tell(desk, "step time constant", fit.tau_s.value, fit.tau_s.u, truth[3], bound[3]);
}

static void one_trial(struct study_desk *desk, unsigned trial, void *context)
{
    (void)context;
    gsl_set_error_handler_off();
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    if (!random)
        exit(1);
    gsl_rng_set(random, trial + 1);
    one_sine(desk, random);
    one_step(desk, random);
    gsl_rng_free(random);
}

int main(int count, char **arguments)
{
    unsigned trials = count > 1 ? (unsigned)strtoul(arguments[1], NULL, 10) : 2000;
    struct study *study = study_run(0, trials, 0, one_trial, NULL);
    if (!study)
        return 1;
    unsigned lost = study_print(study, stdout);
    study_free(study);
    return lost ? 1 : 0;
}
