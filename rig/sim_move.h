/* SPDX-License-Identifier: GPL-3.0-or-later
 * The simulated controller's own arithmetic of speed changes, and its queue of moves
 * with look-ahead. Written apart from the planner on purpose: where both agree, two
 * derivations agree. Private to the simulated bench. Times are seconds of the axis' own
 * clock; places are motor positions in stage coordinates (mm, greater is deeper). */
#ifndef RIG_SIM_MOVE_H
#define RIG_SIM_MOVE_H

#include "base/err.h"
#include "motion/rigfile.h"

#include <stdbool.h>
#include <stddef.h>

struct sim_law {
    enum speed_law law;
    double acceleration_mm_s2, jerk_mm_s3; /* jerk: of SPEED_JERK_LIMITED only */
};

/* Path length as a polynomial of u = t - t0: s0 + v0 u + a0 u^2/2 + j u^3/6. */
struct sim_phase {
    double t0, t1, s0, v0, a0, j;
    int part; /* phases of one speed change follow one another and share it */
};

/* Time and path of a change from speed v0 to v1 (both >= 0). The jerk-limited law starts
 * and ends without acceleration; by its symmetry the path is the mean speed by the time. */
double sim_change_time_s(const struct sim_law *law, double v0, double v1);
double sim_change_path_mm(const struct sim_law *law, double v0, double v1);
/* Greatest speed that can be reached from v0 within `path_mm`. */
double sim_reach_mm_s(const struct sim_law *law, double v0, double path_mm);
/* The phases of one move of path_mm from speed v_in to v_out, up to `feed` on the way (no
 * less than v_in, v_out), first phase at t0 and path s0. Both speed changes must fit
 * into the path. Returns how many of phases[0..7) are used. */
enum { SIM_PHASES = 7 };
size_t sim_phases(const struct sim_law *law, double path_mm, double v_in, double feed, double v_out,
                  double t0, double s0, struct sim_phase phases[SIM_PHASES]);

struct sim_block {
    bool dwell;
    double dwell_s;
    double from_mm, to_mm, path_mm, feed_mm_s;
    int sign; /* +1 deeper */
};

enum { SIM_RUNNING_PHASES = 16 };

struct sim_motion {
    struct sim_law law;
    double top_speed_mm_s;
    struct sim_block *blocks; /* ring of `room` */
    size_t room, head, count;
    bool waiting;   /* first line taken at rest, motion not begun */
    double start_s; /* when it begins, while waiting */
    bool running;   /* blocks[head] is being carried out */
    double block_end_s;
    struct sim_phase phases[SIM_RUNNING_PHASES];
    size_t phase_count;
    double exit_mm_s; /* speed at the end of the running block */
    double rest_mm;   /* place while nothing runs; end of the last finished block */
    double end_mm;    /* place at the end of everything queued */
    bool stopping;    /* what runs is a halt, no block of the ring */
    double stop_mm;   /* where it ends */
    bool was_move;    /* the last block that finished was a move, its direction: */
    int last_sign;
    unsigned long long starved;
};

int sim_motion_init(struct sim_motion *motion, const struct sim_law *law, double top_speed_mm_s,
                    int lookahead_lines, double at_mm, struct rig_err *err);
void sim_motion_drop(struct sim_motion *motion); /* frees; zeroed allowed */

bool sim_motion_idle(const struct sim_motion *motion); /* at rest, nothing queued */
bool sim_motion_full(const struct sim_motion *motion);
/* Queues a move to `to_mm` (nothing when it is there already) or a dwell. start_delay_s
 * counts when the axis is at rest with nothing queued. Ask sim_motion_full first. */
void sim_motion_move(struct sim_motion *motion, double now_s, double to_mm, double feed_mm_s,
                     double start_delay_s);
void sim_motion_dwell(struct sim_motion *motion, double now_s, double dwell_s,
                      double start_delay_s);
/* Forgets what is queued; slows down at full acceleration, or stops dead. */
void sim_motion_halt(struct sim_motion *motion, double now_s, bool dead);
/* What comes after a wait for the end of motion isn't late. */
void sim_motion_forgive(struct sim_motion *motion);

/* When the next block begins or ends, INFINITY if none; carries that out. */
double sim_motion_next_s(const struct sim_motion *motion);
void sim_motion_step(struct sim_motion *motion);
/* Place at a time between the last step and the next. */
double sim_motion_at_mm(const struct sim_motion *motion, double t_s);

#endif
