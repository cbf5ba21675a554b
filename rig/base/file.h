/* SPDX-License-Identifier: GPL-3.0-or-later
 * Files that survive: whole-file reads with a limit, atomic replacement, and
 * appending with a bound on what a power cut can cost. The only place in
 * base that touches the file system. */
#ifndef BASE_FILE_H
#define BASE_FILE_H

#include "base/err.h"

#include <stddef.h>
#include <stdint.h>

/* The whole file as a NUL-terminated block that the caller frees; *size without
 * the NUL. "-" reads standard input. RIG_EINPUT: more than `limit` bytes (of a regular
 * file before anything is read), no such file, a folder. */
int file_read(const char *path, size_t limit, char **bytes, size_t *size, struct rig_err *err);

/* Replaces path by bytes: write PATH.new, fsync, rename, fsync of the folder. On
 * error the old file is untouched and PATH.new is gone; only when it is the folder that
 * can't be synced, the new file is in place already but might not survive a power cut.
 * A symbolic link is replaced, not followed. */
int file_replace(const char *path, const void *bytes, size_t size, struct rig_err *err);

/* Appends through a buffer. Not thread-safe. */
struct file_append;
/* Creates (RIG_EINPUT when it is there) or, with `resume`, opens for appending what is
 * there. NULL on error. */
struct file_append *file_append_open(const char *path, int resume, struct rig_err *err);
/* Copies into the buffer; writes when it is full. A short or failed write is
 * remembered: nothing after it is written, and this and every later call return
 * the error, so that the file ends in whole rows or one cut row. */
int file_append_write(struct file_append *file, const void *bytes, size_t size,
                      struct rig_err *err);
/* Writes out the buffer and, with `sync`, calls fdatasync. */
int file_append_flush(struct file_append *file, int sync, struct rig_err *err);
uint64_t file_append_size(const struct file_append *file); /* bytes so far, buffer included */
/* Flushes, syncs and frees, in any case. NULL allowed. */
int file_append_close(struct file_append *file, struct rig_err *err);

/* A new file that holds room on the disk and nothing else. A disk without so much room is RIG_EOS;
 * a file system that can't hold room ahead, or a limit on the size of files, is no error. */
int file_reserve(const char *path, size_t size, struct rig_err *err);

/* What a power cut may leave behind the last end of line is taken off, durably; *cut: how many
 * bytes. Without an end of line nothing stays. */
int file_cut_line(const char *path, uint64_t *cut, struct rig_err *err);
/* The first, or the last, bytes of a file, at most `room`; *got says how many. */
int file_head(const char *path, char *bytes, size_t room, size_t *got, struct rig_err *err);
int file_tail(const char *path, char *bytes, size_t room, size_t *got, struct rig_err *err);
/* A lock on a folder against other processes that take it too, held until the descriptor is
 * closed, in whatever way. -1: RIG_EINPUT when another has it, RIG_EOS. */
int file_lock_folder(const char *path, struct rig_err *err);

/* SHA-256 (FIPS 180-4) of a file as 64 hex digits and NUL, streamed. */
int file_sha256(const char *path, char hex[65], struct rig_err *err);
/* The same of bytes in memory. */
void bytes_sha256(const void *bytes, size_t size, char hex[65]);
/* Makes the name of a file or folder durable, by a sync of the folder it is in. */
int file_sync_name(const char *path, struct rig_err *err);

/* Makes one folder, durably; RIG_EINPUT when it is there already and `fresh` is set, or
 * when a file is in its place. */
int file_make_folder(const char *path, int fresh, struct rig_err *err);
/* DIR "/" NAME into a fresh string (NAME alone for an empty DIR); NULL when memory is
 * out. */
char *file_join(const char *folder, const char *name);

#endif
