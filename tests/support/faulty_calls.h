/* SPDX-License-Identifier: GPL-3.0-or-later
 * Calls to the system that fail when told to, for tests of what is left on the disk
 * then, and a folder to do that in. Defines open, write, fsync, ... for the whole test
 * program: include it in one file of it only. They hand on to the kernel until one is
 * to fail. */
#ifndef TESTS_FAULTY_CALLS_H
#define TESTS_FAULTY_CALLS_H

#include "check.h"

#include "base/file.h"

#include <errno.h>
#include <fcntl.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <unistd.h>

/* The call that fails: counted from 1 over all kinds; 0 for none. `kinds` counts the
 * calls that were made of each. */
static struct {
    int fail_at, fail_errno, calls;
    bool for_ever;
    size_t write_most; /* a write moves no more than this; 0: as asked */
    int interrupt;     /* so many writes and reads are interrupted first */
    const char *failed;
} faults;

static bool fails(const char *call)
{
    faults.calls++;
    if (!faults.fail_at || faults.calls < faults.fail_at ||
        (faults.calls > faults.fail_at && !faults.for_ever))
        return false;
    if (!faults.failed)
        faults.failed = call;
    errno = faults.fail_errno;
    return true;
}

int open(const char *path, int flags, ...)
{
    va_list arguments;
    va_start(arguments, flags);
    int mode = flags & O_CREAT ? va_arg(arguments, int) : 0;
    va_end(arguments);
    if (fails("open"))
        return -1;
    return (int)syscall(SYS_openat, AT_FDCWD, path, flags, mode);
}

ssize_t write(int fd, const void *bytes, size_t size)
{
    if (faults.interrupt) {
        faults.interrupt--;
        errno = EINTR;
        return -1;
    }
    if (fd > 2 && fails("write"))
        return -1;
    if (fd > 2 && faults.write_most && size > faults.write_most)
        size = faults.write_most;
    return syscall(SYS_write, fd, bytes, size);
}

ssize_t read(int fd, void *bytes, size_t size)
{
    if (faults.interrupt) {
        faults.interrupt--;
        errno = EINTR;
        return -1;
    }
    if (fails("read"))
        return -1;
    return syscall(SYS_read, fd, bytes, size);
}

int fsync(int fd)
{
    return fails("fsync") ? -1 : (int)syscall(SYS_fsync, fd);
}

int fdatasync(int fd)
{
    return fails("fdatasync") ? -1 : (int)syscall(SYS_fdatasync, fd);
}

int rename(const char *from, const char *to)
{
    return fails("rename") ? -1 : renameat(AT_FDCWD, from, AT_FDCWD, to);
}

int close(int fd) /* a file is closed even where close reports an error (Linux) */
{
    bool failed = fails("close");
    int saved = errno;
    int result = (int)syscall(SYS_close, fd);
    errno = saved;
    return failed ? -1 : result;
}

static char folder[] = "/tmp/wetsweep-file-XXXXXX";
static struct rig_err err;

static int make_folder(void **state)
{
    (void)state;
    return mkdtemp(folder) ? 0 : -1;
}

static int remove_folder(void **state)
{
    (void)state;
    char command[80];
    snprintf(command, sizeof command, "rm -r %s", folder);
    return system(command);
}

static int no_faults(void **state)
{
    (void)state;
    memset(&faults, 0, sizeof faults);
    err = (struct rig_err){0};
    return 0;
}

static const char *path_of(const char *name)
{
    static char paths[4][200];
    static int next;
    char *path = paths[next++ % 4];
    snprintf(path, sizeof paths[0], "%s/%s", folder, name);
    return path;
}

static bool exists(const char *path)
{
    struct stat status;
    return lstat(path, &status) == 0;
}

static void assert_holds(const char *path, const char *expected)
{
    char *bytes;
    size_t size;
    struct rig_err trouble = {0};
    if (file_read(path, 1 << 20, &bytes, &size, &trouble))
        fail_msg("%s", trouble.text);
    assert_int_equal(size, strlen(expected));
    assert_string_equal(bytes, expected);
    free(bytes);
}

#endif
