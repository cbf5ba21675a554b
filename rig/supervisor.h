/* SPDX-License-Identifier: GPL-3.0-or-later
 * What a run does next: a state machine over the axis wire and the plan. Time is an
 * argument; it never sleeps, opens nothing, prints nothing. The loop (bench_loop.h)
 * hands in what happened and sleeps until supervisor_deadline_ns at the latest.
 *
 *   connect -> home -> go to where the plan starts and hear every source
 *           -> stroke after stroke -> park -> over
 *                 |  ^
 *                 v  |    an interruption: halt, home if the position is in doubt, park,
 *              interrupted  wait for what is missing, go back, repeat the pass
 *
 * Each stroke starts when its planned time after the real start of the one before has
 * come and the hold between them has lasted as long as planned: a late stroke moves
 * all that follows, and no hold is shortened.
 *
 * Whatever goes wrong, the board is lifted clear of the water as long as the axis
 * obeys: decelerate, then park; after a restart of the controller home first, which
 * lifts the board too. Once strokes are being run, most faults only interrupt: which do,
 * how often, and how long is waited, is in docs/reliability.md. What can't be done is said
 * in supervisor_why. This is no safety function (docs/safety.md).
 *
 * A pass is what the board's wetting depends on: strokes in one direction without a turn.
 * It is repeated from its beginning, or where it is long, from ten minutes before; the
 * board gets there by way of the pass' first depth, in the pass' own direction. */
#ifndef RIG_SUPERVISOR_H
#define RIG_SUPERVISOR_H

#include "base/err.h"
#include "motion/axis.h"
#include "motion/plan.h"
#include "motion/rigfile.h"
#include "results/recording.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define RUN_PHASES(X)                                                                              \
    X(PHASE_CONNECT, "connecting to the axis")                                                     \
    X(PHASE_HOME, "homing")                                                                        \
    X(PHASE_LISTEN, "going to the start, listening to every source")                               \
    X(PHASE_MEASURE, "measuring")                                                                  \
    X(PHASE_HALT, "stopping")                                                                      \
    X(PHASE_RECONNECT, "connecting to the axis again")                                             \
    X(PHASE_REHOME, "homing again")                                                                \
    X(PHASE_PARK, "parking the board")                                                             \
    X(PHASE_GONE, "the axis can't be reached, trying again")                                       \
    X(PHASE_WAIT, "parked, waiting for what is missing")                                           \
    X(PHASE_RETURN, "going back to the pass that was interrupted")                                 \
    X(PHASE_OVER, "over")

enum run_phase {
#define X(phase, words) phase,
    RUN_PHASES(X)
#undef X
        RUN_PHASE_COUNT
};
const char *run_phase_name(enum run_phase phase);

/* Where the run's own observations go; the text is copied during the call. */
struct run_log {
    void (*motion)(void *context, const struct motion_row *row);
    void (*stroke)(void *context, const struct stroke_row *row);
    void (*event)(void *context, double t_s, const char *kind, const char *text);
    void *context;
};

/* Where the board is at the end. */
enum board_place {
    BOARD_PARKED,  /* clear of the water, by the axis' own word */
    BOARD_UNMOVED, /* nothing was ever sent that moves it */
    BOARD_LEFT     /* not parked: supervisor_why says why and near which depth */
};

struct supervisor_settings {
    const struct rig *rig; /* both outlive the supervisor */
    const struct plan *plan;
    struct run_log log;
    /* What somebody may want to be woken for. NULL allowed. */
    void (*alert)(void *context, double t_s, const char *kind, const char *text);
    void *alert_context;
    bool goes_on;        /* with a run that was left at stroke `left`: its pass is repeated */
    size_t left, whole;  /* strokes run whole before, from the first on */
    int64_t until_ns;    /* the board shall be parked by then, 0: no such time. No stroke
                            is begun that can't be over, and the run is complete */
    const char *until;   /* the same for people, such as "07:00"; outlives the supervisor */
    double first_line_s; /* after homing, a source may take this long; 0: 5 s */
    double patience_s;   /* what is missing is waited for so long; 0: 1800 s */
    double silent_s;     /* a source may pause this long; 0: 5 s. A source with a rate
                            of its own may always pause for 20 of its lines */
};

