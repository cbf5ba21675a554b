/* SPDX-License-Identifier: GPL-3.0-or-later
 * A file in a folder that everybody may write to: it is opened without following links and
 * is never removed, since another process may be about to lock it. */
#include "rig/axis_lock.h"

#include <errno.h>
#include <fcntl.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

/* /dev/ttyUSB0 -> FOLDER/wetsweep-dev-ttyUSB0.lock */
static int lock_path(char *path, size_t room, const char *folder, const char *port)
{
    char *real = realpath(port, NULL);
    int size = snprintf(path, room, "%s/wetsweep-%.180s.lock", folder,
                        real ? real + (real[0] == '/') : port);
    free(real);
    if (size < 0 || (size_t)size >= room)
        return -1;
    for (char *at = path + strlen(folder) + 1; *at; at++)
        if (*at == '/' || *at == ':')
            *at = '-';
    return 0;
}

/* A file of another user's in such a folder can't be opened with O_CREAT (Linux,
 * fs.protected_regular), so what is there is tried first. */
static int open_file(const char *path)
{
    for (int turn = 0; turn < 3; turn++) {
        int fd = open(path, O_RDWR | O_NOFOLLOW | O_CLOEXEC);
        if (fd >= 0 || errno != ENOENT)
            return fd;
        fd = open(path, O_RDWR | O_CREAT | O_EXCL | O_NOFOLLOW | O_CLOEXEC, 0666);
        if (fd >= 0) {
            (void)fchmod(fd, 0666); /* for the next user, whatever the umask */
            return fd;
        }
        if (errno != EEXIST)
            return fd;
    }
    return -1;
}

static void write_holder(int fd, const char *holder)
{
    char line[400], since[32] = "?";
    time_t now = time(NULL);
    struct tm local;
    if (localtime_r(&now, &local))
        strftime(since, sizeof since, "%Y-%m-%d %H:%M", &local);
    int size = snprintf(line, sizeof line, "process %ld, %.250s, since %s\n", (long)getpid(),
                        holder, since);
    /* What is written is for people; the lock holds without it. */
    if (ftruncate(fd, 0) == 0 && size > 0 && pwrite(fd, line, (size_t)size, 0) < 0)
        return;
}

static void read_holder(int fd, char *holder, size_t room)
{
    ssize_t size = pread(fd, holder, room - 1, 0);
    holder[size > 0 ? size : 0] = 0;
    holder[strcspn(holder, "\n")] = 0;
    for (char *at = holder; *at; at++)
        if ((unsigned char)*at < ' ' || *at == 0x7f)
            *at = '?';
}

int axis_lock_take(const char *folder, const char *port, const char *holder, struct rig_err *err)
{
    const char *const folders[] = {folder ? folder : "/run/lock", folder ? NULL : "/tmp"};
    char path[512], who[300];
    int fd = -1, os_errno = ENAMETOOLONG;
    for (size_t i = 0; i < 2 && fd < 0 && folders[i]; i++) {
        if (lock_path(path, sizeof path, folders[i], port))
            break;
        fd = open_file(path);
        os_errno = errno;
    }
    if (fd < 0) {
        rig_fail_os(err, os_errno, "the axis can't be locked against a second run: %.200s", path);
        return -1;
    }
    if (flock(fd, LOCK_EX | LOCK_NB) == 0) {
        write_holder(fd, holder);
        return fd;
    }
    os_errno = errno;
    if (os_errno == EWOULDBLOCK) {
        read_holder(fd, who, sizeof who);
        rig_fail(err, RIG_EOS,
                 "the axis on %.100s is in use by another run (%s); wait for its end, or stop it",
                 port, who[0] ? who : "who is not known");
    } else {
        rig_fail_os(err, os_errno, "the axis can't be locked against a second run: %.200s", path);
    }
    close(fd);
    return -1;
}
