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
 * the NUL. More than `limit` bytes: RIG_EINPUT. "-" reads standard input. */
int file_read(const char *path, size_t limit, char **bytes, size_t *size, struct rig_err *err);

/* Replaces path by bytes: write PATH.new, fsync, rename, fsync of the folder. On
 * error the old file is untouched and PATH.new is gone. */
int file_replace(const char *path, const void *bytes, size_t size, struct rig_err *err);

/* Appends through a buffer. Not thread-safe. */
struct file_append;
/* Creates (O_EXCL) or, with `resume`, opens for appending. NULL on error. */
struct file_append *file_append_open(const char *path, int resume, struct rig_err *err);
/* Copies into the buffer; writes when it is full. A short or failed write is
 * remembered: nothing after it is written, and this and every later call return
 * the error, so that the file ends in whole rows or one cut row. */
int file_append_write(struct file_append *file, const void *bytes, size_t size,
                      struct rig_err *err);
/* Writes out the buffer and, with `sync`, calls fdatasync. */
int file_append_flush(struct file_append *file, int sync, struct rig_err *err);
uint64_t file_append_size(const struct file_append *file); /* bytes so far, buffer included */
int file_append_close(struct file_append *file, struct rig_err *err); /* flush, sync; NULL ok */

/* SHA-256 of a file as 64 hex digits and NUL, streamed. */
int file_sha256(const char *path, char hex[65], struct rig_err *err);

/* Makes one folder; RIG_EINPUT when it is there already and `fresh` is set. */
int file_make_folder(const char *path, int fresh, struct rig_err *err);
/* DIR "/" NAME into a fresh string; NULL when memory is out. */
char *file_join(const char *folder, const char *name);

#endif
