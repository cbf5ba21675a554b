/* SPDX-License-Identifier: GPL-3.0-or-later
 * The simulated bench: an axis controller and its stage, the water, a wave-staff
 * board on the stage, a controller and an actuator behind it. Speaks just the bytes
 * that hardware speaks. Pure: time is an argument; the same seed gives the same
 * bytes. Its truth comes from a bench file (docs/formats.md) that no estimator reads. */
#ifndef RIG_SIM_H
#define RIG_SIM_H

#include "base/clock.h"
#include "base/err.h"
#include "motion/rigfile.h"
#include "rig/transport.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/* First-order lag behind a dead time, sampled and held at its own interval. */
struct sim_link {
    bool present;
    double interval_s;   /* recomputes this often */
    double dead_time_s, time_constant_s;
    double gain, offset; /* output = offset + gain * input */
    double rate_limit;   /* largest change a second, 0: none */
    double resolution;   /* quantisation of the output, 0: none */
};

struct sim_truth {
    /* axis */
    enum speed_law law;
    double acceleration_mm_s2, jerk_mm_s3, top_speed_mm_s, step_mm, backlash_mm;
    double start_delay_s, start_delay_sd_s; /* from the first line taken at rest to motion */
    double axis_skew_ppm;                   /* axis clock against true time */
    double answer_delay_s, answer_delay_sd_s;
    int lookahead_lines, buffer_bytes;
    double home_mm, travel_low_mm, travel_high_mm;
    bool live_position;
    /* water */
    double datum_mm;            /* true stage position where the edge meets the water at t = 0 */
    double tank_area_mm2, board_area_mm2;
    double evaporation_mm_h;    /* the level falls */
    double water_degc;
    /* board */
    double curve[6];            /* reading = sum curve[k] depth^k, depth in mm, of the wetted length >= 0 */
    double hysteresis_mm;       /* play between rising and falling at rest, in depth */
    double lag_rising_s, lag_falling_s;
    double sensor_dead_time_s;
    double noise_sd;            /* of the reading */
    double resolution;          /* of the reading, 0: none */
    double zero_drift_per_h, span_drift_per_h; /* reading units; relative */
    double temperature_coefficient;            /* reading units per degC off 20 degC */
    double line_interval_s;     /* the board sends a line this often */
    double clock_skew_ppm, clock_offset_s;
    double line_delay_s, line_delay_sd_s;      /* sample to line, one-sided */
    struct sim_link controller, actuator;
};

/* A bench file -> truth and the seed. RIG_EINPUT with FILE:LINE:COLUMN. */
int sim_truth_read(struct sim_truth *truth, const char *name, const char *text, size_t size,
                   struct units *units, struct rig_err *err);
/* What the truth means in the words of results.json: {"lag_rising": ..., ...}, as JSON
 * that the caller frees; for the demo and tests to compare with. NULL: no memory. */
char *sim_truth_json(const struct sim_truth *truth);

struct sim_bench;
/* rig: what the simulated hardware is plugged to, so that the wire suits it (letter,
 * reversed, columns of the board's line in the order of its channels by role). */
struct sim_bench *sim_open(const struct sim_truth *truth, const struct rig *rig, uint64_t seed,
                           struct rig_err *err);
void sim_close(struct sim_bench *bench);

/* Bytes from the host to the axis, arriving at t_ns; bytes that axis or board have
 * sent by t_ns. t_ns never goes back; the bench moves itself on as needed. */
void sim_axis_hears(struct sim_bench *bench, const char *bytes, size_t size, int64_t t_ns);
size_t sim_axis_says(struct sim_bench *bench, char *bytes, size_t room, int64_t t_ns);
size_t sim_board_says(struct sim_bench *bench, char *bytes, size_t room, int64_t t_ns);
/* The next time at which axis or board will say something by themselves. */
int64_t sim_next_ns(const struct sim_bench *bench);

/* For tests and the demo's live drawing, never for an estimator. */
double sim_true_stage_mm(struct sim_bench *bench, int64_t t_ns);
double sim_true_depth_mm(struct sim_bench *bench, int64_t t_ns);
/* Touching the travel's end, lines refused, moves starved of lines: for tests. */
struct sim_tally {
    uint64_t lines_taken, lines_refused, overruns, starved, end_stops;
};
struct sim_tally sim_tally(const struct sim_bench *bench);

/* The bench behind the seams that the run uses: a clock that it moves on itself
 * (sleep returns early when bytes have come) and transports. In simulated time an
 * hour takes seconds. */
struct rig_clock sim_clock(struct sim_bench *bench);
struct transport sim_axis_transport(struct sim_bench *bench);
struct transport sim_board_transport(struct sim_bench *bench);

#endif
