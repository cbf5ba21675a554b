/* SPDX-License-Identifier: GPL-3.0-or-later
 * Nights with known truth: cycles of settled readings in air and in the water, made without
 * a recording, for tests of what tells zero, span and water apart. */
#ifndef TESTS_NIGHTS_H
#define TESTS_NIGHTS_H

#include "results/night.h"

#include <gsl/gsl_rng.h>

/* A zero, a span or a water level that goes straight and wanders about that. */
struct night_path {
    double per_h;           /* straight */
    double per_degc;        /* along with temperature */
    double wander;          /* standard deviation from cycle to cycle */
    double wander_memory_h; /* 0: each cycle by itself */
};

struct night_truth {
    double hours;
    size_t cycles;
    double curve[3]; /* reading = sum curve[k] depth^k, depth in mm */
    bool lifts;      /* a reading in air in each cycle */
    double noise;    /* of one row; a dwell has 240, that in air 1800 */
    struct night_path zero, span, water;
    double swing_degc, swing_h, swing_phase; /* temperature: a sine */
    double degc_noise;                       /* of a cycle's mean */
};

enum { NIGHT_LEVELS = 16 }; /* air, 15 dwells of stairs from 10 mm to 150 mm and back */

struct test_night {
    size_t n;
    struct night_reading *readings;
    double *degc;                         /* one a cycle, with its noise */
    double *zero, *span, *water_mm, *t_h; /* true, one a cycle */
    struct night_curve curve; /* of the middle of the night, as a fit over all of it finds it */
    struct night_truth truth;
    double middle[3]; /* mean zero, span, water */
};

/* Typical: 9 h, 90 cycles, the curve of the simulated bench, 2 mV, nothing that moves. */
struct night_truth night_truth_typical(void);
void test_night_make(struct test_night *night, const struct night_truth *truth, gsl_rng *random);
void test_night_free(struct test_night *night);
/* Solves it; fails the test when memory is out. */
void test_night_solve(struct night *solved, const struct test_night *night);

#endif
