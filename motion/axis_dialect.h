/* SPDX-License-Identifier: GPL-3.0-or-later
 * What the dialects of the axis wire share: the queue of commands, the ring of
 * lines that were handed out, the events, and the table of functions that a
 * dialect fills in. Private to motion/axis*.c.
 *
 * A controller that acknowledges line by line needs none: a file describes it
 * (motion/controller.h). To add a dialect:
 *   1. Write motion/axis_NAME.c with a `const struct axis_dialect axis_NAME`; the model
 *      is axis_acknowledged.c, its answers are in axis_acknowledged_hear.c.
 *      axis_polled.c is one for a controller that takes single characters at any time.
 *   2. Declare it beside axis_acknowledged below, and list it in `dialects` of axis.c.
 *   3. Say in docs/wire.md what goes over the wire.
 *   4. Give it sessions in tests/wire/ (NAME-*.log, NAME-*.chk), and its name to
 *      tests/fuzz/fuzz_axis.c.
 * Nothing else names a dialect. */
#ifndef MOTION_AXIS_DIALECT_H
#define MOTION_AXIS_DIALECT_H

#include "motion/axis.h"

enum {
    AXIS_QUEUE_ROOM = 65, /* commands waiting, and one place for axis_connect_again */
    AXIS_LINE_ROOM = 32,  /* lines in flight and the last ones before, for resending */
    AXIS_LINE_SIZE = 64,
    AXIS_HEARD_SIZE = 256,
    AXIS_EVENT_ROOM = 256,
    AXIS_URGENT_ROOM = 64,
};

enum axis_command_kind {
    AXIS_DO_CONNECT,
    AXIS_DO_HOME,
    AXIS_DO_MOVE,
    AXIS_DO_DWELL,
    AXIS_DO_SETTLE,
    AXIS_DO_QUERY,
    AXIS_DO_HALT,
    AXIS_DO_COUNT, /* start line numbers again */
};

struct axis_command {
    enum axis_command_kind kind;
    int step; /* of the lines that it takes */
    uint64_t tag;
    double stage_mm, feed_mm_s;
    double duration_s; /* of the motion or dwell, never overestimated */
};

/* One line that was, or is about to be, handed out. */
struct axis_line {
    struct axis_command command;
    bool last;      /* of its command */
    bool alone;     /* nothing before it may be unanswered, nothing follows it */
    bool blocks;    /* the controller hears nothing more until this has ended */
    bool again;     /* does no harm when sent twice */
    bool abandoned; /* its answer interests nobody any more */
    bool said_sent, said_accepted;
    long number;               /* 0: none */
    int64_t first_ns, sent_ns; /* first and latest time of being handed out */
    int probes;                /* times it was handed out for want of an answer */
    size_t size;
    char bytes[AXIS_LINE_SIZE];
};

enum axis_state {
    AXIS_STATE_CLOSED,   /* nothing said yet */
    AXIS_STATE_GREETING, /* waits for the controller to have started */
    AXIS_STATE_RUNNING,
    AXIS_STATE_HALTING,
    AXIS_STATE_FROZEN, /* after something fatal: says nothing until halted or connected */
    AXIS_STATE_LOST,   /* the controller has restarted or was killed: connect anew */
};

struct axis_dialect {
    const char *name;
    /* Fills bytes, size, number, last, alone, again and blocks of the line for the
     * command's step. Limits and room are seen to by the caller. */
    void (*compose)(struct axis *axis, struct axis_line *line);
    /* One line from the controller: printable, not empty, without its end. */
    void (*hear)(struct axis *axis, const char *text, int64_t now_ns);
    /* Forgets what it knew of the wire; the state is GREETING. greeted: the controller
     * has just said itself that it starts. */
    void (*connect)(struct axis *axis, bool greeted);
    /* Stops the motion; the state has just become HALTING, the queue is empty and
     * what is in flight abandoned. Ends with axis_halted or axis_freeze. */
    void (*halt)(struct axis *axis, bool now, int64_t now_ns);
    /* Its own timers, and INT64_MAX or the time of the next: greeting, halting. */
    void (*tick)(struct axis *axis, int64_t now_ns);
    int64_t (*deadline_ns)(const struct axis *axis);
    /* Bytes of the controller's buffer that queued lines may fill. */
    size_t (*budget)(const struct axis *axis);
    /* Lines in flight at most, whatever the buffer holds; below AXIS_LINE_ROOM. */
    size_t flight_room;
    /* NULL: a question is a line like others (AXIS_DO_QUERY), so lines are held back where
     * the controller would be too busy to answer. Otherwise it goes out by this, at any
     * time: sets query_open, or leaves query_wanted for later. */
    void (*ask)(struct axis *axis, int64_t now_ns);
};

