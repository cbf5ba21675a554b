/* SPDX-License-Identifier: GPL-3.0-or-later
 * Private to the rig file reader (motion/rigfile*.c) and to the test that holds
 * docs/formats.md against it: one table of statements a block. */
#ifndef MOTION_RIGFILE_PARTS_H
#define MOTION_RIGFILE_PARTS_H

#include "base/statement.h"
#include "motion/rigfile.h"

enum { RIG_SLOTS = 20 };

/* Where each statement of a block was seen, so that none is given twice and no
 * needed one is left out. */
struct rig_block {
    struct rig *rig;
    struct rig_source *source;
    const struct statement *statement; /* that opened the block */
    int seen_line[RIG_SLOTS];
    const struct statement *seen[RIG_SLOTS];
};

struct rig_word {
    const char *word;
    int (*read)(struct rig_block *block, struct cursor *cursor);
    const char *example; /* a whole statement; also in docs/formats.md */
};

/* Each ends with a NULL word. */
extern const struct rig_word rig_axis_words[];
extern const struct rig_word rig_water_words[];
extern const struct rig_word rig_source_words[];

/* Reads every statement of a block by its table. */
int rig_read_block(struct rig_block *block, const struct rig_word words[],
                   const struct statements *in, struct units *units, struct rig_err *err);
/* Notes that slot is given here; an error when it was before. */
int rig_once(struct rig_block *block, struct cursor *cursor, int slot);
/* An error at the statement that opened the block, with the example, unless seen. */
int rig_need(const struct rig_block *block, const struct cursor *opening, int slot,
             const char *what, const char *example);
/* The next quantity must be greater than zero. */
int rig_positive(struct cursor *cursor, enum quantity_kind kind, const char *what, double *value);
/* Text of at most room - 1 bytes without control bytes. */
int rig_text(struct cursor *cursor, const char *what, char *to, size_t room);
/* PATH [at N baud]. */
int rig_port(struct cursor *cursor, char *port, int *baud);

/* ---- rigfile_frame.c: binary frames ---- */
/* Each reads what follows its word. */
int rig_frame_size(struct cursor *cursor, struct rig_frame *frame);
int rig_frame_sync(struct cursor *cursor, struct rig_frame *frame);
int rig_frame_check(struct cursor *cursor, struct rig_frame *frame);
int rig_frame_field(struct cursor *cursor, struct rig_field *field);
/* A field lies within the frame (of a source of frames), behind sync and off the check;
 * token: of its byte's number. */
int rig_frame_holds(const struct cursor *cursor, size_t token, const struct rig_source *source,
                    const struct rig_field *field);
/* Sync and check where they belong; the slots where they were seen. */
int rig_frame_finish(const struct rig_block *block, const struct cursor *opening, int sync_slot,
                     int check_slot);

int rig_axis_finish(struct rig_block *block, const struct cursor *opening);
int rig_source_finish(struct rig_block *block, const struct cursor *opening);
int rig_water_finish(struct rig_block *block, const struct cursor *opening);

#endif
