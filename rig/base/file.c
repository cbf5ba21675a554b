/* SPDX-License-Identifier: GPL-3.0-or-later
 * Whole files, and folders. Appending is in file_append.c. */
#include "base/file.h"

#include <errno.h>
#include <fcntl.h>
#include <nettle/sha2.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

/* A name that leads nowhere is for whoever typed it, the rest for the system. */
static int fail_reading(struct rig_err *err, int os_errno, const char *path)
{
    const char *what = NULL;
    if (os_errno == ENOENT)
        what = "there is no such file; check the name";
    else if (os_errno == EISDIR)
        what = "is a folder where a file belongs";
    else if (os_errno == ENOTDIR)
        what = "a part of this path is a file where a folder belongs";
    if (!what)
        return rig_fail_os(err, os_errno, "%s: can't be read", path);
    rig_fail(err, RIG_EINPUT, "%s: %s", path, what);
    if (err)
        err->os_errno = os_errno;
    return RIG_EINPUT;
}

static int fail_size(struct rig_err *err, const char *path, size_t limit)
{
    if (limit >= 1024 * 1024)
        return rig_fail(err, RIG_EINPUT, "%s: is larger than %zu MiB, the most that is read here",
                        path, limit / (1024 * 1024));
    return rig_fail(err, RIG_EINPUT, "%s: is larger than %zu bytes, the most that is read here",
                    path, limit);
}

/* Reads all of fd; expected: a first guess at its size. */
static int read_all(int fd, const char *path, size_t limit, size_t expected, char **bytes,
                    size_t *size, struct rig_err *err)
{
    size_t room = expected + 2, used = 0; /* one to see the end, one for the NUL */
    char *block = malloc(room);
    if (!block)
        return rig_fail_memory(err, path);
    for (;;) {
        if (used + 1 == room) {
            size_t larger = room < 65536 ? 65536 : room * 2;
            if (larger > limit + 2)
                larger = limit + 2;
            char *moved = larger > room ? realloc(block, larger) : NULL;
            if (!moved) {
                free(block);
                return larger > room ? rig_fail_memory(err, path) : fail_size(err, path, limit);
            }
            block = moved;
            room = larger;
        }
        ssize_t got = read(fd, block + used, room - 1 - used);
        if (got < 0 && errno == EINTR)
            continue;
        if (got < 0) {
            int saved = errno;
            free(block);
            return fail_reading(err, saved, path);
        }
        if (got == 0)
            break;
        used += (size_t)got;
        if (used > limit) {
            free(block);
            return fail_size(err, path, limit);
        }
    }
    block[used] = 0;
    *bytes = block;
    *size = used;
    return 0;
}

int file_read(const char *path, size_t limit, char **bytes, size_t *size, struct rig_err *err)
{
    if (limit > SIZE_MAX / 4)
        limit = SIZE_MAX / 4;
    if (strcmp(path, "-") == 0)
        return read_all(STDIN_FILENO, "standard input", limit, 0, bytes, size, err);
    int fd = open(path, O_RDONLY | O_CLOEXEC | O_NOCTTY);
    if (fd < 0)
        return fail_reading(err, errno, path);
    struct stat status;
    size_t expected = 0;
    int code = 0;
    if (fstat(fd, &status)) {
        code = fail_reading(err, errno, path);
    } else if (S_ISREG(status.st_mode)) {
        if ((uintmax_t)status.st_size > limit)
            code = fail_size(err, path, limit);
        else
            expected = (size_t)status.st_size;
    }
    if (!code)
        code = read_all(fd, path, limit, expected, bytes, size, err);
    close(fd);
    return code;
}

static int write_all(int fd, const char *bytes, size_t size)
{
    while (size) {
        ssize_t put = write(fd, bytes, size);
        if (put < 0 && errno == EINTR)
            continue;
        if (put <= 0) /* 0 would go on for ever */
            return put < 0 ? errno : EIO;
        bytes += put;
        size -= (size_t)put;
    }
    return 0;
}

/* A new name is durable only once its folder is. Some file systems can't do that
 * and say EINVAL: then nothing better is to be had. */
