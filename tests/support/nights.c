/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "nights.h"

#include "check.h"

#include <gsl/gsl_randist.h>
#include <math.h>
#include <stdlib.h>

static double value_of(const double c[3], double depth_mm)
{
    return c[0] + depth_mm * (c[1] + depth_mm * c[2]);
}

static double middle_value(const void *context, double depth_mm)
{
    const struct test_night *night = context;
    const double *c = night->truth.curve, *m = night->middle;
    return c[0] + m[0] + (1 + m[1]) * (value_of(c, depth_mm + m[2]) - c[0]);
}

static double middle_slope(const void *context, double depth_mm)
{
    const struct test_night *night = context;
    const double *c = night->truth.curve, *m = night->middle;
    return (1 + m[1]) * (c[1] + 2 * (depth_mm + m[2]) * c[2]);
}

struct night_truth night_truth_typical(void)
{
    return (struct night_truth){.hours = 9,
                                .cycles = 90,
                                .curve = {0.35, 0.021, -9.5e-6},
                                .lifts = true,
                                .noise = 2e-3,
                                .swing_h = 24};
}

static void make_path(double path[], const struct night_path *of, const struct test_night *night,
                      gsl_rng *random)
{
    double wander = 0, before_h = 0;
    for (size_t i = 0; i < night->truth.cycles; i++) {
        double t_h = night->t_h[i];
        double kept =
            i > 0 && of->wander_memory_h > 0 ? exp(-(t_h - before_h) / of->wander_memory_h) : 0;
        wander = kept * wander + sqrt(1 - kept * kept) *
                                     (of->wander > 0 ? gsl_ran_gaussian(random, of->wander) : 0);
        before_h = t_h;
        path[i] = of->per_h * t_h + of->per_degc * night->degc[i] + wander;
    }
}

void test_night_make(struct test_night *night, const struct night_truth *truth, gsl_rng *random)
{
    size_t cycles = truth->cycles;
    *night = (struct test_night){.truth = *truth,
                                 .readings = calloc(cycles * NIGHT_LEVELS, sizeof *night->readings),
                                 .degc = calloc(cycles, sizeof(double)),
                                 .zero = calloc(cycles, sizeof(double)),
                                 .span = calloc(cycles, sizeof(double)),
                                 .water_mm = calloc(cycles, sizeof(double)),
                                 .t_h = calloc(cycles, sizeof(double))};
    assert_true(night->readings && night->degc && night->zero && night->span && night->water_mm &&
                night->t_h);
    night->curve = (struct night_curve){middle_value, middle_slope, night};
    const double cycle_h = truth->hours / (double)cycles;
    for (size_t i = 0; i < cycles; i++) {
        night->t_h[i] = ((double)i + 0.5) * cycle_h;
        night->degc[i] =
            truth->swing_degc * sin(2 * M_PI * night->t_h[i] / truth->swing_h + truth->swing_phase);
    }
    make_path(night->zero, &truth->zero, night, random);
    make_path(night->span, &truth->span, night, random);
    make_path(night->water_mm, &truth->water, night, random);
    for (size_t i = 0; i < cycles; i++) {
        night->middle[0] += night->zero[i] / (double)cycles;
        night->middle[1] += night->span[i] / (double)cycles;
        night->middle[2] += night->water_mm[i] / (double)cycles;
    }
    for (size_t i = 0; i < cycles; i++) {
        double start_s = ((double)i) * cycle_h * 3600, air = truth->curve[0];
        for (size_t level = truth->lifts ? 0 : 1; level < NIGHT_LEVELS; level++) {
            bool in_air = level == 0;
            double depth_mm =
                in_air ? -10 : 10 + 20 * (double)(level <= 8 ? level - 1 : 15 - level);
            double rows = in_air ? 1800 : 240, u = truth->noise / sqrt(rows);
            double above =
                in_air ? 0 : value_of(night->truth.curve, depth_mm + night->water_mm[i]) - air;
            /* Half a loop of 0.4 mm: rising reads low, falling high. */
            double loop = in_air ? 0 : (level <= 8 ? -0.2 : 0.2) * truth->curve[1];
            night->readings[night->n++] = (struct night_reading){
                .cycle = i,
                .level = level,
                .t_s = start_s + cycle_h * 3600 * ((double)level + 0.5) / NIGHT_LEVELS,
                .depth_mm = depth_mm,
                .in_air = in_air,
                .reading = air + night->zero[i] + (1 + night->span[i]) * above + loop +
                           (u > 0 ? gsl_ran_gaussian(random, u) : 0),
                .u = u > 0 ? u : 1e-9,
            };
        }
        if (truth->degc_noise > 0)
            night->degc[i] += gsl_ran_gaussian(random, truth->degc_noise);
    }
}

void test_night_free(struct test_night *night)
{
    free(night->readings);
    free(night->degc);
    free(night->zero);
    free(night->span);
    free(night->water_mm);
    free(night->t_h);
}

void test_night_solve(struct night *solved, const struct test_night *night)
{
    struct rig_err err = {0};
    if (night_solve(solved, &night->curve, night->readings, night->n, night->truth.cycles,
                    NIGHT_LEVELS, &err))
        fail_msg("%s", err.text);
}
