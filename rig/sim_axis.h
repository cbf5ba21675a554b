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
    SIM_WAIT_DWELL,  /* a dwell, which begins once all motion has ended */
    SIM_WAIT_HOMING
};

struct sim_command {
    bool dwell;
    double to_mm, feed_mm_s, dwell_s;
};

struct sim_axis;

/* What a dialect does its own way; NULL where it does nothing. */
struct sim_wire {
    void (*power_up)(struct sim_axis *axis, double t); /* its greeting */
    /* A byte as it arrives, ahead of what waits. snatches: true when it was obeyed and
     * takes no room in the buffer; notices: when it has been put there. */
    bool (*snatches)(struct sim_axis *axis, char byte, double t);
    void (*notices)(struct sim_axis *axis, char byte, double t);
    /* A whole line without its end, NUL-terminated, now that nothing is waited for. */
    void (*line)(struct sim_axis *axis, char *line, double t);
    void (*busy)(struct sim_axis *axis, double t);
    void (*homed)(struct sim_axis *axis); /* the place where it stands gets its number */
    bool answers_blanks;
};
extern const struct sim_wire sim_wire_acknowledged, sim_wire_polled;

struct sim_axis {
    const struct sim_truth *truth;
    const struct sim_wire *wire;
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

    /* status-polled */
    bool homes, locked;
    double wco_mm; /* its machine position - the coordinate of its lines, wire terms */
    int reports_to_wco;
    bool held;
    struct sim_command *left; /* what was not done when it was held */
    size_t left_count;

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

/* ---- shared by the dialects ---- */
double sim_axis_s(const struct sim_axis *axis, double t); /* the axis' own clock */
double sim_axis_start_delay_s(struct sim_axis *axis);
void sim_axis_say(struct sim_axis *axis, double t, const char *text);
void sim_axis_ok(struct sim_axis *axis, double t);
void sim_axis_wait_for(struct sim_axis *axis, double t, enum sim_wait what);
/* Carried out and answered now, or once the queue has room. */
void sim_axis_queue(struct sim_axis *axis, double t, const struct sim_command *command);
void sim_axis_read_on(struct sim_axis *axis, double t);
/* The controller's own coordinate, and back. The sign flips here and nowhere else. */
double sim_axis_wire_mm(const struct sim_axis *axis, double motor_mm);
double sim_axis_motor_of(const struct sim_axis *axis, double wire);
/* One word of a line: a letter and a number. False at the end or at nonsense. */
bool sim_axis_word(const char **at, char *letter, double *number);

#endif