/* Of 'status-polled' alone: how far its halt has come, and what its reports told. */
enum polled_halt {
    POLLED_HOLD,  /* slowing down */
    POLLED_RESET, /* until it greets */
    POLLED_QUIET, /* until it has said its piece */
    POLLED_SETUP, /* units, mode, the place that it stands at */
    POLLED_TELL,  /* until it has told where it stands */
};

/* What a report must show before the oldest line counts as taken. */
enum polled_check {
    POLLED_NO_CHECK,
    POLLED_CHECK_REST,  /* the axis is idle */
    POLLED_CHECK_PLACE, /* it stands at the coordinate that was set */
};

struct polled_state {
    bool spoken;          /* since it was opened: the next time it is reset first */
    bool reset_sent;      /* while waiting for a greeting */
    bool offset_known;    /* by reports, since the coordinate was last set */
    double offset_mm;     /* machine position - wire coordinate */
    double odd_offset_mm; /* another one, heard once; NaN */
    int64_t asked_ns;     /* latest question; query_asked_ns is of the first */
    bool paused_told;
    bool modes_seen, modes_right; /* in the answer to the latest question for them */
    int setup_tries;

    enum polled_check check; /* its `ok` came at check_ns */
    int64_t check_ns;
    double set_wire_mm; /* what the coordinate is set to */
    unsigned check_reports, early_oks;

    unsigned idle_reports; /* in a row from one place, while an answer is overdue */
    double idle_mm;

    enum polled_halt halt;
    int64_t halt_since_ns;
    unsigned rest_reports, resets;
    double rest_mm, stopped_wire_mm;
    bool place_lost;
};

struct axis {
    struct rig_axis settings;
    const struct axis_dialect *dialect;
    size_t flight_room; /* the dialect's, or fewer */
    enum axis_state state;

    struct axis_command queue[AXIS_QUEUE_ROOM];
    size_t queue_first, queue_count;

    /* kept <= head <= next <= tail, counted for ever, taken modulo the room:
     * [kept, head) answered, [head, next) in flight, [next, tail) to be sent again. */
    struct axis_line lines[AXIS_LINE_ROOM];
    uint64_t kept, head, next, tail;

    /* The line that is being handed out, and bytes that go before the next. */
    char out[AXIS_LINE_SIZE];
    size_t out_size, out_done;
    char urgent[AXIS_URGENT_ROOM];
    size_t urgent_size;

    char heard[AXIS_HEARD_SIZE];
    size_t heard_size;
    bool heard_long;

    struct axis_event events[AXIS_EVENT_ROOM];
    size_t event_first, event_count;

    bool ready; /* greeted, units and mode set */
    bool homed, position_known;
    bool target_known;
    double target_mm;                /* where the queued moves end */
    int64_t now_ns;                  /* the latest time that was handed in */
    int64_t answered_ns;             /* the last answer of any use, busy notices included */
    int64_t motion_end_ns;           /* when the motion handed out has ended, at the earliest */
    int64_t motion_from_ns;          /* since when it has been moving without a pause */
    int64_t ends_ns[AXIS_LINE_ROOM]; /* of the latest moves */
    uint64_t end_count;

    int64_t greeting_ns; /* when waiting began, -1: with the next time handed in */
    int64_t greeted_ns;  /* latest line heard since, -1: none */
    bool greeted;        /* one of them was a greeting */

