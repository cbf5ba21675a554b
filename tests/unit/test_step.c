/* SPDX-License-Identifier: GPL-3.0-or-later
 * Step fits: exact cases, simulations with known truth against coverage and the
 * Cramer-Rao bound, wild lines, refusals. */
#include "check.h"
#include "montecarlo.h"

#include "results/step.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#include <gsl/gsl_errno.h>
#include <gsl/gsl_linalg.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>

static const unsigned long seed = 20240311;

/* 50 mm at 60 mm/s and 600 mm/s2 from 20 mm, as a trapezoid: 0.1 + 0.7333 + 0.1 s. */
static const struct motion_piece move[3] = {
    {0, 0.1, 20, 0, 600, 0},
    {0.1, 0.1 + 44.0 / 60, 23, 60, 0, 0},
    {0.1 + 44.0 / 60, 0.2 + 44.0 / 60, 67, 60, -600, 0},
};
static const double move_end_s = 0.2 + 44.0 / 60;

enum { ROW_LIMIT = 2000, BIN_LIMIT = 400 };

struct rows {
    double t_s[ROW_LIMIT], value[ROW_LIMIT];
    size_t n;
};

static void simulate(struct rows *rows, const struct response_model *model, double gain,
                     double offset, double rate_hz, double from_s, double to_s, gsl_rng *rng,
                     double sd)
{
    struct response response;
    assert_int_equal(response_open(&response, move, 3, 20, NULL), 0);
    response_set(&response, model);
    rows->n = 0;
    double shift = rng ? gsl_rng_uniform(rng) : 0.5; /* rows don't know of the stroke */
    for (double k = shift; from_s + k / rate_hz < to_s && rows->n < ROW_LIMIT; k++) {
        double t = from_s + k / rate_hz;
        rows->t_s[rows->n] = t;
        rows->value[rows->n++] =
            offset + gain * response_at(&response, t) + (rng ? gsl_ran_gaussian(rng, sd) : 0);
    }
    response_free(&response);
}

/* Bins as a recording is reduced to: 20 ms before and in the move, growing by 3 % after
 * it. */
static size_t to_bins(const struct rows *rows, double width_s, struct sample bins[BIN_LIMIT])
{
    size_t count = 0, row = 0;
    double edge = rows->t_s[0] - 1e-9;
    while (row < rows->n) {
        double width = fmax(width_s, 0.03 * (edge - move_end_s));
        double n = 0, time = 0, sum = 0;
        for (; row < rows->n && rows->t_s[row] < edge + width; row++, n++) {
            time += rows->t_s[row];
            sum += rows->value[row];
        }
        assert_true(count < BIN_LIMIT);
        if (n > 0)
            bins[count++] = sample_of_bin(time / n, width, sum / n, n);
        edge += width;
    }
    return count;
}

static size_t to_samples(const struct rows *rows, struct sample samples[])
{
    for (size_t i = 0; i < rows->n; i++)
        samples[i] = (struct sample){rows->t_s[i], 0, rows->value[i], 1};
    return rows->n;
}

/* Without noise every model gives back what made it, from readings and from wide bins. */
static void exact(void **state)
{
    (void)state;
    const struct response_model truths[] = {
        {RESPONSE_FIRST_ORDER, 0.08, 0.25, 0, 1}, {RESPONSE_FIRST_ORDER, 0, 1.1, 0, 1},
        {RESPONSE_FIRST_ORDER, 0.4, 0.04, 0, 1},  {RESPONSE_TWO_TIME_CONSTANTS, 0.05, 0.3, 0.12, 1},
        {RESPONSE_STRETCHED, 0.05, 0.3, 0, 0.7},
    };
    for (size_t m = 0; m < sizeof truths / sizeof truths[0]; m++)
        for (int binned = 0; binned < 2; binned++) {
            static struct rows rows;
            struct sample samples[ROW_LIMIT];
            double residual[ROW_LIMIT];
            simulate(&rows, &truths[m], -0.5, 3, 100, -1, 12, NULL, 0);
            size_t n = binned ? to_bins(&rows, 0.05, samples) : to_samples(&rows, samples);
            struct step_fit fit;
            struct rig_err err = {0};
            struct step_options options = {.kinds = 1u << truths[m].kind | 1u};
            int code = step_estimate(&fit, move, 3, 20, samples, n, &options, residual, &err);
            if (code)
                print_error("%s\n", err.text);
            assert_int_equal(code, 0);
            assert_int_equal(fit.kind, truths[m].kind);
            /* rows in a bin are a comb and not a full stretch: fourth order is left */
            double left = binned ? 1e-3 : 1e-6;
            assert_near(fit.initial.value, 3 - 0.5 * 20, left, "");
            assert_near(fit.final.value, 3 - 0.5 * 70, left, "");
            assert_near(fit.dead_s.value, truths[m].dead_s, left, "s");
            double tau = fit.tau_s.value;
            if (fit.kind == RESPONSE_TWO_TIME_CONSTANTS) { /* they may change places */
                assert_near(fmin(tau, fit.tau2_s.value), 0.12, left, "s");
                tau = fmax(tau, fit.tau2_s.value);
            }
            assert_near(tau, truths[m].tau_s, left, "s");
            if (fit.kind == RESPONSE_STRETCHED)
                assert_near(fit.beta.value, 0.7, 2 * left, "");
            assert_near(fit.mean_lag_s.value, response_mean_lag(&truths[m]), left, "s");
            assert_near(fit.time_63_s.value, response_step_time(&truths[m], 1 - exp(-1)), left,
                        "s");
            assert_near(fit.transition_s.value, response_transition(&truths[m]), 2 * left, "s");
            assert_near(fit.settling_s.value, response_settling(&truths[m]), 5 * left, "s");
            for (size_t i = 0; i < n; i++)
                assert_near(residual[i], 0, 30 * left, "");
        }
}

