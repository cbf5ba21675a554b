/* SPDX-License-Identifier: GPL-3.0-or-later
 * Pseudo-terminals for the simulated bench. */
#include "simulate_port.h"

#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <termios.h>
#include <unistd.h>

/* Echo and line editing off. On Linux the device's side sets both sides' terms; they go
 * back to what a login needs whenever the last host closes the port. */
static void make_raw(int fd)
{
    struct termios terms;
    if (tcgetattr(fd, &terms) || !(terms.c_lflag & (ECHO | ICANON)))
        return; /* whoever opened it has seen to it */
    cfmakeraw(&terms);
    tcsetattr(fd, TCSANOW, &terms);
}

static int open_terminal(struct simulate_port *port, struct rig_err *err)
{
    port->fd = posix_openpt(O_RDWR | O_NOCTTY);
    if (port->fd < 0)
        return rig_fail_os(err, errno, "no pseudo-terminal can be had");
    const char *device = NULL;
    if (grantpt(port->fd) || unlockpt(port->fd) || !(device = ptsname(port->fd)) ||
        fcntl(port->fd, F_SETFL, O_NONBLOCK) || fcntl(port->fd, F_SETFD, FD_CLOEXEC))
        return rig_fail_os(err, errno, "the pseudo-terminal can't be set up");
    snprintf(port->device, sizeof port->device, "%s", device);
    make_raw(port->fd);
    /* Until the host's side has been open once, nothing tells that it isn't. */
    int host = open(port->device, O_RDWR | O_NOCTTY | O_CLOEXEC);
    if (host < 0)
        return rig_fail_os(err, errno, "%s can't be opened", port->device);
    close(host);
    return 0;
}

static int make_link(struct simulate_port *port, struct rig_err *err)
{
    struct stat found;
    if (lstat(port->link, &found) == 0) {
        bool dangles = S_ISLNK(found.st_mode) && stat(port->link, &found) && errno == ENOENT;
        if (!dangles)
            return rig_fail(err, RIG_EINPUT,
                            "%s is there already; stop the simulated bench that made it, remove "
                            "it, or choose another folder",
                            port->link);
        unlink(port->link);
    }
    if (symlink(port->device, port->link))
        return rig_fail_os(err, errno, "the link %s can't be made", port->link);
    port->linked = true;
    return 0;
}

int simulate_port_make(struct simulate_port *port, const char *folder, const char *name,
                       struct rig_err *err)
{
    *port = (struct simulate_port){.fd = -1};
    int size = snprintf(port->link, sizeof port->link, "%s/%s", folder, name);
    if (size < 0 || (size_t)size >= sizeof port->link)
        return rig_fail(err, RIG_EINPUT, "the path of the folder is too long");
    int code = open_terminal(port, err);
    return code ? code : make_link(port, err);
}

void simulate_port_close(struct simulate_port *port)
{
    char target[PATH_MAX];
    if (port->linked) {
        ssize_t size = readlink(port->link, target, sizeof target - 1);
        if (size > 0) {
            target[size] = 0;
            if (strcmp(target, port->device) == 0)
                unlink(port->link);
        }
    }
    if (port->fd >= 0)
        close(port->fd);
    port->fd = -1;
    port->linked = false;
}

bool simulate_port_look(struct simulate_port *port)
{
    struct pollfd poller = {.fd = port->fd};
    bool was_open = port->open;
    port->open = poll(&poller, 1, 0) >= 0 && !(poller.revents & (POLLHUP | POLLERR));
    if (port->open && !was_open) {
        make_raw(port->fd);
        port->pending_size = 0;
        port->cut = false;
    }
    return port->open && !was_open;
}

size_t simulate_port_read(struct simulate_port *port, char *bytes, size_t room)
{
    ssize_t size = read(port->fd, bytes, room);
    return size > 0 ? (size_t)size : 0;
}

static void flush_pending(struct simulate_port *port)
{
    size_t gone = 0;
    while (gone < port->pending_size) {
        ssize_t size = write(port->fd, port->pending + gone, port->pending_size - gone);
        if (size <= 0)
            break;
        gone += (size_t)size;
    }
    if (!gone)
        return;
    port->cut = port->pending[gone - 1] != '\n';
    port->pending_size -= gone;
    memmove(port->pending, port->pending + gone, port->pending_size);
}

/* The oldest whole line goes; one that has begun to go out is left to end. */
static bool lose_line(struct simulate_port *port)
{
    char *from = port->pending, *end = port->pending + port->pending_size;
    if (port->cut) {
        char *first = memchr(from, '\n', (size_t)(end - from));
        from = first ? first + 1 : end;
    }
    char *last = from < end ? memchr(from, '\n', (size_t)(end - from)) : NULL;
    if (!last)
        return false;
    memmove(from, last + 1, (size_t)(end - last - 1));
    port->pending_size -= (size_t)(last + 1 - from);
    port->lost_lines++;
    return true;
}

void simulate_port_write(struct simulate_port *port, const char *bytes, size_t size)
{
    if (!port->open || size > SIMULATE_PENDING)
        return;
    if (port->pending_size)
        flush_pending(port);
    while (port->pending_size + size > SIMULATE_PENDING)
        if (!lose_line(port))
            return;
    memcpy(port->pending + port->pending_size, bytes, size);
    port->pending_size += size;
    flush_pending(port);
}
