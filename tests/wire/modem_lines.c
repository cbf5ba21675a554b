/* SPDX-License-Identifier: GPL-3.0-or-later
 * Modem lines for pseudo-terminals, which have none: ioctl in place of the C library's,
 * linked into a test or preloaded. All else is passed on. */
#include "modem_lines.h"

#include <stdarg.h>
#include <sys/ioctl.h>
#include <sys/syscall.h>
#include <unistd.h>

int ioctl(int fd, unsigned long request, ...);

unsigned modem_calls;
static int modem_lines;

int ioctl(int fd, unsigned long request, ...)
{
    va_list arguments;
    va_start(arguments, request);
    void *pointer = va_arg(arguments, void *);
    va_end(arguments);
    switch (request) {
    case TIOCMGET:
        *(int *)pointer = modem_lines | TIOCM_CTS | TIOCM_DSR;
        break;
    case TIOCMSET:
        modem_lines = *(int *)pointer;
        break;
    case TIOCMBIS:
        modem_lines |= *(int *)pointer;
        break;
    case TIOCMBIC:
        modem_lines &= ~*(int *)pointer;
        break;
    default:
        return (int)syscall(SYS_ioctl, fd, request, pointer);
    }
    modem_calls++;
    return 0;
}
