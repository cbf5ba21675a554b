/* SPDX-License-Identifier: GPL-3.0-or-later
 * Short nights on the simulated bench: random truth, the whole run in simulated time, the
 * shipped fit. For the study of nights and its small version among the tests. */
#ifndef TESTS_SIM_NIGHT_H
#define TESTS_SIM_NIGHT_H

#include "results/fit.h"
#include "rig/sim.h"

/* A truth drawn at random: curve, noise, lags, drift of zero and span, evaporation; with
 * `warm` a swing of temperature and coefficients; with `wander` a zero that wanders. */
struct sim_truth sim_night_truth(uint64_t seed, bool warm, bool wander);

/* 20 cycles of 39 s: a lift clear of the water, stairs of five depths up and down. Without
 * `lifts` the board stays in the water. The caller frees with fit_free. Fails the test when
 * the run or the fit does. */
void sim_night_fit(struct fit *fit, const struct sim_truth *truth, uint64_t seed, bool lifts);

#endif
