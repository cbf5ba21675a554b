/* SPDX-License-Identifier: GPL-3.0-or-later
 * The parts of dialect 'status-polled'. Private to them. */
#ifndef MOTION_AXIS_POLLED_H
#define MOTION_AXIS_POLLED_H

#include "motion/axis_dialect.h"

/* Single characters that the controller obeys as they arrive, whatever it is busy with;
 * they take no place in its buffer. */
#define POLLED_ASK_BYTE "?"
#define POLLED_PAUSE_BYTE "!"
#define POLLED_RESUME_BYTE "~"
#define POLLED_RESET_BYTE "\x18"

/* Steps of AXIS_DO_CONNECT, but for the last two, and of AXIS_DO_HALT: the lines after the reset
 * that a halt ends with. */
enum {
    POLLED_SETUP_UNLOCK,
    POLLED_SETUP_UNITS,
    POLLED_SETUP_MODES, /* asks for them: a damaged line could have meant inches */
    POLLED_SETUP_PLACE,
    POLLED_SETUP_DONE
};

enum polled_doing {
    POLLED_IDLE,
    POLLED_MOVING,     /* also homing, jogging and whatever is not known here */
    POLLED_SLOWING,    /* on its way to a pause */
    POLLED_PAUSED,     /* at rest, with motion left to do */
    POLLED_MAYBE_REST, /* paused, without a word on whether it has come to rest */
    POLLED_LOCKED,     /* after an alarm; asleep */
};

struct polled_report {
    enum polled_doing doing;
    /* Coordinates of one axis; NaN: not in this report. */
    double machine_mm, wire_mm, offset_mm;
};

/* A whole `<State|MPos:...|...>`, or one with commas between its parts. False: no report,
 * or a damaged one. letter: of the axis; A, B, C follow X, Y, Z, and E stands for A. */
bool polled_read_report(const char *text, char letter, struct polled_report *report);
/* The number behind "error:" or "ALARM:"; -1: none. */
long polled_code(const char *text);
/* What it means, in brackets for a person, "" where that is not known. */
const char *polled_error_meaning(long code);
const char *polled_alarm_meaning(long code);

void polled_hear(struct axis *axis, const char *text, int64_t now_ns);
/* A question, unless one is open. */
void polled_ask(struct axis *axis, int64_t now_ns);
/* The open question again, if there is one: it was asked while nobody could answer. */
void polled_ask_afresh(struct axis *axis, int64_t now_ns);
/* A report: is an answer overdue that must have got lost? */
void polled_look_into(struct axis *axis, const struct polled_report *report, int64_t now_ns);
/* Single characters, ahead of all lines. */
void polled_urge(struct axis *axis, const char *bytes);
void polled_urge_reset(struct axis *axis);

/* ---- axis_polled_check.c ---- */
/* The `ok` of the oldest line has come. */
void polled_take_answer(struct axis *axis, int64_t now_ns);
/* A report, with wire_mm from what the controller itself has told of its offset. */
void polled_check_report(struct axis *axis, const struct polled_report *report, int64_t now_ns);
/* "[GC:G0 G54 G17 G21 G90 G94 ...]" */
void polled_hear_modes(struct axis *axis, const char *text);
/* While something is to be checked: when to ask. */
int64_t polled_check_deadline_ns(const struct axis *axis);

/* ---- axis_polled_halt.c ---- */
void polled_halt(struct axis *axis, bool now, int64_t now_ns);
void polled_halt_report(struct axis *axis, const struct polled_report *report, int64_t now_ns);
void polled_halt_greeted(struct axis *axis, int64_t now_ns);
void polled_halt_set_up(struct axis *axis, int step, int64_t now_ns);
/* The line of the setting up that was in flight is taken. */
void polled_halt_taken(struct axis *axis, int64_t now_ns);
void polled_halt_tick(struct axis *axis, int64_t now_ns);
int64_t polled_halt_deadline_ns(const struct axis *axis);

#endif
