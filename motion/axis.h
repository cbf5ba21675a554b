/* SPDX-License-Identifier: GPL-3.0-or-later
 * The wire to the axis' controller as a pure state machine: bytes and times in,
 * bytes and events out. Touches no file descriptor, reads no clock. One file per
 * dialect behind the table at the end (axis_NAME.c).
 *
 * How to drive it, once per wake-up:
 *   axis_receive(axis, bytes, n, now_ns);          what the port gave
 *   while (axis_next_event(axis, &event)) ...      what it means
 *   axis_move / axis_settle / axis_query ...       as room allows
 *   n = axis_output(axis, buffer, room, now_ns);   what the port shall get
 *   sleep until axis_deadline_ns(axis) at the latest, then axis_tick(axis, now_ns)
 */
#ifndef MOTION_AXIS_H
#define MOTION_AXIS_H

#include "base/err.h"
#include "motion/rigfile.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define AXIS_EVENTS(X)                                                                             \
    X(AXIS_READY, "ready") /* greeted, units and mode set */                                       \
    X(AXIS_HOMED, "homed")                                                                         \
    X(AXIS_SENT, "sent")         /* first byte of line `tag` was handed out */                     \
    X(AXIS_ACCEPTED, "accepted") /* the controller took line `tag` */                              \
    X(AXIS_SETTLED, "settled")   /* all motion before settle `tag` has ended */                    \
    X(AXIS_POSITION, "position") /* stage_mm, asked_ns, answered_ns */                             \
    X(AXIS_RESEND, "resend")     /* controller asked for lines again; they go out again */         \
    X(AXIS_BUSY, "busy")                                                                           \
    X(AXIS_RESET, "reset")     /* a banner in mid-run: the controller restarted, position lost */  \
    X(AXIS_REFUSED, "refused") /* an error text for a line: fatal for the run */                   \
    X(AXIS_ALARM, "alarm")     /* end switch, stall, halt on its own: fatal */                     \
    X(AXIS_SILENT, "silent")   /* no answer within its time: fatal */                              \
    X(AXIS_CHATTER, "chatter") /* a line that is no answer; kept, never fatal */                   \
    X(AXIS_HALTED, "halted")   /* motion was stopped on request */

enum axis_event_kind {
#define X(kind, word) kind,
    AXIS_EVENTS(X)
#undef X
        AXIS_EVENT_COUNT
};
const char *axis_event_name(enum axis_event_kind kind);

struct axis_event {
    enum axis_event_kind kind;
    uint64_t tag;
    int64_t at_ns;                 /* when the bytes that say so were handed over */
    double stage_mm;               /* AXIS_POSITION */
    int64_t asked_ns, answered_ns; /* AXIS_POSITION: the truth lies between */
    char text[160];                /* the controller's words, printable bytes only */
};

struct axis;

/* Spoken without a file that describes it. */
bool axis_dialect_known(const char *name);

/* Settings come from the rig file. NULL: unknown dialect (RIG_EINPUT, lists the
 * known ones) or no memory. */
struct axis *axis_open(const struct rig_axis *settings, struct rig_err *err);
void axis_free(struct axis *axis); /* NULL allowed */

/* Each queues one command behind those before it. RIG_EBUG when there is no room
 * (ask axis_room first), RIG_ELIMIT when a target lies outside the soft limits or a
 * move comes before homing on an axis that homes; nothing is queued then. */
int axis_connect(struct axis *axis, struct rig_err *err); /* -> AXIS_READY */
int axis_home(struct axis *axis, struct rig_err *err);    /* -> AXIS_HOMED */
int axis_move(struct axis *axis, uint64_t tag, double stage_mm, double feed_mm_s,
              struct rig_err *err);
int axis_dwell(struct axis *axis, uint64_t tag, double dwell_s, struct rig_err *err);
int axis_settle(struct axis *axis, uint64_t tag, struct rig_err *err); /* -> AXIS_SETTLED */
/* Position as soon as the dialect allows, ahead of queued moves where it can. At
 * most one question is open; a second is dropped silently (returns 0). */
int axis_query(struct axis *axis, struct rig_err *err);
/* Stop: decelerate where the controller can (`now` false), or at once. Drops all
 * queued commands; -> AXIS_HALTED. After `now` the position counts as lost. */
void axis_halt(struct axis *axis, bool now);

/* Commands that may be queued now (at least 0). */
size_t axis_room(const struct axis *axis);
/* Lines sent and not yet accepted. */
size_t axis_in_flight(const struct axis *axis);
/* No command queued, in flight or awaited. */
bool axis_idle(const struct axis *axis);
bool axis_knows_position(const struct axis *axis);

size_t axis_output(struct axis *axis, char *bytes, size_t room, int64_t now_ns);
void axis_receive(struct axis *axis, const char *bytes, size_t size, int64_t now_ns);
void axis_tick(struct axis *axis, int64_t now_ns);
int64_t axis_deadline_ns(const struct axis *axis); /* INT64_MAX: none */
bool axis_next_event(struct axis *axis, struct axis_event *event);

/* What goes over the wire for a stage position (mm) and feed (mm/s), rounded: the
 * planner uses the same functions, so that a plan is exactly what is sent. */
double axis_wire_stage_mm(const struct rig_axis *settings, double stage_mm);
double axis_wire_feed_step_mm_s(const struct rig_axis *settings); /* between two feeds */
double axis_wire_feed_mm_s(const struct rig_axis *settings, double feed_mm_s);

#endif
