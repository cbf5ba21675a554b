/* SPDX-License-Identifier: GPL-3.0-or-later
 * A controller that is described by a file of the user's own (docs/wire.md): what is sent to
 * it, as templates, and what its answers mean, as patterns. Bytes in, a struct out; and
 * the two pure functions that the wire needs of it. */
#ifndef MOTION_CONTROLLER_H
#define MOTION_CONTROLLER_H

#include "base/err.h"

#include <stdbool.h>
#include <stddef.h>

enum {
    CONTROLLER_LINES = 8, /* of one kind */
    CONTROLLER_LINE_SIZE = 48,
    CONTROLLER_PATTERNS = 24,
    CONTROLLER_PATTERN_SIZE = 64,
};

/* What a line is sent for: kind, word of the file, how many there may be. */
#define CONTROLLER_SENT(X)                                                                         \
    X(CONTROLLER_START, "start", CONTROLLER_LINES)                                                 \
    X(CONTROLLER_HOME, "home", CONTROLLER_LINES)                                                   \
    X(CONTROLLER_PLACE, "place", 1)                                                                \
    X(CONTROLLER_MOVE, "move", 1)                                                                  \
    X(CONTROLLER_DWELL, "dwell", 1)                                                                \
    X(CONTROLLER_WAIT, "wait", 1)                                                                  \
    X(CONTROLLER_QUERY, "query", 1)                                                                \
    X(CONTROLLER_HALT, "halt", 1)                                                                  \
    X(CONTROLLER_KILL, "kill", 1)

enum controller_sent {
#define X(kind, word, most) kind,
    CONTROLLER_SENT(X)
#undef X
        CONTROLLER_SENT_COUNT
};

/* What an answer means. */
#define CONTROLLER_HEARD(X)                                                                        \
    X(CONTROLLER_GREETS, "greets")                                                                 \
    X(CONTROLLER_TAKEN, "taken")                                                                   \
    X(CONTROLLER_POSITION, "position")                                                             \
    X(CONTROLLER_BUSY, "busy")                                                                     \
    X(CONTROLLER_REFUSED, "refused")                                                               \
    X(CONTROLLER_ALARM, "alarm")

enum controller_heard {
#define X(kind, word) kind,
    CONTROLLER_HEARD(X)
#undef X
        CONTROLLER_CHATTER /* none of these */
};

/* A unit that a number on the wire has; steps are those of the rig's 'resolution'. */
enum controller_unit { UNIT_MM, UNIT_UM, UNIT_STEPS };

struct controller {
    bool given;
    char end[3]; /* of a line that is sent */
    int at_once; /* lines without an answer at most */
    char lines[CONTROLLER_SENT_COUNT][CONTROLLER_LINES][CONTROLLER_LINE_SIZE];
    int line_count[CONTROLLER_SENT_COUNT];
    struct controller_pattern {
        enum controller_heard means;
        bool takes; /* a position that stands for 'taken' too */
        char text[CONTROLLER_PATTERN_SIZE];
    } patterns[CONTROLLER_PATTERNS];
    int pattern_count;
};

/* What goes into a template. Unused ones may be anything. */
struct controller_values {
    char letter;
    double wire_mm, feed_mm_s, dwell_s, step_mm;
};

/* text[0..size) of the file called name. RIG_EINPUT with FILE:LINE:COLUMN. */
int controller_read(struct controller *controller, const char *name, const char *text, size_t size,
                    struct rig_err *err);

/* A line without its end into text, NUL-terminated; its size. Fields come from
 * controller_read, so nothing can be wrong with them; what does not fit is cut. */
size_t controller_compose(const char *template, const struct controller_values *values, char *text,
                          size_t room);
/* What a line from the controller means; *wire_mm: the position that it tells, NaN: none.
 * *takes: it stands for an answer to a line. */
enum controller_heard controller_hear(const struct controller *controller, const char *text,
                                      char letter, double step_mm, double *wire_mm, bool *takes);

/* A position or a feed as the template of a move sends it, back in mm and mm/s: what the
 * axis is really told. */
double controller_place_mm(const struct controller *controller, double wire_mm, double step_mm);
double controller_feed_mm_s(const struct controller *controller, double feed_mm_s, double step_mm);
double controller_feed_step_mm_s(const struct controller *controller, double step_mm);

#endif
