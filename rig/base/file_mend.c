/* SPDX-License-Identifier: GPL-3.0-or-later
 * Files that somebody else's end left as they are: their head and tail, a cut last line, and
 * whose they are now. */
#include "base/file.h"

#include <errno.h>
#include <fcntl.h>
#include <string.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <unistd.h>

static int open_at(const char *path, int flags, uint64_t *size, struct rig_err *err)
{
    struct stat status;
    int fd = open(path, flags | O_CLOEXEC | O_NOCTTY);
    if (fd < 0 || fstat(fd, &status)) {
        rig_fail_os(err, errno, "%s: can't be opened", path);
        if (fd >= 0)
            close(fd);
        return -1;
    }
    *size = status.st_size > 0 ? (uint64_t)status.st_size : 0;
    return fd;
}

/* All of it, or less at the file's end. */
static int read_at(int fd, const char *path, char *bytes, size_t room, uint64_t at, size_t *got,
                   struct rig_err *err)
{
    *got = 0;
    while (*got < room) {
        ssize_t now = pread(fd, bytes + *got, room - *got, (off_t)(at + *got));
        if (now < 0 && errno == EINTR)
            continue;
        if (now < 0)
            return rig_fail_os(err, errno, "%s: can't be read", path);
        if (now == 0)
            break;
        *got += (size_t)now;
    }
    return RIG_OK;
}

int file_head(const char *path, char *bytes, size_t room, size_t *got, struct rig_err *err)
{
    uint64_t size;
    int fd = open_at(path, O_RDONLY, &size, err);
    if (fd < 0)
        return RIG_EOS;
    int code = read_at(fd, path, bytes, room, 0, got, err);
    close(fd);
    return code;
}

int file_tail(const char *path, char *bytes, size_t room, size_t *got, struct rig_err *err)
{
    uint64_t size;
    int fd = open_at(path, O_RDONLY, &size, err);
    if (fd < 0)
        return RIG_EOS;
    int code = read_at(fd, path, bytes, room, size > room ? size - room : 0, got, err);
    close(fd);
    return code;
}

/* Where the last line ends; 0: there is none. */
static int find_end(int fd, const char *path, uint64_t size, uint64_t *end, struct rig_err *err)
{
    char block[4096];
    *end = 0;
    while (size > 0) {
        size_t room = size < sizeof block ? (size_t)size : sizeof block, got;
        int code = read_at(fd, path, block, room, size - room, &got, err);
        if (code)
            return code;
        for (size_t i = got; i-- > 0;)
            if (block[i] == '\n') {
                *end = size - room + i + 1;
                return RIG_OK;
            }
        size -= room;
    }
    return RIG_OK;
}

int file_cut_line(const char *path, uint64_t *cut, struct rig_err *err)
{
    uint64_t size, end;
    int fd = open_at(path, O_RDWR, &size, err);
    if (fd < 0)
        return RIG_EOS;
    int code = find_end(fd, path, size, &end, err);
    if (!code && end < size && (ftruncate(fd, (off_t)end) || fsync(fd)))
        code = rig_fail_os(err, errno, "%s: its cut last line can't be taken off", path);
    close(fd);
    *cut = code ? 0 : size - end;
    return code;
}

int file_lock_folder(const char *path, struct rig_err *err)
{
    int fd = open(path, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (fd < 0) {
        rig_fail_os(err, errno, "%s: can't be opened", path);
        return -1;
    }
    if (flock(fd, LOCK_EX | LOCK_NB) == 0)
        return fd;
    if (errno == EWOULDBLOCK)
        rig_fail(err, RIG_EINPUT, "%s: another run is writing there; let it end first", path);
    else
        rig_fail_os(err, errno, "%s: can't be locked", path);
    close(fd);
    return -1;
}
