/* SPDX-License-Identifier: GPL-3.0-or-later
 * The other end of the wire 'acknowledged-lines', for tests of the host's end: counts
 * lines, verifies checksums, holds few moves, answers when asked to; and a line between
 * the two that damages and loses bytes. Independent of the simulated bench. */
#ifndef TESTS_WIRE_MODEL_H
#define TESTS_WIRE_MODEL_H

#include "motion/axis.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum { WIRE_TAKEN = 4096 };

struct wire_model {
    /* settings */
    size_t buffer_bytes;  /* of the receive buffer; more is lost and counted */
    size_t planner_moves; /* held at most; a further one waits, and all behind it */
    bool flushes;         /* throws the receive buffer away with a damaged line */
    bool quiet_errors;    /* no error text before a request to resend */
    bool short_resend;    /* "rs 5" in place of "Resend: 5" */
    bool numbers_ok;      /* "ok N5" */
    bool busy;            /* notices every two seconds while it works */
    int64_t answer_ns;    /* from line to answer */
    double noise;         /* chance that a byte is damaged or lost, either way */
    uint64_t random;
    /* state */
    int64_t now_ns;
    char received[512];
    size_t received_size, overruns, most_received;
    long last_number;
    double place_mm;
    int64_t ends_ns[64]; /* of the moves held */
    size_t moves;
    int64_t blocked_until_ns; /* dwell, home, settle */
    bool answer_waits;
    int64_t busy_ns;
    char said[8192];
    size_t said_size;
    int64_t said_ns[8192];
    size_t clean_in, clean_out; /* bytes since the last damaged one */
    /* what it did */
    char taken[WIRE_TAKEN][48]; /* words of each line taken, without number */
    size_t taken_count, damaged;
};

void wire_model_open(struct wire_model *model, uint64_t seed);
void wire_model_hear(struct wire_model *model, const char *bytes, size_t size);
size_t wire_model_say(struct wire_model *model, char *bytes, size_t room);
void wire_model_until(struct wire_model *model, int64_t now_ns);
void wire_model_speak(struct wire_model *model, const char *text); /* adds an end of line */

/* A rig's axis for tests: letter Z, 0 to 200 mm, 60 mm/s, homes to 0. */
struct rig_axis wire_axis(void);

/* Lets both talk for `seconds`, in steps of a millisecond; events go to `sink` (NULL
 * allowed), which may queue more. */
void wire_run(struct axis *axis, struct wire_model *model, double seconds,
              void (*sink)(void *context, const struct axis_event *event), void *context);

#endif
