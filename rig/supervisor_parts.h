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
    bool heard, lost, stuck;
    int64_t last_ns;
    int64_t first_limit_ns, pause_limit_ns;
    /* The reading that has not changed since since_ns, and which depths it was given for. */
    double reading, low_mm, high_mm;
    int64_t since_ns;
    unsigned lines;
};

/* When a stroke was begun, for the latest of them. */
enum { BEGUN_ROOM = 64 };
struct stroke_begun {
    size_t stroke;
    int64_t sent_ns;
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
    uint64_t queries;    /* so far */
    size_t mark;         /* next to come */
    int64_t measured_ns; /* in all phases of measuring before this one */
    double rest_mm;      /* stage position that it was last sent to and came to rest at; NaN */
    size_t held_stroke;  /* before this stroke a hold was cut: */
    double held_s;       /* how long it had lasted, in all tries */
    /* Usual, NaN: not known yet. From a stroke's first byte to its end, less its duration;
     * and to the answer that its first line is taken. */
    double slack_s, answer_s;
    struct stroke_begun begun[BEGUN_ROOM];
    size_t begun_count;

    /* supervisor_interrupt.c */
    bool measured;    /* strokes have been run: what happens from here on interrupts only */
    bool interrupted; /* on the way to PHASE_WAIT or back from it */
    bool home_first;  /* the position is in doubt */
    int64_t interrupted_ns, trouble_ns; /* since when it is waited for anything; 0: not */
    size_t resume_stroke, approach_stroke;
    size_t furthest;   /* strokes that were run whole, from the first on */
    size_t begun_most; /* strokes that were begun, from the first on */
    unsigned tries, grave_tries;
    uint64_t interruptions, repeated;
    int64_t lost_ns;
    bool alarmed;     /* the axis' latest fault: it stopped by itself */
    bool adrift_told; /* that the board can't be lifted */
    double stuck_mm;  /* a reading may stay the same over so much of the water */

    enum run_state state;
    enum board_place board;
    int stops;
    bool moved, tells_position;
    bool at_start; /* PHASE_LISTEN: the stage stands where the plan begins */
    int reconnects;
    int64_t checks_ns;    /* the park position is being asked for, since then; 0: not */
    double last_depth_mm; /* latest known or commanded */
    char trouble[512], cause[512], why[1024];
};

double supervisor_t_s(const struct supervisor *supervisor, int64_t ns);
void supervisor_say(struct supervisor *supervisor, int64_t now_ns, const char *kind,
                    const char *text);
/* The same, and wakes people. */
void supervisor_alert(struct supervisor *supervisor, int64_t now_ns, const char *kind,
                      const char *text);
void supervisor_enter(struct supervisor *supervisor, enum run_phase phase, int64_t now_ns);

/* ---- supervisor_watch.c ---- */
void watch_open(struct supervisor *supervisor);
/* In the phases that need them: false, and what follows from it is done, when one is
 * silent. */
bool watch_sources(struct supervisor *supervisor, int64_t now_ns);
int64_t watch_deadline_ns(const struct supervisor *supervisor);
/* Every source has been heard since since_ns, and lately. */
bool watch_all_well(const struct supervisor *supervisor, int64_t since_ns, int64_t now_ns);
/* A reading is compared with those after this only. */
void watch_forget_readings(struct supervisor *supervisor);

/* ---- supervisor_interrupt.c ---- */
enum interrupt_flags {
    INTERRUPT_PLAIN,
    INTERRUPT_HOME = 1, /* the position is in doubt */
    INTERRUPT_GRAVE = 2 /* a third time in a row ends the run: more of it won't help */
};
/* Something has happened, at since_ns or later. Notes it, wakes people, and decides whether
 * the run goes on afterwards; the caller sees to the board. */
void interrupt_note(struct supervisor *supervisor, const char *kind, const char *text,
                    unsigned flags, int64_t since_ns, int64_t now_ns);
/* Parked, or settled at the place to go on from. */
void interrupt_wait(struct supervisor *supervisor, int64_t now_ns);
void interrupt_tick(struct supervisor *supervisor, int64_t now_ns);
int64_t interrupt_deadline_ns(const struct supervisor *supervisor, int64_t now_ns);
void interrupt_resume(struct supervisor *supervisor, int64_t now_ns);
/* Once, before all: where a run that goes on with an earlier one begins. */
void interrupt_go_on(struct supervisor *supervisor);
/* The moves to where the strokes begin, or go on. */
void interrupt_approach(struct supervisor *supervisor, int64_t now_ns);
/* The axis does not obey: its port shall be opened anew, again and again. */
void interrupt_gone(struct supervisor *supervisor, int64_t now_ns);

/* ---- supervisor_retreat.c ---- */
/* The first cause of the end, with the state that it means; the stroke under way is cut. */
void supervisor_leave(struct supervisor *supervisor, enum run_state state, const char *cause,
                      int64_t now_ns);
/* Lift the board, by the shortest way that can work now. */
void supervisor_retreat(struct supervisor *supervisor, int64_t now_ns);
void supervisor_park(struct supervisor *supervisor, int64_t now_ns);
void supervisor_home(struct supervisor *supervisor, enum run_phase phase, int64_t now_ns);
/* It did not end where it should have: a few times at most. */
void supervisor_home_again(struct supervisor *supervisor, const char *reason, int64_t now_ns);
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
/* Over; the board is where it was parked. */
void supervisor_end_parked(struct supervisor *supervisor, const char *doubt, int64_t now_ns);
/* A stage position that the axis reports at rest is where it was sent to. */
bool supervisor_agrees(double reported_mm, double sent_mm);

/* ---- supervisor_stroke.c: PHASE_MEASURE ---- */
void stroke_begin(struct supervisor *supervisor, int64_t now_ns);
/* At rest where a stroke starts: it is next, after the hold that belongs before it. */
void stroke_resume(struct supervisor *supervisor, size_t stroke, int64_t now_ns);
/* The stroke that was run, or whose hold lasted, at a time. */
size_t stroke_at(const struct supervisor *supervisor, int64_t at_ns);
/* Time is up (supervisor_settings.until_ns), as far as `needs_ns` more. */
bool stroke_time_is_up(const struct supervisor *supervisor, int64_t needs_ns, int64_t now_ns);
void stroke_end_in_time(struct supervisor *supervisor, int64_t now_ns);
void stroke_tick(struct supervisor *supervisor, int64_t now_ns);
void stroke_axis_event(struct supervisor *supervisor, const struct axis_event *event,
                       int64_t now_ns);
/* The stroke under way, or the hold after it, ends here: a row without an end. */
void stroke_cut(struct supervisor *supervisor, int64_t now_ns);
int64_t stroke_deadline_ns(const struct supervisor *supervisor, int64_t now_ns);
/* Where in the plan the run is at a host time. */
double stroke_plan_s(const struct supervisor *supervisor, int64_t at_ns);

#endif
