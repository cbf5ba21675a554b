/* SPDX-License-Identifier: GPL-3.0-or-later
 * What a channel on the stage saw of it (a reference or a trip), gathered row by row: of a
 * reference some hundred rows a stroke, of a trip where it changed. Memory doesn't grow with
 * the recording: some megabytes a channel at most. Parts of a file add up to the whole. Pure. */
#ifndef RESULTS_WITNESS_H
#define RESULTS_WITNESS_H

#include "base/err.h"
#include "motion/rigfile.h"
#include "results/timeline.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum { WITNESS_ROWS = 1 << 17, WITNESS_ROWS_A_STROKE = 256, WITNESS_EDGES = 1 << 16 };

struct witness_row {
    double t_s; /* of the host; the source's delay is taken off */
    float value;
    uint32_t stroke;
};

/* The channel changed between two rows. */
struct witness_edge {
    double t_s, half_s; /* middle between them, and half their distance */
    float before, after;
    uint32_t stroke;
};

struct witness {
    enum channel_role role; /* ROLE_REFERENCE or ROLE_TRIP */
    const struct timeline *timeline;
    size_t slots; /* rows kept a stroke, at most */
    double late_s;
    struct witness_row *rows;
    size_t count, room;
    uint64_t last_slot; /* index of the last row kept, plus one */
    struct witness_edge *edges;
    size_t edge_count, edge_room;
    bool chatters;          /* more edges than a switch on a stage can have */
    uint64_t seen, missing; /* rows inside strokes; those without a value */
    double low, high;       /* values seen; NaN: none */
    double first_s, last_s; /* times of the first and last row with a value, with it: for */
    double first, last;     /* an edge that lies between two parts */
    size_t hint;
};

/* timeline is kept: its strokes say when rows matter, and must outlive this. late_s is taken
 * off all times. */
void witness_begin(struct witness *witness, enum channel_role role, const struct timeline *timeline,
                   double late_s);
void witness_free(struct witness *witness); /* zeroed allowed */

/* Rows in order of time (others are passed over); NaN where the channel had no value. */
int witness_add(struct witness *witness, const double host_s[], const double values[], size_t rows,
                struct rig_err *err);
/* A part that should be merged before it goes on. */
bool witness_full(const struct witness *part);
/* Adds what follows in the file; `next` is empty then. */
int witness_merge(struct witness *witness, struct witness *next, struct rig_err *err);

/* Once all rows are there: leaves only the edges that cross the middle between the lowest and
 * the highest value, the first of those that follow one another within 20 ms (contacts bounce). */
void witness_settle(struct witness *witness);

#endif
