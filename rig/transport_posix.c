/* SPDX-License-Identifier: GPL-3.0-or-later
 * Pseudo-terminals, and terminals that libserialport does not know, through plain
 * POSIX: raw mode, exclusive, never blocking. */
#include "rig/transport_parts.h"

#include <errno.h>
#include <fcntl.h>
#include <string.h>
#include <termios.h>
#include <unistd.h>

static const struct {
    int baud;
    speed_t speed;
} SPEEDS[] = {{1200, B1200},     {2400, B2400},     {4800, B4800},     {9600, B9600},
              {19200, B19200},   {38400, B38400},   {57600, B57600},   {115200, B115200},
              {230400, B230400}, {460800, B460800}, {921600, B921600}, {1000000, B1000000}};

/* 0, or the errno: EINVAL for a speed that POSIX and Linux have no name for. */
static int set_up(int fd, int baud)
{
    struct termios settings;
    if (tcgetattr(fd, &settings))
        return errno;
    cfmakeraw(&settings);
    settings.c_cflag &= (tcflag_t) ~(CSTOPB | HUPCL);
    settings.c_cflag |= CLOCAL | CREAD;
    settings.c_cc[VMIN] = 1;
    settings.c_cc[VTIME] = 0;
    if (baud > 0) {
        size_t i = 0, count = sizeof SPEEDS / sizeof SPEEDS[0];
        while (i < count && SPEEDS[i].baud != baud)
            i++;
        if (i == count)
            return EINVAL;
        if (cfsetispeed(&settings, SPEEDS[i].speed) || cfsetospeed(&settings, SPEEDS[i].speed))
            return errno;
    }
    if (transport_claim(fd) || tcsetattr(fd, TCSANOW, &settings))
        return errno;
    return 0;
}

int transport_open_posix(struct transport *transport, const char *path, int baud,
                         struct rig_err *err)
{
    bool pseudo = !strncmp(path, "/dev/pts/", 9);
    const char *name = strrchr(path, '/');
    /* To open a device can set it going: only what is called a terminal is tried. */
    if (!pseudo && strncmp(name ? name + 1 : path, "tty", 3) != 0)
        return rig_fail(err, RIG_EINPUT,
                        "port %.200s is no serial port; see 'wetsweep ports' for those that are, "
                        "or give tcp:HOST:PORT, or replay:FILE for a logged stream",
                        path);
    int fd = open(path, O_RDWR | O_NOCTTY | O_NONBLOCK | O_CLOEXEC);
    if (fd < 0)
        return transport_open_failed(path, errno, err);
    int os_errno = set_up(fd, pseudo ? 0 : baud); /* a pseudo-terminal has no line speed */
    if (os_errno) {
        close(fd);
        if (os_errno == EBUSY)
            return transport_open_failed(path, os_errno, err);
        if (os_errno == EINVAL)
            return rig_fail(err, RIG_EINPUT,
                            "port %.200s can't be set to %d baud; try a usual speed such as "
                            "115200 baud",
                            path, baud);
        return rig_fail_os(err, os_errno, "port %.200s can't be set up", path);
    }
    tcflush(fd, TCIFLUSH);
    return transport_of_fd(transport, fd, path, err);
}