/* Bins of 50 ms against a dead time of 83 ms: the mean error over many positions of the
 * bins is far below the width, and below its square. */
static void no_bias_from_bins(void **state)
{
    (void)state;
    const struct response_model truth = {RESPONSE_FIRST_ORDER, 0.083, 0.2, 0, 1};
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(rng, seed);
    double dead = 0, tau = 0, area = 0;
    for (int run = 0; run < 50; run++) {
        static struct rows rows;
        struct sample samples[BIN_LIMIT];
        simulate(&rows, &truth, 1, 0, 100, -1, 6, rng, 0);
        size_t n = to_bins(&rows, 0.05, samples);
        struct step_fit fit;
        struct step_options options = {.kinds = 1};
        assert_int_equal(step_estimate(&fit, move, 3, 20, samples, n, &options, NULL, NULL), 0);
        dead += (fit.dead_s.value - 0.083) / 50;
        tau += (fit.tau_s.value - 0.2) / 50;
        area += (fit.area_lag_s.value - 0.283) / 50;
    }
    gsl_rng_free(rng);
    assert_near(dead, 0, 5e-5, "s");
    assert_near(tau, 0, 5e-5, "s");
    assert_near(area, 0, 2e-5, "s");
}

/* A hold of ten time constants: what is cut off of the area, some 5e-4 of it, is not missing. */
static void no_bias_from_the_end(void **state)
{
    (void)state;
    const struct response_model truth = {RESPONSE_FIRST_ORDER, 0.02, 0.5, 0, 1};
    static struct rows rows;
    struct sample samples[ROW_LIMIT];
    simulate(&rows, &truth, 1, 0, 100, -1, 6, NULL, 0);
    size_t n = to_samples(&rows, samples);
    struct step_fit fit;
    const struct step_options options = {.kinds = 1};
    assert_int_equal(step_estimate(&fit, move, 3, 20, samples, n, &options, NULL, NULL), 0);
    assert_near(fit.area_lag_s.value, 0.52, 1e-6, "s");
}

/* Cramer-Rao bound of dead time, time constant and mean lag with unknown levels, from the
 * Fisher matrix of all rows (not of the bins). */
static void bounds(const struct rows *rows, const struct response_model *model, double sd,
                   double *dead, double *tau, double *lag)
{
    struct response response;
    assert_int_equal(response_open(&response, move, 3, 20, NULL), 0);
    gsl_matrix *fisher = gsl_matrix_calloc(4, 4);
    assert_non_null(fisher);
    double *slope = malloc(4 * rows->n * sizeof *slope);
    assert_non_null(slope);
    for (int k = 0; k < 2; k++) {
        for (int side = -1; side <= 1; side += 2) {
            struct response_model moved = *model;
            *(k == 0 ? &moved.dead_s : &moved.tau_s) += side * 1e-5;
            response_set(&response, &moved);
            for (size_t i = 0; i < rows->n; i++) {
                double value = response_at(&response, rows->t_s[i]) * side / 2e-5;
                slope[4 * i + k] = side < 0 ? value : slope[4 * i + k] + value;
            }
        }
    }
    response_set(&response, model);
    for (size_t i = 0; i < rows->n; i++) {
        slope[4 * i + 2] = 1;
        slope[4 * i + 3] = response_at(&response, rows->t_s[i]);
        for (size_t k = 0; k < 4; k++)
            for (size_t l = 0; l < 4; l++)
                *gsl_matrix_ptr(fisher, k, l) += slope[4 * i + k] * slope[4 * i + l] / (sd * sd);
    }
    assert_int_equal(gsl_linalg_cholesky_decomp1(fisher), 0);
    assert_int_equal(gsl_linalg_cholesky_invert(fisher), 0);
    *dead = sqrt(gsl_matrix_get(fisher, 0, 0));
    *tau = sqrt(gsl_matrix_get(fisher, 1, 1));
    *lag = sqrt(gsl_matrix_get(fisher, 0, 0) + gsl_matrix_get(fisher, 1, 1) +
                2 * gsl_matrix_get(fisher, 0, 1));
    gsl_matrix_free(fisher);
    free(slope);
    response_free(&response);
}

