/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "random_bench.h"

#include "results/play.h"

#include <gsl/gsl_rng.h>
#include <math.h>
#include <stdio.h>

static double between(gsl_rng *random, double low, double high)
{
    return low + (high - low) * gsl_rng_uniform(random);
}

/* As many small ones as large ones. */
static double log_between(gsl_rng *random, double low, double high)
{
    return low * pow(high / low, gsl_rng_uniform(random));
}

/* Over 150 mm the curve departs from straight by some percent of its span at most, and
 * never turns over. */
static void draw_curve(gsl_rng *random, struct sim_truth *truth)
{
    double sign = gsl_rng_uniform(random) < 0.5 ? -1 : 1;
    double slope = sign * log_between(random, 0.005, 0.05);
    truth->curve[0] = between(random, -1, 5);
    truth->curve[1] = slope;
    truth->curve[2] = slope * between(random, -1, 1) * 0.0012;
    truth->curve[3] = gsl_rng_uniform(random) < 0.5 ? 0 : slope * between(random, -1, 1) * 3e-6;
}

void random_bench_draw(struct fault_bench *bench, unsigned long seed, bool symmetric)
{
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    if (!random)
        return;
    gsl_rng_set(random, seed + 1);
    struct sim_truth *truth = &bench->truth;
    bench->seed = seed + 1;
    draw_curve(random, truth);
    double slope = fabs(truth->curve[1]);
    truth->hysteresis_mm = symmetric ? 0 : between(random, 0, 0.8);
    truth->lag_rising_s = log_between(random, 0.02, 0.25);
    truth->lag_falling_s = truth->lag_rising_s + (symmetric ? 0 : between(random, 0, 0.4));
    truth->sensor_dead_time_s = between(random, 0, 0.05);
    truth->noise_sd = slope * log_between(random, 0.02, 0.3);
    truth->resolution = truth->noise_sd * between(random, 0.05, 1);
    truth->evaporation_mm_h = between(random, 0, 0.2);
    truth->zero_drift_per_h = slope * between(random, -0.05, 0.05);
    truth->start_delay_s = between(random, 0, 0.08);
    truth->start_delay_sd_s = between(random, 0, 0.003);
    truth->axis_skew_ppm = between(random, -100, 100);
    /* Which way of a question and its answer is the slower one, nobody knows. */
    double both_s = between(random, 0, 0.004), share = gsl_rng_uniform(random);
    truth->question_delay_s = share * both_s;
    truth->answer_delay_s = (1 - share) * both_s;
    truth->answer_delay_sd_s = between(random, 0, 0.001);
    truth->clock_skew_ppm = between(random, -100, 100);
    truth->clock_offset_s = between(random, 0, 1000);
    double delay_s = between(random, 0, 0.002); /* mean of a line's */
    truth->line_delay_sd_s = fmin(between(random, 0, 0.0005), delay_s);
    truth->line_delay_s = delay_s - truth->line_delay_sd_s;
    truth->backlash_mm = between(random, 0, 0.02);
    truth->datum_mm = 31.4 + between(random, -0.05, 0.05);
    truth->position_digits = gsl_rng_uniform(random) < 0.5 ? 2 : 3;
    /* Whoever read the datum came from above or from below. */
    truth->datum_mm += (gsl_rng_uniform(random) < 0.5 ? -0.5 : 0.5) * truth->backlash_mm;
    gsl_rng_free(random);
}

double random_bench_slope(const struct sim_truth *truth, double depth_mm)
{
    double slope = 0, power = 1;
    for (int k = 1; k < 6; k++, power *= depth_mm)
        slope += k * truth->curve[k] * power;
    return slope;
}

void random_bench_response(const struct sim_truth *truth, double frequency_hz, double amplitude_mm,
                           double *gain, double *phase_rad)
{
    enum { STEPS = 8000 };
    double w = 2 * M_PI * frequency_hz, h = 1 / frequency_hz / STEPS;
    double play = (truth->hysteresis_mm + truth->backlash_mm) / amplitude_mm;
    double slowest = fmax(truth->lag_rising_s, truth->lag_falling_s), y = 0, u0 = 0;
    double c = 0, s = 0, input_c = 0, input_s = 0;
    int cycles = 2 + (int)ceil(20 * slowest * frequency_hz);
    for (int i = 0; i < cycles * STEPS; i++) {
        double u1 = play_follow_mm(u0, sin(w * (i + 1) * h), play);
        double tau = (u0 + u1) / 2 > y ? truth->lag_rising_s : truth->lag_falling_s;
        double before = y, slope = (u1 - u0) / h;
        /* Exact for an input that goes straight. */
        y = u1 - slope * tau + (y - u0 + slope * tau) * exp(-h / tau);
        if (i >= (cycles - 1) * STEPS) {
            double cosine = cos(w * (i + 0.5) * h), sine = sin(w * (i + 0.5) * h);
            c += (before + y) / 2 * cosine;
            s += (before + y) / 2 * sine;
            input_c += (u0 + u1) / 2 * cosine;
            input_s += (u0 + u1) / 2 * sine;
        }
        u0 = u1;
    }
    *gain = hypot(c, s) / hypot(input_c, input_s);
    *phase_rad = atan2(c, s) - atan2(input_c, input_s) - w * truth->sensor_dead_time_s;
}

double random_bench_bandwidth_hz(const struct sim_truth *truth, double amplitude_mm)
{
    double low = 1e-3, high = 1e3, gain, phase;
    for (int i = 0; i < 40; i++) {
        double middle = sqrt(low * high);
        random_bench_response(truth, middle, amplitude_mm, &gain, &phase);
        if (gain > M_SQRT1_2)
            low = middle;
        else
            high = middle;
    }
    return sqrt(low * high);
}
