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
    char unit[RIG_NAME_SIZE]; /* of the output; "": whatever the rig file says */
    double interval_s;        /* recomputes this often; 0: with every line */
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
    double question_delay_s;                /* from the host to the axis */
    double answer_delay_s, answer_delay_sd_s;
    int lookahead_lines, buffer_bytes;
    double home_mm, travel_low_mm, travel_high_mm; /* the hard ends of the stage */
    double homing_speed_mm_s;
    bool live_position;  /* position answers tell the place now, not the end of what is queued */
    int position_digits; /* decimals of a position answer, 0..6 */
    double trip_mm;      /* stage position at which a switch closes (role trip) */
    double reference_noise_mm, reference_step_mm; /* of an encoder on the stage (role reference) */
    /* water */
    double datum_mm; /* true stage position where the edge meets the water at t = 0 */
    double tank_area_mm2, board_area_mm2;
    double evaporation_mm_h;                                   /* the level falls */
    double water_degc, water_swing_degc, water_swing_period_s; /* mean and slow sine */
    /* board */
    char unit[RIG_NAME_SIZE]; /* of the reading; "": whatever the rig file says */
    double curve[6]; /* reading = sum curve[k] depth^k, depth in mm, of the wetted length >= 0 */
    double hysteresis_mm; /* play between rising and falling at rest, in depth: half
                             of it late on either side */
    double lag_rising_s, lag_falling_s;
    double sensor_dead_time_s;
    double noise_sd;                           /* of the reading */
    double resolution;                         /* of the reading, 0: none */
    double zero_drift_per_h, span_drift_ppm_h; /* of the reading; of reading(depth) - reading(0) */
    double temperature_coefficient;            /* reading units per degC off 20 degC */
    double span_temperature_ppm;               /* of reading(depth) - reading(0), per degC off it */
    double zero_wander, zero_wander_s;         /* standard deviation and memory (time constant) of a
                                                  zero that wanders about its drift */
    double line_interval_s;                    /* the board sends a line this often */
    double clock_skew_ppm, clock_offset_s;
    double line_delay_s, line_delay_sd_s; /* sample to arrival: least, and the mean (and
                                             standard deviation) of the exponential extra */
    struct sim_link controller, actuator;
};

/* A plain good bench: what a bench file starts from. Board with a straight characteristic,
 * no noise, no lag, no drift; axis after the example rig of docs/formats.md. */
void sim_truth_defaults(struct sim_truth *truth);
/* A bench file -> truth. RIG_EINPUT with FILE:LINE:COLUMN. */
int sim_truth_read(struct sim_truth *truth, const char *name, const char *text, size_t size,
                   struct units *units, struct rig_err *err);
/* The static curve: reading at rest, without hysteresis, noise, drift and at 20 degC.
 * depth_mm < 0 counts as 0. For linearity errors of the truth over any range. */
double sim_truth_reading(const struct sim_truth *truth, double depth_mm);
/* What the truth means in the words of results.json: one flat object of numbers
 * (docs/formats.md lists them), as JSON that the caller frees; for the demo and tests to
 * compare with. NULL: no memory. Means are those that an estimator without error would
 * find; with the board's and the axis' clocks known exactly:
 *   lag_rising, lag_falling (s): first moment of the response of the sensor channel's
 *     value to depth: dead time + time constant. A line's value is sampled at its own
 *     device time, so the line interval adds nothing; nor does the line's delay, once the
 *     board's clock is mapped to the host's without it. An envelope of arrival times can't
 *     see the least delay: with it, lags read `line_delay_least` more;
 *   cling_difference (s): lag_falling - lag_rising, free of both clocks and delays;
 *   lag_sum (s): lag_rising + lag_falling;
 *   hysteresis_at_rest (mm): the loop's full width at rest, in depth;
 *   noise_sd: that of single rows, quantisation included (uniform, 1/sqrt(12) of a step);
 *   controller_lag, actuator_lag (s): each against the link before it, in lines: dead
 *     time + time constant + half an update interval. */
char *sim_truth_json(const struct sim_truth *truth);

struct sim_bench;
/* rig: what the simulated hardware is plugged to, so that the wire suits it (letter,
 * reversed, columns of the board's line in the order of its channels by role). */
struct sim_bench *sim_open(const struct sim_truth *truth, const struct rig *rig, uint64_t seed,
                           struct rig_err *err);
void sim_close(struct sim_bench *bench);

/* Bytes from the host to the axis, arriving at t_ns; bytes that axis or board have
 * sent by t_ns. t_ns counts from power-up of the bench and never goes back (an earlier
 * one is taken as the latest so far); the bench moves itself on as needed. One thread
 * at a time. Nothing that was not read is kept beyond 64 KiB: the oldest lines go. */
void sim_axis_hears(struct sim_bench *bench, const char *bytes, size_t size, int64_t t_ns);
size_t sim_axis_says(struct sim_bench *bench, char *bytes, size_t room, int64_t t_ns);
/* For a board that waits for a greeting (rig file); everything else is ignored. */
void sim_board_hears(struct sim_bench *bench, const char *bytes, size_t size, int64_t t_ns);
size_t sim_board_says(struct sim_bench *bench, char *bytes, size_t room, int64_t t_ns);
/* The next time at which axis or board will say something by themselves. */
int64_t sim_next_ns(const struct sim_bench *bench);

/* For tests and the demo's live drawing, never for an estimator. */
double sim_true_stage_mm(struct sim_bench *bench, int64_t t_ns);
double sim_true_depth_mm(struct sim_bench *bench, int64_t t_ns);
/* The controller's supply goes off and on: motion stops dead, the queue is gone, the
 * position is forgotten, a banner follows. The way out of an emergency stop. */
void sim_axis_power_cycle(struct sim_bench *bench, int64_t t_ns);
/* lines_taken: accepted with 'ok'; lines_refused: answered by a resend request;
 * overruns: bytes that found the receive buffer full and were lost; starved: lines that
 * came after the axis had begun to slow down (or stopped) for want of them;
 * end_stops: times that the stage ran against an end of its travel; board_lines: sent;
 * lost_bytes: of axis or board, that nobody had read while 64 KiB more came. */
struct sim_tally {
    uint64_t lines_taken, lines_refused, overruns, starved, end_stops, board_lines, lost_bytes;
};
struct sim_tally sim_tally(const struct sim_bench *bench);

/* The bench behind the seams that the run uses: a clock that it moves on itself
 * (sleep returns early when bytes have come) and transports. In simulated time an
 * hour takes seconds. */
struct rig_clock sim_clock(struct sim_bench *bench);
struct transport sim_axis_transport(struct sim_bench *bench);
struct transport sim_board_transport(struct sim_bench *bench);

#endif