static void simulated(void **state)
{
    (void)state;
    print_message("seed %lu\n", seed);
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(rng, seed);
    const struct response_model truth = {RESPONSE_FIRST_ORDER, 0.06, 0.15, 0, 1};
    struct tally dead = {.what = "dead time"}, tau = {.what = "time constant"};
    struct tally lag = {.what = "mean lag, model"}, area = {.what = "mean lag, area"};
    struct tally time_63 = {.what = "63.2 % time"}, transition = {.what = "10-90 % time"};
    struct tally settling = {.what = "settling to 2 %"}, final = {.what = "final level"};
    double sd = 1.5, bound[3] = {0, 0, 0};
    size_t other = 0, runs = 250;
    for (size_t run = 0; run < runs; run++) {
        static struct rows rows;
        struct sample bins[BIN_LIMIT];
        simulate(&rows, &truth, 1, 0, 100, -1, 5, rng, sd);
        size_t n = to_bins(&rows, 0.02, bins);
        struct step_fit fit;
        struct rig_err err;
        assert_int_equal(step_estimate(&fit, move, 3, 20, bins, n, NULL, NULL, &err), 0);
        other += fit.kind != RESPONSE_FIRST_ORDER;
        tally_add(&dead, fit.dead_s.value, fit.dead_s.u, fit.dead_s.dof, 0.06);
        tally_add(&tau, fit.tau_s.value, fit.tau_s.u, fit.tau_s.dof, 0.15);
        tally_add(&lag, fit.mean_lag_s.value, fit.mean_lag_s.u, fit.mean_lag_s.dof, 0.21);
        tally_add(&area, fit.area_lag_s.value, fit.area_lag_s.u, fit.area_lag_s.dof, 0.21);
        tally_add(&time_63, fit.time_63_s.value, fit.time_63_s.u, fit.time_63_s.dof, 0.21);
        tally_add(&transition, fit.transition_s.value, fit.transition_s.u, fit.transition_s.dof,
                  0.15 * log(9));
        tally_add(&settling, fit.settling_s.value, fit.settling_s.u, fit.settling_s.dof,
                  0.15 * log(25));
        tally_add(&final, fit.final.value, fit.final.u, fit.final.dof, 70);
        if (run == 0)
            bounds(&rows, &truth, sd, &bound[0], &bound[1], &bound[2]);
    }
    gsl_rng_free(rng);
    assert_honest(&dead);
    assert_honest(&tau);
    assert_honest(&lag);
    assert_honest(&area);
    assert_honest(&time_63);
    assert_honest(&transition);
    assert_honest(&settling);
    assert_honest(&final);
    assert_reaches(&dead, bound[0], 1.15);
    assert_reaches(&tau, bound[1], 1.15);
    assert_reaches(&lag, bound[2], 1.15);
    print_message("another model by chance in %zu of %zu\n", other, runs);
    assert_true(other <= runs / 40);
}

