/* SPDX-License-Identifier: GPL-3.0-or-later
 * A bench drawn at random: curve, lags, hysteresis, noise, clocks, drift, each from what a
 * laboratory may meet. What a rig file only states within limits (datum, backlash, delay
 * of a line) is drawn within those limits, as its line in the budget supposes. */
#ifndef TESTS_RANDOM_BENCH_H
#define TESTS_RANDOM_BENCH_H

#include "fault_bench.h"

/* bench: after fault_bench_defaults. symmetric: rising and falling lag alike, no play. */
void random_bench_draw(struct fault_bench *bench, unsigned long seed, bool symmetric);

/* The true curve's slope at a depth. */
double random_bench_slope(const struct sim_truth *truth, double depth_mm);

/* What a sine of the depth comes out as behind the board's two lags: gain and phase (< 0: late)
 * of the fundamental against that behind the play of board and axis, by integration; dead
 * time included. Two lags are no linear filter, so the play's corners enter; amplitude_mm
 * INFINITY: without them. */
void random_bench_response(const struct sim_truth *truth, double frequency_hz, double amplitude_mm,
                           double *gain, double *phase_rad);
/* Frequency at which that gain, without play, is 1/sqrt(2). */
double random_bench_bandwidth_hz(const struct sim_truth *truth, double amplitude_mm);

#endif
