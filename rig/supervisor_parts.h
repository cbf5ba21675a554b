/* SPDX-License-Identifier: GPL-3.0-or-later
 * What the files of the supervisor share; private to rig/supervisor*.c. */
#ifndef RIG_SUPERVISOR_PARTS_H
#define RIG_SUPERVISOR_PARTS_H

#include "rig/supervisor.h"

/* Tags of settling commands, apart from the numbers of the plan's lines. */
#define TAG_SETTLE ((uint64_t)1 << 62)
#define TAG_PARK ((uint64_t)1 << 61)
#define TAG_START ((uint64_t)1 << 60)

/* The steps of one stroke. */
enum stroke_step {
    STEP_WAIT,   /* for its time */
    STEP_SEND,   /* its lines */
    STEP_SETTLE, /* for the end of its motion */
    STEP_REST    /* no stroke is left: the plan's last hold */
};

struct source_watch {
    bool heard;
    int64_t last_ns;
    int64_t first_limit_ns, pause_limit_ns;
};

struct supervisor {
    struct supervisor_settings settings;
    struct axis *axis;
    int64_t start_ns;
    enum run_phase phase;
    int64_t phase_ns; /* since when */
    struct source_watch sources[RIG_SOURCE_LIMIT];

    enum stroke_step step;
    size_t stroke;
    int64_t due_ns; /* STEP_WAIT: start of the stroke */
    struct plan_line_cursor cursor;
    struct plan_line line; /* the next to send, while line_waits */
    bool line_waits;
    uint64_t line_tag, first_tag;
    bool settle_queued;
    bool sent, accepted; /* the stroke's first line */
    bool asked_at_rest;  /* where the stage stands after the stroke before */
    int64_t sent_ns, accepted_ns, ended_ns;
    int64_t next_query_ns;
    size_t mark; /* next to come */
    uint64_t strokes_done;
    int64_t measured_ns; /* in all phases of measuring before this one */

    enum run_state state;
    enum board_place board;
    int stops;
    bool axis_gone, moved, tells_position;
    bool at_start; /* PHASE_LISTEN: the stage stands where the plan begins */
    int reconnects;
    int64_t checks_ns;    /* the park position is being asked for, since then; 0: not */
    double last_depth_mm; /* latest known or commanded */
    char cause[512], why[1024];
};

double supervisor_t_s(const struct supervisor *supervisor, int64_t ns);
void supervisor_say(struct supervisor *supervisor, int64_t now_ns, const char *kind,
                    const char *text);
/* The same, and wakes people. */
void supervisor_alert(struct supervisor *supervisor, int64_t now_ns, const char *kind,
                      const char *text);
void supervisor_enter(struct supervisor *supervisor, enum run_phase phase, int64_t now_ns);

/* ---- supervisor_retreat.c ---- */
/* The first cause of the end, with the state that it means; the stroke under way is cut. */
void supervisor_leave(struct supervisor *supervisor, enum run_state state, const char *cause);
/* Lift the board, by the shortest way that can work now. */
void supervisor_retreat(struct supervisor *supervisor, int64_t now_ns);
void supervisor_park(struct supervisor *supervisor, int64_t now_ns);
void supervisor_home(struct supervisor *supervisor, enum run_phase phase, int64_t now_ns);
/* The controller has restarted, gone quiet or stopped by itself: talk to it afresh, a few
 * times at most. */
void supervisor_reconnect(struct supervisor *supervisor, const char *reason, int64_t now_ns);
/* Time from anywhere in the plan to the park position, about. */
int64_t supervisor_way_home_ns(const struct supervisor *supervisor);
/* Over, with the board where it is. */
void supervisor_give_up(struct supervisor *supervisor, const char *reason, int64_t now_ns);
void supervisor_halted_at_once(struct supervisor *supervisor, int64_t now_ns);
/* Where the axis says that it stands after parking; or that it does not say so. */
void supervisor_check_park(struct supervisor *supervisor, const struct axis_event *event,
                           int64_t now_ns);
void supervisor_unconfirmed(struct supervisor *supervisor, int64_t now_ns);
/* A stage position that the axis reports at rest is where it was sent to. */
bool supervisor_agrees(double reported_mm, double sent_mm);

/* ---- supervisor_stroke.c: PHASE_MEASURE ---- */
void stroke_begin(struct supervisor *supervisor, int64_t now_ns);
void stroke_tick(struct supervisor *supervisor, int64_t now_ns);
void stroke_axis_event(struct supervisor *supervisor, const struct axis_event *event,
                       int64_t now_ns);
/* The stroke under way ends here: its row, without an end. */
void stroke_cut(struct supervisor *supervisor);
int64_t stroke_deadline_ns(const struct supervisor *supervisor, int64_t now_ns);
/* Where in the plan the run is at a host time. */
double stroke_plan_s(const struct supervisor *supervisor, int64_t at_ns);

#endif