/* The right model is chosen where the data show it, and its quantities are honest. */
static void other_models(void **state)
{
    (void)state;
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(rng, seed + 1);
    const struct response_model truths[] = {{RESPONSE_TWO_TIME_CONSTANTS, 0.05, 0.3, 0.2, 1},
                                            {RESPONSE_STRETCHED, 0.05, 0.3, 0, 0.6}};
    for (int m = 0; m < 2; m++) {
        struct tally lag = {.what = m ? "mean lag, stretched" : "mean lag, cascade"};
        struct tally settling = {.what = m ? "settling, stretched" : "settling, cascade"};
        size_t right = 0;
        for (int run = 0; run < 12; run++) {
            static struct rows rows;
            struct sample bins[BIN_LIMIT];
            simulate(&rows, &truths[m], 1, 0, 100, -1, 12, rng, 0.2);
            size_t n = to_bins(&rows, 0.05, bins);
            struct step_fit fit;
            struct rig_err err;
            assert_int_equal(step_estimate(&fit, move, 3, 20, bins, n, NULL, NULL, &err), 0);
            right += fit.kind == truths[m].kind;
            tally_add(&lag, fit.mean_lag_s.value, fit.mean_lag_s.u, fit.mean_lag_s.dof,
                      response_mean_lag(&truths[m]));
            tally_add(&settling, fit.settling_s.value, fit.settling_s.u, fit.settling_s.dof,
                      response_settling(&truths[m]));
        }
        print_message("right model in %zu of 12\n", right);
        assert_true(right >= 11);
        assert_honest(&lag);
        assert_honest(&settling);
    }
    gsl_rng_free(rng);
}

/* A few lines a thousand times off: left out, counted, and the rest as if they weren't. */
static void wild_lines(void **state)
{
    (void)state;
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(rng, seed + 2);
    const struct response_model truth = {RESPONSE_FIRST_ORDER, 0.1, 0.3, 0, 1};
    struct tally tau = {.what = "time constant, wild lines"};
    for (int run = 0; run < 150; run++) {
        static struct rows rows;
        struct sample bins[BIN_LIMIT];
        double residual[BIN_LIMIT];
        simulate(&rows, &truth, 1, 0, 100, -1, 5, rng, 0.5);
        size_t n = to_bins(&rows, 0.02, bins);
        for (int k = 0; k < 8; k++)
            bins[gsl_rng_uniform_int(rng, n)].value += gsl_ran_gaussian(rng, 1) < 0 ? -900 : 4e4;
        struct step_fit fit;
        struct rig_err err;
        struct step_options options = {.robust = true, .kinds = 1};
        assert_int_equal(step_estimate(&fit, move, 3, 20, bins, n, &options, residual, &err), 0);
        assert_in_range(fit.left_out, 5, 10);
        assert_int_equal(fit.left_out + fit.used, n);
        size_t missing = 0;
        for (size_t i = 0; i < n; i++)
            missing += isnan(residual[i]);
        assert_int_equal(missing, fit.left_out);
        tally_add(&tau, fit.tau_s.value, fit.tau_s.u, fit.tau_s.dof, 0.3);
    }
    gsl_rng_free(rng);
    assert_honest(&tau);
}

/* A link much faster than its values are apart: dead time and time constant are not
 * invented, the mean lag is known. */
static void unresolved(void **state)
{
    (void)state;
    const struct response_model truth = {RESPONSE_FIRST_ORDER, 0.05, 0.002, 0, 1};
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(rng, seed + 3);
    struct tally lag = {.what = "mean lag, unresolved"};
    for (int run = 0; run < 100; run++) {
        static struct rows rows;
        struct sample samples[ROW_LIMIT];
        simulate(&rows, &truth, 1, 0, 20, -1, 4, rng, 0.1);
        size_t n = to_samples(&rows, samples);
        struct step_fit fit;
        struct rig_err err;
        assert_int_equal(step_estimate(&fit, move, 3, 20, samples, n, NULL, NULL, &err), 0);
        tally_add(&lag, fit.mean_lag_s.value, fit.mean_lag_s.u, fit.mean_lag_s.dof, 0.052);
        if (fit.resolved)
            continue;
        assert_true(isnan(fit.tau_s.value));
        assert_true(isnan(fit.dead_s.value));
        assert_true(isnan(fit.settling_s.value));
        assert_contains(fit.note, "faster than the values are apart");
    }
    gsl_rng_free(rng);
    assert_honest(&lag);
}

/* Noise that is alike from value to value widens the uncertainty, and it covers. */
static void slow_noise(void **state)
{
    (void)state;
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(rng, seed + 4);
    const struct response_model truth = {RESPONSE_FIRST_ORDER, 0.1, 0.3, 0, 1};
    struct tally lag = {.what = "mean lag, slow noise"};
    for (int run = 0; run < 150; run++) {
        static struct rows rows;
        struct sample samples[ROW_LIMIT];
        simulate(&rows, &truth, 1, 0, 50, -2, 6, rng, 0);
        double noise = 0;
        for (size_t i = 0; i < rows.n; i++) {
            noise = 0.6 * noise + gsl_ran_gaussian(rng, 0.4);
            rows.value[i] += noise;
        }
        size_t n = to_samples(&rows, samples);
        struct step_fit fit;
        struct rig_err err;
        struct step_options options = {.kinds = 1};
        assert_int_equal(step_estimate(&fit, move, 3, 20, samples, n, &options, NULL, &err), 0);
        assert_true(fit.autocorrelation > 0.3);
        assert_contains(fit.note, "widened");
        tally_add(&lag, fit.mean_lag_s.value, fit.mean_lag_s.u, fit.mean_lag_s.dof, 0.4);
    }
    gsl_rng_free(rng);
    assert_honest(&lag);
}

