/* SPDX-License-Identifier: GPL-3.0-or-later
 * The other end of the wire 'status-polled', for tests of the host's end: a buffer, a
 * planner of moves at constant speed, single characters obeyed at once; and a line
 * between the two that damages and loses bytes. Independent of the simulated bench. */
#ifndef TESTS_POLLED_MODEL_H
#define TESTS_POLLED_MODEL_H

#include "motion/axis.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum { POLLED_TAKEN = 4096, POLLED_MOVES = 64 };

struct polled_model {
    /* settings */
    size_t buffer_bytes, planner_moves;
    int64_t answer_ns;
    double noise_in, noise_out; /* chance of a byte to be damaged or lost, either way */
    bool old_reports;           /* commas, both positions, no offset */
    bool never_offset;          /* machine position only */
    bool homing_deaf;           /* questions during homing are answered after it */
    unsigned lose_ok;           /* the so manieth answer from now gets lost; 0: none */
    unsigned lose_line;         /* likewise a line from the host */
    uint64_t random;
    /* state */
    int64_t now_ns;
    char received[512];
    size_t received_size, overruns, most_received;
    double machine_mm, offset_mm; /* at rest; of the coordinate that lines use */
    struct polled_move {
        double from_mm, to_mm;
        int64_t start_ns, end_ns;
    } moves[POLLED_MOVES];
    size_t move_count;
    bool locked, held, homing, dwells, inches, relative;
    int64_t held_ns, blocked_until_ns;
    double dwell_s;
    unsigned questions_waiting;
    char said[8192];
    size_t said_size;
    int64_t said_ns[8192];
    /* what it did */
    char taken[POLLED_TAKEN][48];
    size_t taken_count, damaged, resets, resets_in_motion, reports, answers;
};

void polled_model_open(struct polled_model *model, uint64_t seed);
void polled_model_hear(struct polled_model *model, const char *bytes, size_t size);
size_t polled_model_say(struct polled_model *model, char *bytes, size_t room);
void polled_model_until(struct polled_model *model, int64_t now_ns);
void polled_model_speak(struct polled_model *model, const char *text);
double polled_model_wire_mm(const struct polled_model *model);
bool polled_model_rests(const struct polled_model *model);

/* wire_axis() of wire_model.h, for this wire. */
struct rig_axis polled_axis(void);

void polled_run(struct axis *axis, struct polled_model *model, double seconds,
                void (*sink)(void *context, const struct axis_event *event), void *context);

#endif
