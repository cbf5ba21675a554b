/* SPDX-License-Identifier: GPL-3.0-or-later
 * The truth about a simulated bench: what a bench file starts from, and the curve. */
#include "rig/sim.h"

#include <math.h>

void sim_truth_defaults(struct sim_truth *truth)
{
    *truth = (struct sim_truth){
        .law = SPEED_TRAPEZOID,
        .acceleration_mm_s2 = 900,
        .jerk_mm_s3 = 20000,
        .top_speed_mm_s = 60,
        .step_mm = 0.0025,
        .lookahead_lines = 16,
        .buffer_bytes = 96,
        .home_mm = NAN, /* where the rig file has it */
        .travel_low_mm = -5,
        .travel_high_mm = 225,
        .homing_speed_mm_s = 20,
        .live_position = true,
        .position_digits = 2,
        .trip_mm = 100,
        .datum_mm = 31.4,
        .water_degc = 20,
        .water_swing_period_s = 86400,
        .curve = {0.35, 0.021},
        .line_interval_s = 0.01,
        .controller = {.interval_s = 0.1, .gain = 1},
        .actuator = {.interval_s = 0.02, .gain = 1},
    };
}

double sim_truth_reading(const struct sim_truth *truth, double depth_mm)
{
    double depth = depth_mm > 0 ? depth_mm : 0, value = 0;
    for (size_t i = sizeof truth->curve / sizeof truth->curve[0]; i-- > 0;)
        value = value * depth + truth->curve[i];
    return value;
}
