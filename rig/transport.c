/* SPDX-License-Identifier: GPL-3.0-or-later
 * Which kind of transport a path stands for, and what all of them share. */
#include "rig/transport.h"

#include "rig/transport_parts.h"

#include <libserialport.h>

#include <dirent.h>
#include <errno.h>
#include <grp.h>
#include <poll.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/ioctl.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <unistd.h>

/* The process that has the port open, as far as /proc shows it to this user. By the file itself:
 * in another mount namespace another device may have the same name. */
static bool find_holder(const char *real, char *text, size_t room)
{
    DIR *processes = opendir("/proc");
    bool found = false;
    struct stat wanted, open_there;
    if (stat(real, &wanted)) {
        if (processes)
            closedir(processes);
        return false;
    }
    for (struct dirent *entry; processes && !found && (entry = readdir(processes));) {
        if (strspn(entry->d_name, "0123456789") != strlen(entry->d_name))
            continue;
        char name[300], command[64] = "?";
        snprintf(name, sizeof name, "/proc/%.20s/fd", entry->d_name);
        DIR *files = strtol(entry->d_name, NULL, 10) == (long)getpid() ? NULL : opendir(name);
        for (struct dirent *file; files && !found && (file = readdir(files));) {
            snprintf(name, sizeof name, "/proc/%.20s/fd/%.20s", entry->d_name, file->d_name);
            found = stat(name, &open_there) == 0 && open_there.st_dev == wanted.st_dev &&
                    open_there.st_ino == wanted.st_ino;
        }
        if (files)
            closedir(files);
        if (!found)
            continue;
        snprintf(name, sizeof name, "/proc/%.20s/comm", entry->d_name);
        FILE *comm = fopen(name, "r");
        if (comm && fgets(command, sizeof command, comm))
            command[strcspn(command, "\n")] = 0;
        if (comm)
            fclose(comm);
        snprintf(text, room, "process %.20s (%s)", entry->d_name, command);
    }
    if (processes)
        closedir(processes);
    return found;
}

static int fail_busy(const char *path, struct rig_err *err)
{
    char holder[128] = "another program", *real = realpath(path, NULL);
    if (real)
        find_holder(real, holder, sizeof holder);
    free(real);
    return rig_fail(err, RIG_EOS, "port %.200s is in use by %s; close that one first", path,
                    holder);
}

int transport_open_failed(const char *path, int os_errno, struct rig_err *err)
{
    struct stat found;
    switch (os_errno) {
    case ENOENT:
    case ENODEV:
    case ENXIO:
        return rig_fail(err, RIG_EUNPLUGGED,
                        "port %.200s is not there; plug the device in, or see 'wetsweep ports' "
                        "for those that are",
                        path);
    case EBUSY:
        return fail_busy(path, err);
    case EACCES:
    case EPERM:
        if (stat(path, &found) == 0) {
            struct group *group = getgrgid(found.st_gid);
            if (group)
                return rig_fail(err, RIG_EOS,
                                "port %.200s may not be opened by you; it belongs to group '%s': "
                                "have yourself added to it and log in again",
                                path, group->gr_name);
        }
        return rig_fail(err, RIG_EOS, "port %.200s may not be opened by you", path);
    default:
        return rig_fail_os(err, os_errno, "port %.200s can't be opened", path);
    }
}

int transport_claim(int fd)
{
    if (flock(fd, LOCK_EX | LOCK_NB) < 0) {
        if (errno == EWOULDBLOCK)
            errno = EBUSY;
        return -1;
    }
    return ioctl(fd, TIOCEXCL);
}

static long fd_read(void *context, void *bytes, size_t room, struct rig_err *err)
{
    struct transport_fd *port = context;
    ssize_t got = read(port->fd, bytes, room);
    if (got > 0)
        return got;
    if (got < 0 && (errno == EAGAIN || errno == EINTR))
        return 0;
    /* A pseudo-terminal whose other side is gone reads as EIO, a socket as 0 bytes. A
     * terminal in raw mode without data reads as 0 too: only a hang-up is final. */
    if (got == 0) {
        struct pollfd look = {.fd = port->fd, .events = POLLIN};
        if (poll(&look, 1, 0) >= 0 && !(look.revents & (POLLHUP | POLLERR | POLLNVAL | POLLIN)))
            return 0;
    }
    rig_fail(err, RIG_EUNPLUGGED, "%s: the line is gone%s%s", port->name, got < 0 ? ": " : "",
             got < 0 ? strerror(errno) : "");
    return -1;
}

static long fd_write(void *context, const void *bytes, size_t size, struct rig_err *err)
{
    struct transport_fd *port = context;
    /* A socket whose other side is gone must not end the program with a signal. */
    ssize_t put =
        port->socket ? send(port->fd, bytes, size, MSG_NOSIGNAL) : write(port->fd, bytes, size);
    if (put >= 0)
        return put;
    if (errno == EAGAIN || errno == EINTR)
        return 0;
    rig_fail(err, RIG_EUNPLUGGED, "%s: the line is gone: %s", port->name, strerror(errno));
    return -1;
}

static int fd_of(void *context)
{
    return ((struct transport_fd *)context)->fd;
}

static void fd_close(void *context)
{
    struct transport_fd *port = context;
    close(port->fd);
    free(port);
}

int transport_of_fd(struct transport *transport, int fd, const char *name, struct rig_err *err)
{
    struct transport_fd *port = calloc(1, sizeof *port);
    if (!port) {
        close(fd);
        return rig_fail_memory(err, "a port");
    }
    struct stat status;
    port->fd = fd;
    port->socket = fstat(fd, &status) == 0 && S_ISSOCK(status.st_mode);
    snprintf(port->name, sizeof port->name, "%s", name);
    *transport = (struct transport){
        .read = fd_read, .write = fd_write, .fd = fd_of, .close = fd_close, .context = port};
    return RIG_OK;
}

/* Pseudo-terminals have no entry in sysfs and no modem lines: libserialport refuses
 * them, with the same words as a port that is missing. */
static bool known_to_libserialport(const char *real)
{
    struct sp_port *port = NULL;
    if (strncmp(real, "/dev/pts/", 9) == 0 || sp_get_port_by_name(real, &port) != SP_OK)
        return false;
    sp_free_port(port);
    return true;
}

int transport_open(struct transport *transport, const char *path, int baud,
                   const struct rig_clock *clock, struct rig_err *err)
{
    *transport = (struct transport){0};
    if (strncmp(path, "tcp:", 4) == 0)
        return transport_open_tcp(transport, path + 4, err);
    if (strncmp(path, "replay:", 7) == 0)
        return transport_open_replay(transport, path + 7, clock, err);
    char *real = realpath(path, NULL);
    if (!real)
        return transport_open_failed(path, errno, err);
    int code = known_to_libserialport(real) ? transport_open_serial(transport, real, baud, err)
                                            : transport_open_posix(transport, real, baud, err);
    free(real);
    return code;
}

void transport_close(struct transport *transport)
{
    if (transport->close)
        transport->close(transport->context);
    *transport = (struct transport){0};
}
