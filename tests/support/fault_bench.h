/* SPDX-License-Identifier: GPL-3.0-or-later
 * A whole run on the simulated bench in simulated time, inside the test, with faults at
 * times of its own: ports that go away, go quiet or lie, a user who wants to stop, a
 * power cut of the controller. What only differs from a plain good run is stated. */
#ifndef TESTS_FAULT_BENCH_H
#define TESTS_FAULT_BENCH_H

#include "results/timeline.h"
#include "rig/bench_loop.h"
#include "rig/sim.h"

struct fault_bench;

/* What happens at a time, in seconds since the run's start. */
struct fault_action {
    double at_s;
    void (*act)(struct fault_bench *bench);
    bool done;
    double length_s; /* for the action to use; it finds itself in fault_bench.acting */
};

struct fault_port {
    struct fault_bench *bench;
    struct transport inner;
    double gone_s, back_s;  /* unplugged between them; INFINITY: never */
    double quiet_s, loud_s; /* gives nothing between them */
    double stuck_s, free_s; /* the second column stays what it is between them */
    bool wakes;             /* opening it anew ends the silence, or sets it free */
    double deaf_s, hears_s; /* what is written between them is lost */
    const char *lie;        /* bytes that come instead of the first answer after lie_s */
    double lie_s;
    const char *add; /* bytes that come in between, once, at add_s */
    double add_s;
    double swallow_s; /* the first moves after it are lost, and answered all the same */
    double noise;     /* chance of each byte, either way, to have a bit turned over */
    double noise_from_s, noise_until_s;
    double loses; /* chance of each byte, either way, to be lost; in the same time */
    uint64_t noise_state;
    unsigned noise_count, lost_count, opened; /* opened: again */
    char stuck[64];
    char line[256];
    size_t line_size;
};

struct fault_bench {
    const char *rig_text, *profile_text; /* defaults: a plain rig, a few ramps */
    const char *controller_text;         /* of what the rig's axis speaks; NULL: built in */
    struct sim_truth truth;
    uint64_t seed;
    size_t disk_bytes; /* > 0: the recording's files may not grow beyond */
    struct fault_port axis, board;
    struct fault_action actions[80];
    const struct fault_action *acting;
    double patience_s; /* 120 */
    double slept_s;    /* the computer has, so far; an action adds to it */
    const char *until; /* with until_s after the start; NULL: no such time */
    double until_s;
    bool no_reopen; /* what is lost stays lost */
    /* Results. */
    char folder[128];
    struct sim_bench *sim;
    struct rig_clock clock;
    struct rig rig;
    int code, closed;
    struct rig_err err, closing;
    struct bench_end end;
    double true_depth_mm; /* a second after the end: what moves on is seen */
    double moving_mm;     /* and how far it went in the second after that */
    struct sim_tally tally;
    int stop_pipe[2];
};

/* Zeroes, sets the defaults and a truth; the folder is a fresh name. */
void fault_bench_defaults(struct fault_bench *bench);
void fault_bench_run(struct fault_bench *bench);
/* One more wish to stop, as a signal would bring it; an action. */
void fault_bench_stop(struct fault_bench *bench);
double fault_bench_t_s(const struct fault_bench *bench);
/* The recording opens and scans; rows of the board. Fails the test otherwise. */
uint64_t fault_bench_rows(const struct fault_bench *bench);
/* How many events of a kind the recording has; the first one's text into `text` (NULL
 * allowed). */
size_t fault_bench_events(const struct fault_bench *bench, const char *kind, char *text,
                          size_t room);
/* Largest distance between the depth that the recording's own timeline gives a row of the
 * board and the one that its reading tells (the board of this bench is straight, without
 * noise or lag): a row put where the stage was not shows here. *mapped: rows that the
 * timeline places; *known: strokes that it knows. NULL allowed. */
double fault_bench_worst_mm(const struct fault_bench *bench, uint64_t *mapped, size_t *known);
/* Ended in this state, for this reason. */
void fault_bench_check_end(const struct fault_bench *bench, enum run_state state, int exit_status,
                           const char *why);
/* Parked, by the bench's own truth. */
void fault_bench_check_parked(const struct fault_bench *bench);
/* Left where it was, and said so. */
void fault_bench_check_left(const struct fault_bench *bench);
/* Complete and parked, every stroke known to the timeline, every row where it belongs,
 * with so many interruptions. */
void fault_bench_check_mended(const struct fault_bench *bench, uint64_t interruptions);
/* Closes the bench, removes the recording. */
void fault_bench_free(struct fault_bench *bench);
/* Removes a folder and the files in it; for tests' own recordings. */
void remove_folder(const char *path);

#endif