struct supervisor;

/* axis: just opened, nothing sent; it stays the caller's. NULL: no memory. */
struct supervisor *supervisor_open(const struct supervisor_settings *settings, struct axis *axis,
                                   struct rig_err *err);
void supervisor_free(struct supervisor *supervisor); /* NULL allowed */

/* Begins; start_ns is second 0 of the recording, before now where a run is gone on with. */
void supervisor_begin(struct supervisor *supervisor, int64_t start_ns, int64_t now_ns);
/* What the axis wire said (each of axis_next_event). */
void supervisor_axis_event(struct supervisor *supervisor, const struct axis_event *event,
                           int64_t now_ns);
/* A source has given a good line; reading: of its first sensor channel, NaN for none. */
void supervisor_heard(struct supervisor *supervisor, size_t source, double reading, int64_t now_ns);
/* Something outside failed for good: kind is one word for the events. Only the first
 * fault decides. */
void supervisor_fault(struct supervisor *supervisor, const char *kind, const char *text,
                      int64_t now_ns);
/* A source's port is gone. The caller tries to open it again by itself; that it is back is
 * known when it is heard. */
void supervisor_source_lost(struct supervisor *supervisor, size_t source, const char *text,
                            int64_t now_ns);
/* A source goes on sending and means nothing by it: its port shall be opened anew, which
 * restarts many boards; supervisor_source_opened when it was. */
bool supervisor_wants_source(const struct supervisor *supervisor, size_t source);
void supervisor_source_opened(struct supervisor *supervisor, size_t source);
/* The axis' port is gone: nothing can be sent until it is back. */
void supervisor_axis_lost(struct supervisor *supervisor, const char *text, int64_t now_ns);
/* The axis' port shall be opened anew (closed first, where it is open); supervisor_axis_back
 * when it is. */
bool supervisor_wants_axis(const struct supervisor *supervisor);
void supervisor_axis_back(struct supervisor *supervisor, int64_t now_ns);
/* Since since_ns nobody was here to look: the computer slept, or the program was held. */
void supervisor_lapse(struct supervisor *supervisor, const char *kind, const char *text,
                      int64_t since_ns, int64_t now_ns);
/* The user wants to stop: the first call decelerates and parks, each later one halts
 * at once. */
void supervisor_stop(struct supervisor *supervisor, int64_t now_ns);
/* Sends what may be sent now. Once a wake-up, after the events. */
void supervisor_tick(struct supervisor *supervisor, int64_t now_ns);
int64_t supervisor_deadline_ns(const struct supervisor *supervisor, int64_t now_ns);

bool supervisor_over(const struct supervisor *supervisor);
/* RUN_RUNNING until something decides. */
enum run_state supervisor_state(const struct supervisor *supervisor);
/* One sentence for people: what ended the run and where the board is. */
const char *supervisor_why(const struct supervisor *supervisor);
enum board_place supervisor_board(const struct supervisor *supervisor);
/* Why the run is interrupted just now; "" when it is not. */
const char *supervisor_trouble(const struct supervisor *supervisor);
/* 0 complete, 4 stopped, 5 faulted. */
int supervisor_exit_status(const struct supervisor *supervisor);

struct supervisor_view {
    enum run_phase phase;
    double plan_s; /* where in the plan; of its duration */
    double duration_s, left_s;
    size_t segment, segments, stroke, strokes;
    double depth_mm; /* commanded; NaN outside PHASE_MEASURE */
    uint64_t strokes_done;
};
/* Counted from the first stroke on. */
struct supervisor_tally {
    uint64_t planned, whole; /* strokes: of the plan, and those of it that ran to their end */
    uint64_t repeated;       /* runs of strokes that had been run, or begun, before */
    uint64_t interruptions;
    double measuring_s; /* in PHASE_MEASURE */
    double lost_s;      /* between interruptions and the strokes after them */
};
void supervisor_count(const struct supervisor *supervisor, int64_t now_ns,
                      struct supervisor_tally *tally);
void supervisor_look(const struct supervisor *supervisor, int64_t now_ns,
                     struct supervisor_view *view);

#endif
