/* SPDX-License-Identifier: GPL-3.0-or-later
 * The simulated axis controller: lines of RS-274 in, 'ok' and its kin out, and a motor
 * that moves. Private to the simulated bench. All times are seconds of true time since
 * power-up unless named _axis_s, which are of the axis' own clock. */
#ifndef RIG_SIM_AXIS_H
#define RIG_SIM_AXIS_H

#include "rig/sim.h"
#include "rig/sim_move.h"
#include "rig/sim_queue.h"

#include <gsl/gsl_rng.h>

enum { SIM_LINE_SIZE = 256 };

enum sim_wait {
    SIM_WAIT_NOTHING,
    SIM_WAIT_SLOT,   /* the line's 'ok' comes once the queue has room for it */
    SIM_WAIT_ENOUGH, /* ... once all motion has ended */
    SIM_WAIT_HOMING
};

struct sim_command {
    bool dwell;
    double to_mm, feed_mm_s, dwell_s;
};

struct sim_axis {
    const struct sim_truth *truth;
    char letter;
    bool reversed;
    struct sim_motion motion;
    struct sim_queue out;
    gsl_rng *random;

    char *received; /* bytes that wait while a line is being worked on */
    size_t received_size, received_room;
    char line[SIM_LINE_SIZE]; /* being put together */
    size_t line_size;
    char watched[SIM_LINE_SIZE]; /* the same, read as it arrives, for stops */
    size_t watched_size;
    size_t discard; /* complete lines in front of a stop, taken without effect */

    enum sim_wait wait;
    struct sim_command pending;
    int homing_leg;
    double next_busy_s;
    bool halted; /* until the supply goes off and on */

    long long last_line;
    bool relative;
    double feed_mm_s;
    double slip_mm;   /* stage - motor, from running against an end; the stage's affair */
    double offset_mm; /* the controller's position = motor + offset, in stage terms */

    uint64_t lines_taken, lines_refused, overruns;
};

int sim_axis_init(struct sim_axis *axis, const struct sim_truth *truth, const struct rig *rig,
                  double at_mm, uint64_t seed, struct rig_err *err);
void sim_axis_drop(struct sim_axis *axis); /* frees; zeroed allowed */
void sim_axis_power_up(struct sim_axis *axis, double t, bool knows_place);
void sim_axis_take(struct sim_axis *axis, const char *bytes, size_t size, double t);
/* The next thing that happens by itself (INFINITY: none), and doing it. */
double sim_axis_next_s(const struct sim_axis *axis);
void sim_axis_step(struct sim_axis *axis, double t);
double sim_axis_motor_mm(const struct sim_axis *axis, double t);

#endif
