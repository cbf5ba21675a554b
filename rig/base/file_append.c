/* SPDX-License-Identifier: GPL-3.0-or-later
 * Appending through a buffer, with an error that is remembered. */
#include "base/file.h"

#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

enum { BUFFER_SIZE = 64 * 1024 };

struct file_append {
    int fd;
    char *path;
    uint64_t size;
    size_t used;
    struct rig_err failure; /* code RIG_OK until something failed */
    char buffer[BUFFER_SIZE];
};

static int remembered(const struct file_append *file, struct rig_err *err)
{
    if (err)
        *err = file->failure;
    return file->failure.code;
}

struct file_append *file_append_open(const char *path, int resume, struct rig_err *err)
{
    int flags = O_WRONLY | O_APPEND | O_CLOEXEC | O_NOCTTY | (resume ? 0 : O_CREAT | O_EXCL);
    int fd = open(path, flags, 0666);
    if (fd < 0 && errno == EEXIST) {
        rig_fail(err, RIG_EINPUT,
                 "%s: is there already and would be overwritten; give another name", path);
        return NULL;
    }
    if (fd < 0) {
        rig_fail_os(err, errno, "%s: can't be opened for writing", path);
        return NULL;
    }
    struct file_append *file = malloc(sizeof *file);
    struct stat status;
    if (!file || !(file->path = strdup(path))) {
        rig_fail_memory(err, path);
        goto fail;
    }
    if (fstat(fd, &status)) {
        rig_fail_os(err, errno, "%s: can't be examined", path);
        goto fail_named;
    }
    file->fd = fd;
    file->size = status.st_size > 0 ? (uint64_t)status.st_size : 0;
    file->used = 0;
    file->failure = (struct rig_err){0};
    return file;
fail_named:
    free(file->path);
fail:
    free(file);
    close(fd);
    if (!resume)
        unlink(path);
    return NULL;
}

/* Writes straight to the file; remembers what failed. */
static void write_out(struct file_append *file, const char *bytes, size_t size)
{
    while (size && !file->failure.code) {
        ssize_t put = write(file->fd, bytes, size);
        if (put < 0 && errno == EINTR)
            continue;
        if (put <= 0) { /* 0 would go on for ever */
            rig_fail_os(&file->failure, put < 0 ? errno : EIO, "%s: can't be written", file->path);
        } else {
            bytes += put;
            size -= (size_t)put;
        }
    }
}

static void empty_buffer(struct file_append *file)
{
    write_out(file, file->buffer, file->used);
    file->used = 0;
}

int file_append_write(struct file_append *file, const void *bytes, size_t size, struct rig_err *err)
{
    if (file->failure.code)
        return remembered(file, err);
    if (size > BUFFER_SIZE - file->used)
        empty_buffer(file);
    if (size > BUFFER_SIZE) {
        write_out(file, bytes, size);
    } else if (size) {
        memcpy(file->buffer + file->used, bytes, size);
        file->used += size;
    }
    if (file->failure.code)
        return remembered(file, err);
    file->size += size;
    return 0;
}

int file_append_flush(struct file_append *file, int sync, struct rig_err *err)
{
    if (!file->failure.code)
        empty_buffer(file);
    /* EINVAL: a pipe or a device, which has nothing to sync. Any other failure is
     * final: the kernel may have dropped the pages and won't report them again. */
    if (!file->failure.code && sync && fdatasync(file->fd) && errno != EINVAL)
        rig_fail_os(&file->failure, errno, "%s: can't be made safe on the disk", file->path);
    return file->failure.code ? remembered(file, err) : 0;
}

uint64_t file_append_size(const struct file_append *file)
{
    return file->size;
}

int file_append_close(struct file_append *file, struct rig_err *err)
{
    if (!file)
        return 0;
    int code = file_append_flush(file, 1, err);
    if (close(file->fd) && !code)
        code = rig_fail_os(err, errno, "%s: can't be written", file->path);
    free(file->path);
    free(file);
    return code;
}
