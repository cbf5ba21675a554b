/* SPDX-License-Identifier: GPL-3.0-or-later
 * What the making of a recording and the going on with one share. Private to
 * results/recording_write.c and results/recording_resume.c. */
#ifndef RESULTS_RECORDING_WRITER_H
#define RESULTS_RECORDING_WRITER_H

#include "base/file.h"
#include "base/text.h"
#include "results/recording_parts.h"

enum { TABLE_LIMIT = RIG_SOURCE_LIMIT + TABLE_FIXED_COUNT };

struct recording_writer {
    char *folder;
    int lock_fd; /* of the folder, against other runs; -1: none yet */
    struct rig rig;
    struct run_document document; /* run.json, kept for the last writing */
    struct file_append *tables[TABLE_LIMIT];
    uint64_t synced[TABLE_LIMIT]; /* sizes at the last sync */
    bool reserved;
};

/* The first line of a table, appended to `header`. */
int writer_header(const struct rig *rig, size_t table, struct text *header, struct rig_err *err);
/* Of a table's file; the caller frees. NULL: no memory. */
char *writer_path(const struct recording_writer *writer, size_t table);
/* Replaces a small file; frees text. NULL: there was no memory for it. */
int writer_save_text(const char *folder, const char *name, char *text, struct rig_err *err);
/* Holds room back for the last rows. */
int writer_reserve(struct recording_writer *writer, struct rig_err *err);
/* The same where an earlier part of the run may have left its own. */
int writer_reserve_again(struct recording_writer *writer, struct rig_err *err);
void writer_free(struct recording_writer *writer);

#endif