static int sync_folder_of(const char *path)
{
    const char *slash = strrchr(path, '/');
    char *folder = slash ? strndup(path, slash == path ? 1 : (size_t)(slash - path)) : strdup(".");
    if (!folder)
        return ENOMEM;
    int fd = open(folder, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    int failed = fd < 0 ? errno : 0;
    free(folder);
    if (fd < 0)
        return failed;
    if (fsync(fd) && errno != EINVAL)
        failed = errno;
    close(fd);
    return failed;
}

/* Writes and closes the new file. Returns an errno. */
static int write_new(const char *path, const void *bytes, size_t size)
{
    int fd = open(path, O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, 0666);
    if (fd < 0)
        return errno;
    int failed = write_all(fd, bytes, size);
    if (!failed && fsync(fd))
        failed = errno;
    if (close(fd) && !failed)
        failed = errno;
    return failed;
}

int file_replace(const char *path, const void *bytes, size_t size, struct rig_err *err)
{
    size_t room = strlen(path) + sizeof ".new";
    char *fresh = malloc(room);
    if (!fresh)
        return rig_fail_memory(err, path);
    snprintf(fresh, room, "%s.new", path);
    int failed = write_new(fresh, bytes, size);
    if (!failed && rename(fresh, path))
        failed = errno;
    if (failed)
        unlink(fresh);
    else
        failed = sync_folder_of(path);
    free(fresh);
    if (failed)
        return rig_fail_os(err, failed, "%s: can't be written", path);
    return 0;
}

static void digest_hex(struct sha256_ctx *context, char hex[65])
{
    uint8_t digest[SHA256_DIGEST_SIZE];
    sha256_digest(context, sizeof digest, digest);
    for (size_t i = 0; i < sizeof digest; i++) {
        hex[2 * i] = "0123456789abcdef"[digest[i] >> 4];
        hex[2 * i + 1] = "0123456789abcdef"[digest[i] & 15];
    }
    hex[64] = 0;
}

void bytes_sha256(const void *bytes, size_t size, char hex[65])
{
    struct sha256_ctx context;
    sha256_init(&context);
    sha256_update(&context, size, bytes);
    digest_hex(&context, hex);
}

int file_sync_name(const char *path, struct rig_err *err)
{
    int failed = sync_folder_of(path);
    return failed ? rig_fail_os(err, failed, "%s: can't be made safe", path) : 0;
}

int file_sha256(const char *path, char hex[65], struct rig_err *err)
{
    enum { BLOCK = 65536 };
    int fd = open(path, O_RDONLY | O_CLOEXEC | O_NOCTTY);
    if (fd < 0)
        return fail_reading(err, errno, path);
    uint8_t *block = malloc(BLOCK);
    if (!block) {
        close(fd);
        return rig_fail_memory(err, path);
    }
    struct sha256_ctx context;
    sha256_init(&context);
    int failed = 0;
    for (;;) {
        ssize_t got = read(fd, block, BLOCK);
        if (got < 0 && errno == EINTR)
            continue;
        if (got < 0)
            failed = errno;
        if (got <= 0)
            break;
        sha256_update(&context, (size_t)got, block);
    }
    free(block);
    close(fd);
    if (failed)
        return fail_reading(err, failed, path);
    digest_hex(&context, hex);
    return 0;
}

int file_make_folder(const char *path, int fresh, struct rig_err *err)
{
    if (mkdir(path, 0777) == 0)
        return file_sync_name(path, err);
    int saved = errno;
    struct stat status;
    if (saved != EEXIST || stat(path, &status))
        return rig_fail_os(err, saved, "%s: can't be made", path);
    if (!S_ISDIR(status.st_mode))
        return rig_fail(err, RIG_EINPUT, "%s: is a file where a folder belongs", path);
    if (fresh)
        return rig_fail(err, RIG_EINPUT,
                        "%s: is there already and would be overwritten; give another name", path);
    return 0;
}

char *file_join(const char *folder, const char *name)
{
    size_t length = strlen(folder);
    size_t room = length + strlen(name) + 2;
    bool joint = length && folder[length - 1] != '/'; /* "" is here, not the root */
    char *path = malloc(room);
    if (path)
        snprintf(path, room, "%s%s%s", folder, joint ? "/" : "", name);
    return path;
}

int file_reserve(const char *path, size_t size, struct rig_err *err)
{
    int fd = open(path, O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC, 0666);
    if (fd < 0)
        return rig_fail_os(err, errno, "%s: can't be made", path);
    int full = posix_fallocate(fd, 0, (off_t)size);
    close(fd);
    if (full != ENOSPC && full != EDQUOT)
        return RIG_OK;
    unlink(path);
    return rig_fail_os(err, full, "%s: has no room for %zu kB", path, size / 1024);
}
