/* SPDX-License-Identifier: GPL-3.0-or-later
 * The loop of a run: reads the ports and stamps what came with the clock, lets the
 * decoders, the axis wire and the supervisor work on it, hands rows to the recorder,
 * writes what the axis shall get, sleeps until something happens. Never touches the
 * disk or a terminal. The same loop runs on hardware and on the simulated bench. */
#ifndef RIG_BENCH_LOOP_H
#define RIG_BENCH_LOOP_H

#include "base/clock.h"
#include "base/err.h"
#include "motion/plan.h"
#include "motion/rigfile.h"
#include "rig/recorder.h"
#include "rig/supervisor.h"
#include "rig/transport.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/* How the run stands, for those who show it. */
struct bench_view {
    struct supervisor_view run;
    double t_s;    /* since the run's start */
    char why[512]; /* once something has decided: the cause; else why it is interrupted */
    enum run_state state;
    double reading; /* latest value of the first sensor channel, NaN: none yet */
    char reading_name[RIG_NAME_SIZE], reading_unit[RIG_NAME_SIZE];
    uint64_t rows, malformed, lost, resends;
    unsigned stops;
};

/* What came of one source. Gaps: pauses while strokes were being run (run_summary.h). */
struct source_tally {
    char name[RIG_NAME_SIZE];
    uint64_t rows, malformed, gaps;
    double gap_s, longest_gap_s;
};

enum { BENCH_AXIS = RIG_SOURCE_LIMIT, BENCH_OPENING = -1 };

/* Value of a queued signal (sigqueue) that is a wish to stop from afar: it counts only where
 * nobody wished before, since a second one halts at once, and that stays with those who stand at
 * the bench. */
enum { BENCH_FROM_AFAR = 0x57 };

struct bench_settings {
    const struct rig *rig;
    const struct plan *plan;
    struct transport axis;                      /* the loop closes them */
    struct transport sources[RIG_SOURCE_LIMIT]; /* one a source of the rig */
    struct rig_clock clock;
    /* Opens the port of source `port` anew, or with BENCH_AXIS that of the axis: 0, a code
     * above 0 when it can't be had now, or BENCH_OPENING while that is not known yet (then
     * it is asked for again). Must not block. NULL: what is lost stays lost. */
    int (*reopen)(void *context, size_t port, struct transport *transport, struct rig_err *err);
    void *reopen_context;
    /* Nanoseconds that the computer has slept since some moment. NULL: it never sleeps. */
    int64_t (*slept_ns)(void *context);
    void *slept_context;
    bool polls;                /* sleep by polling the transports' descriptors, not by clock */
    struct recorder *recorder; /* stays the caller's */
    int signal_fd;             /* a signalfd: each signal read is a wish to stop; -1: none */
    /* Called at least five times a second of the clock and at each change of phase, from
     * the loop; must not block. NULL allowed. */
    void (*show)(void *context, const struct bench_view *view);
    void *context;
    double elapsed_s; /* of a run that is gone on with: its time now; else 0 */
    bool goes_on;     /* as in supervisor.h, with the two after it */
    size_t left, whole;
    double first_line_s, silent_s, patience_s; /* as in supervisor.h; 0: default */
    int64_t until_ns;                          /* as in supervisor.h */
    const char *until;
    /* What somebody may want to be woken for; from the loop, must not block. NULL allowed. */
    void (*alert)(void *context, double t_s, const char *kind, const char *text);
    void *alert_context;
};

struct bench_end {
    enum run_state state;
    enum board_place board;
    int exit_status;
    char why[1024];
    struct bench_view view; /* the last */
    struct supervisor_tally run;
    size_t source_count;
    struct source_tally sources[RIG_SOURCE_LIMIT];
};

/* Runs to the end. Returns 0 when the run was carried through to a state (*end says
 * which), or an error of ours before it began. Closes all transports in any case. */
int bench_run(struct bench_settings *settings, struct bench_end *end, struct rig_err *err);

#endif
