/* SPDX-License-Identifier: GPL-3.0-or-later
 * Statements of bench files as a table: what follows a word, and where it goes in the
 * truth. Private to the simulated bench; docs/formats.md is the description for people. */
#ifndef RIG_SIM_FILE_H
#define RIG_SIM_FILE_H

#include "base/statement.h"
#include "rig/sim.h"

/* Kinds beyond those of base: in the unit that the block's curve or output names. */
enum { SIM_READING = QUANTITY_KIND_COUNT };

/* "KEYWORDS VALUE [per PER]"; slots of one statement are set apart by commas, or by
 * their keywords alone. */
struct sim_slot {
    const char *keywords; /* one or two words, "" for none */
    const char *what;     /* for errors: "the delay" */
    int kind;             /* enum quantity_kind or SIM_READING */
    const char *per;      /* NULL, or a word that must follow: "h" */
    double low, high;     /* in our unit */
    size_t offset;        /* of a double in the block's struct */
    bool optional;
};

enum { SIM_SLOTS = 3 };

struct sim_block_file {
    void *fields; /* struct sim_truth or struct sim_link */
    char *unit;   /* of readings in this block; "" until named */
    struct sim_truth *truth;
};

struct sim_word {
    const char *word;
    struct sim_slot slots[SIM_SLOTS]; /* used up to the first without `what` */
    /* Where slots can't say it. */
    int (*read)(struct sim_block_file *block, struct cursor *cursor);
    /* With this second word it is another statement, and may stand beside the first. */
    const char *variant;
};

extern const struct sim_word sim_axis_words[], sim_water_words[], sim_board_words[],
    sim_link_words[]; /* each ends with word NULL */

/* The statement that `cursor` has stepped into, behind its first word. */
int sim_read_slots(struct sim_block_file *block, const struct sim_word *word,
                   struct cursor *cursor);
/* A number in the block's unit, as SIM_READING. */
int sim_read_reading(const struct sim_block_file *block, struct cursor *cursor, const char *what,
                     double *value);

#endif
