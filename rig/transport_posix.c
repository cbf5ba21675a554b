/* SPDX-License-Identifier: GPL-3.0-or-later
 * Pseudo-terminals: raw mode, exclusive, never blocking. The line speed is of no
 * meaning there and left alone. */
#include "rig/transport_parts.h"

#include <errno.h>
#include <fcntl.h>
#include <termios.h>
#include <unistd.h>

int transport_open_posix(struct transport *transport, const char *path, int baud,
                         struct rig_err *err)
{
    (void)baud;
    int fd = open(path, O_RDWR | O_NOCTTY | O_NONBLOCK | O_CLOEXEC);
    if (fd < 0)
        return transport_open_failed(path, errno, err);
    struct termios settings;
    int failed = tcgetattr(fd, &settings);
    if (!failed) {
        cfmakeraw(&settings);
        settings.c_cflag |= CLOCAL | CREAD;
        settings.c_cc[VMIN] = 1;
        settings.c_cc[VTIME] = 0;
        failed = transport_claim(fd) || tcsetattr(fd, TCSANOW, &settings);
    }
    if (failed) {
        int os_errno = errno;
        close(fd);
        if (os_errno == EBUSY)
            return transport_open_failed(path, os_errno, err);
        return rig_fail_os(err, os_errno, "port %.200s can't be set up", path);
    }
    tcflush(fd, TCIFLUSH);
    return transport_of_fd(transport, fd, path, err);
}
