/* SPDX-License-Identifier: GPL-3.0-or-later
 * Private to the profile reader (motion/profile*.c). */
#ifndef MOTION_PROFILE_PARTS_H
#define MOTION_PROFILE_PARTS_H

#include "motion/profile.h"

struct profile_variable {
    const char *name;
    enum quantity_kind kind;
    int line;
};

struct profile_reader {
    struct profile *profile;
    struct units *units;
    struct rig_err *err;
    int variables; /* in force here */
    struct profile_variable variable[PROFILE_VARIABLE_LIMIT];
    int depth; /* of blocks around here */
};

/* Zeroed memory that lives as long as the profile; NULL: none left, err says so. */
void *profile_keep(struct profile *profile, size_t count, size_t size, struct rig_err *err);
/* A quantity, or the name of an 'each' of the same kind. */
int profile_value(struct profile_reader *reader, struct cursor *cursor, enum quantity_kind kind,
                  const char *what, struct profile_value *value);
/* The same, greater than zero as far as it is a number. */
int profile_positive(struct profile_reader *reader, struct cursor *cursor, enum quantity_kind kind,
                     const char *what, struct profile_value *value);
/* The statements that are no blocks; leaves the end of the line to the caller. */
int profile_read_move(struct profile_reader *reader, struct cursor *cursor, const char *word,
                      struct profile_node *node);

#endif
