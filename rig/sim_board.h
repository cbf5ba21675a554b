/* SPDX-License-Identifier: GPL-3.0-or-later
 * Stage, water and board of the simulated bench, with the controller and the actuator
 * behind the board. Private to the simulated bench. Times are seconds of true time since
 * power-up. */
#ifndef RIG_SIM_BOARD_H
#define RIG_SIM_BOARD_H

#include "rig/sim.h"
#include "rig/sim_queue.h"

#include <gsl/gsl_rng.h>

/* What the motor drags along: whole steps, play in the drive, and ends of the travel. */
struct sim_stage {
    double place_mm; /* of the stage, the last known */
    double slip_mm;  /* steps lost against an end, added up */
    bool at_end;
    uint64_t end_stops;
};
/* Stage position for a motor position; `stage` carries the memory on. */
double sim_stage_follow_mm(struct sim_stage *stage, const struct sim_truth *truth, double motor_mm);

/* Immersion of the board's lower edge at a stage position; negative above the water. */
double sim_water_depth_mm(const struct sim_truth *truth, double stage_mm, double t);
double sim_water_degc(const struct sim_truth *truth, double t);

/* First-order lag: y after h seconds, for an input that goes straight from u0 to u1.
 * Exact. decay = exp(-h / time_constant_s), 0 for no lag. */
double sim_lag(double y, double u0, double u1, double h, double time_constant_s, double decay);

struct sim_held {
    const struct sim_link *link;
    double filter; /* before the dead time */
    struct sim_trail trail;
    double exact; /* before quantisation */
    double value; /* held until the next update */
    double next_s;
    uint64_t updates;
    double decay, decay_h; /* of the last step size */
};

struct sim_board {
    const struct sim_truth *truth;
    const struct rig_source *source;          /* owned by the bench */
    double length_to_unit[RIG_CHANNEL_LIMIT]; /* of reference channels, a mm */
    double t;                                 /* everything below is of this time */
    uint64_t ticks;                           /* of the integration grid */
    double depth_mm, played_mm, wetted_mm;    /* true; after the play; after the lag */
    double reading;                           /* clean: after dead time, curve, drift */
    double noise;                             /* of the last sample */
    double wander;                            /* of the zero, renewed with each sample */
    double stage_mm;
    double place_mm; /* as a reference on the stage sees it, with the last sample */
    struct sim_trail wetted;
    double decay[2], decay_h; /* rising, falling */
    struct sim_held controller, actuator;
    gsl_rng *noise_random, *delay_random, *wander_random, *place_random;
    uint64_t samples;
    double next_sample_s;
    struct sim_queue out;
    bool greeted;
    size_t greeting_matched;
    uint64_t lines;
};

int sim_board_init(struct sim_board *board, const struct sim_truth *truth,
                   const struct rig_source *source, double stage_mm, uint64_t seed,
                   struct rig_err *err);
void sim_board_drop(struct sim_board *board); /* frees; zeroed allowed */
/* The next node: a tick of the grid, an update of a link or a sample. Call
 * sim_board_step with each one in turn and the stage position at that time. */
double sim_board_next_s(const struct sim_board *board);
void sim_board_step(struct sim_board *board, double t, double stage_mm);

/* One line in the words of the source, with its end. Returns its size. */
size_t sim_board_line(const struct sim_board *board, double t, char *line, size_t room);
/* RIG_EINPUT where the simulated board can't speak like that. */
int sim_board_check_source(struct sim_board *board, struct rig_err *err);

#endif
