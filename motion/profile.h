/* SPDX-License-Identifier: GPL-3.0-or-later
 * The profile language: text in, a tree of what shall happen out. Knows units,
 * kinds and nesting; knows nothing of a rig's limits (the planner checks those,
 * with the places kept here). */
#ifndef MOTION_PROFILE_H
#define MOTION_PROFILE_H

#include "base/statement.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum profile_kind {
    PROFILE_RAMP,
    PROFILE_STEP,
    PROFILE_HOLD,
    PROFILE_STAIRS,
    PROFILE_SINE,
    PROFILE_FOLLOW,
    PROFILE_TOUCH,
    PROFILE_MARK,
    PROFILE_REPEAT,     /* count times */
    PROFILE_REPEAT_FOR, /* whole times, the last begun before `time` is over */
    PROFILE_EACH
};

/* A quantity as written: a number, or the name of an 'each' around it. */
struct profile_value {
    double number; /* in our unit; unused with a variable */
    int variable;  /* index of the variable, -1: none */
    size_t token;  /* where it stands in its statement */
};

struct profile_node {
    enum profile_kind kind;
    const struct statement *statement;
    struct profile_value from, to; /* depth; ramp and step: to; sine: from is the centre */
    struct profile_value within;   /* touch when has_within: above the datum and below it */
    struct profile_value speed;    /* ramp; stairs, touch when has_speed */
    struct profile_value time;     /* hold, stairs (each hold), repeat for */
    struct profile_value amplitude, low_hz, high_hz; /* sine; one frequency: low_hz */
    bool has_speed, has_within, both_ways, may_shrink;
    int64_t count; /* repeat; steps of stairs; frequencies of a sine */
    int64_t cycles;
    const char *text;     /* mark; path of follow */
    int variable;         /* each */
    const double *values; /* each; owned by the profile */
    size_t value_count;
    const struct profile_node *body;
    size_t body_count;
};

struct profile {
    struct statements statements; /* tokens, and the name for errors */
    const char *title;            /* "" if none */
    bool has_start;
    struct profile_value start;
    const struct statement *start_statement;
    const struct profile_node *body;
    size_t body_count;
    int variable_count; /* the most in force at once */
    void *blocks;       /* private */
};

/* Variables are numbered by nesting: the outermost 'each' is 0. */
enum { PROFILE_VARIABLE_LIMIT = STATEMENT_DEPTH_LIMIT, PROFILE_VALUE_LIMIT = 1000 };

/* All statements, and an example of each; ends with a NULL word. */
struct profile_word {
    const char *word, *example;
};
extern const struct profile_word profile_words[];

/* On error RIG_EINPUT with FILE:LINE:COLUMN (or RIG_EMEMORY) and nothing is kept. */
int profile_read(struct profile *profile, const char *name, const char *text, size_t size,
                 struct units *units, struct rig_err *err);
void profile_free(struct profile *profile); /* zeroed allowed */

/* An error at token number `token` of a statement of this profile. */
int profile_fail(const struct profile *profile, const struct statement *statement, size_t token,
                 enum rig_code code, struct rig_err *err, const char *format, ...)
    __attribute__((format(printf, 6, 7)));

#endif