    bool query_wanted, query_open, query_answered;
    int64_t query_asked_ns;

    bool halt_wanted, halt_now; /* asked for, not begun yet */
    int halt_tries;
    int halt_stale;  /* position answers due to earlier questions */
    int64_t halt_ns; /* latest try */

    /* acknowledged-lines */
    long number;   /* of the latest line */
    bool renumber; /* start at 0 again as soon as nothing is in flight */
    bool draining; /* after a request to resend, until the wire is quiet */
    int drain_expected, drain_heard;
    int64_t drain_until_ns;
    long resend_number;
    int resend_repeats, restart_hints;

    struct polled_state polled;
};

extern const struct axis_dialect axis_acknowledged, axis_polled, axis_described;

/* ---- axis.c, axis_flow.c, axis_events.c ---- */
void axis_say(struct axis *axis, enum axis_event_kind kind, uint64_t tag, int64_t now_ns,
              const char *text);
void axis_say_position(struct axis *axis, double stage_mm, int64_t asked_ns, int64_t now_ns);
/* Something fatal: event, and silence until the caller halts or connects. */
void axis_freeze(struct axis *axis, enum axis_event_kind kind, int64_t now_ns, const char *text);
/* The controller restarted: everything queued or in flight is void. */
void axis_lose(struct axis *axis, enum axis_event_kind kind, int64_t now_ns, const char *text);
/* The oldest line in flight is taken: events, next state. False when there is none. */
bool axis_accept(struct axis *axis, int64_t now_ns);
/* The motion has stopped on request, at stage_mm (NaN: not known). */
void axis_halted(struct axis *axis, double stage_mm, int64_t now_ns);
struct axis_line *axis_line_at(struct axis *axis, uint64_t place);
size_t axis_bytes_in_flight(const struct axis *axis); /* of lines not yet answered */
/* A line made by the dialect itself, not from the queue; false when the ring is full. */
bool axis_push(struct axis *axis, enum axis_command_kind kind, int step);
/* An answer of some use came: the time that the next may take starts again. */
void axis_answered(struct axis *axis, int64_t now_ns);
void axis_drop_queue(struct axis *axis);
/* A line in flight keeps the controller from hearing anything but a stop. */
bool axis_deaf(const struct axis *axis);
/* Since when the oldest line in flight could have been answered, and how long that may
 * take from then; some line is in flight. */
int64_t axis_waiting_since(const struct axis *axis, int64_t *limit_ns);

/* ---- axis_greeting.c ---- */
/* The words of a controller that has just started. */
bool axis_is_greeting(const char *text);
/* Waiting for a greeting begins with the next tick. */
void axis_greet(struct axis *axis);
/* The setting up, some of whose lines may be in flight, begins again. */
void axis_connect_again(struct axis *axis);
/* A greeting was heard while being set up: that begins again, after some quiet. */
void axis_greet_again(struct axis *axis, int64_t now_ns);
/* The first command, not done yet, is the setting up. */
bool axis_being_set_up(struct axis *axis);
/* In AXIS_STATE_GREETING: when it ends, with or without a greeting. */
int64_t axis_greeting_ends_ns(const struct axis *axis);

/* ---- axis_text.c: pure helpers on text ---- */
/* Appends a number with a fixed count of decimals, the same in every locale. */
size_t axis_put_number(char *text, size_t room, double value, int decimals);
/* A formatted piece into the line; cut when too long (never for what we send). */
void axis_put(struct axis_line *line, const char *text);
void axis_put_value(struct axis_line *line, char letter, double value, int decimals);
/* Case-insensitive: text begins with word / contains it. */
bool axis_begins(const char *text, const char *word);
bool axis_contains(const char *text, const char *word);
/* The number behind "LETTER:" or "LETTER" at the start of a word. */
bool axis_find_value(const char *text, char letter, bool colon, double *value);
/* The whole number right at text (blanks, ':' and one 'N' skipped), -1: none. */
long axis_find_count(const char *text);
/* Stage position to wire coordinate and back: the one place where the sign flips. */
double axis_to_wire(const struct axis *axis, double stage_mm);

#endif