static void refusals(void **state)
{
    (void)state;
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(rng, seed + 5);
    const struct response_model truth = {RESPONSE_FIRST_ORDER, 0.1, 0.3, 0, 1};
    static struct rows rows;
    struct sample samples[ROW_LIMIT];
    struct step_fit fit = {.used = 77};
    struct rig_err err;
    simulate(&rows, &truth, 0.001, 0, 50, -1, 4, rng, 0.5); /* 0.05 in noise of 0.5 */
    size_t n = to_samples(&rows, samples);
    assert_int_equal(step_estimate(&fit, move, 3, 20, samples, n, NULL, NULL, &err),
                     RIG_EUNKNOWABLE);
    assert_contains(err.text, "too small against the noise");
    assert_int_equal(step_estimate(&fit, move, 3, 20, samples, 7, NULL, NULL, &err),
                     RIG_EUNKNOWABLE);
    assert_contains(err.text, "7 values are too few");
    assert_int_equal(step_estimate(&fit, move, 3, 20, samples, 45, NULL, NULL, &err),
                     RIG_EUNKNOWABLE);
    assert_contains(err.text, "no values from after");
    struct motion_piece still = {0, 2, 20, 0, 0, 0};
    assert_int_equal(step_estimate(&fit, &still, 1, 20, samples, n, NULL, NULL, &err),
                     RIG_EUNKNOWABLE);
    assert_contains(err.text, "made no step");
    /* the hold ends long before the answer: levels and lag hang together */
    const struct response_model slow = {RESPONSE_FIRST_ORDER, 0, 60, 0, 1};
    simulate(&rows, &slow, 1, 0, 50, -1, 3, rng, 0.3);
    n = to_samples(&rows, samples);
    assert_int_equal(step_estimate(&fit, move, 3, 20, samples, n, NULL, NULL, &err),
                     RIG_EUNKNOWABLE);
    assert_contains(err.text, "a longer hold would tell");
    /* a constant channel */
    for (size_t i = 0; i < n; i++)
        samples[i].value = 4;
    assert_int_equal(step_estimate(&fit, move, 3, 20, samples, n, NULL, NULL, &err),
                     RIG_EUNKNOWABLE);
    struct step_options robust = {.robust = true};
    assert_int_equal(step_estimate(&fit, move, 3, 20, samples, n, &robust, NULL, &err),
                     RIG_EUNKNOWABLE);
    samples[3].value = NAN;
    assert_int_equal(step_estimate(&fit, move, 3, 20, samples, n, NULL, NULL, &err), RIG_EINPUT);
    assert_int_equal(fit.used, 77); /* untouched all along */
    /* no values before the step: model yes, area no */
    simulate(&rows, &truth, 1, 0, 50, 0.01, 5, rng, 0.1);
    n = to_samples(&rows, samples);
    assert_int_equal(step_estimate(&fit, move, 3, 20, samples, n, NULL, NULL, &err), 0);
    assert_true(isnan(fit.area_lag_s.value));
    assert_contains(fit.area_reason, "no settled values from before");
    /* a hold that ends early: model yes, area no */
    simulate(&rows, &truth, 1, 0, 50, -1, 2, rng, 0.1);
    n = to_samples(&rows, samples);
    assert_int_equal(step_estimate(&fit, move, 3, 20, samples, n, NULL, NULL, &err), 0);
    assert_true(isnan(fit.area_lag_s.value));
    assert_contains(fit.area_reason, "ends before the answer has settled");
    gsl_rng_free(rng);
}

int main(void)
{
    gsl_set_error_handler_off();
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(exact),
        cmocka_unit_test(no_bias_from_bins),
        cmocka_unit_test(no_bias_from_the_end),
        cmocka_unit_test(simulated),
        cmocka_unit_test(other_models),
        cmocka_unit_test(wild_lines),
        cmocka_unit_test(unresolved),
        cmocka_unit_test(slow_noise),
        cmocka_unit_test(refusals),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
