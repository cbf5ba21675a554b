/* SPDX-License-Identifier: GPL-3.0-or-later
 * Hardware ports through libserialport. Known traps: after an unplug its non-blocking
 * read returns 0 for ever, and only sp_input_waiting and writes report the error; a
 * missing port comes back as 'bad argument'. */
#include "rig/transport_parts.h"

#include <libserialport.h>

#include <errno.h>
#include <poll.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

struct serial_port {
    struct sp_port *port;
    char name[256];
    int fd;
};

static long gone(const struct serial_port *serial, struct rig_err *err)
{
    rig_fail(err, RIG_EUNPLUGGED, "%s: the line is gone; was it unplugged?", serial->name);
    return -1;
}

static long serial_read(void *context, void *bytes, size_t room, struct rig_err *err)
{
    struct serial_port *serial = context;
    int got = sp_nonblocking_read(serial->port, bytes, room);
    if (got > 0)
        return got;
    if (got < 0)
        return gone(serial, err);
    struct pollfd look = {.fd = serial->fd, .events = POLLIN};
    bool hung_up = poll(&look, 1, 0) > 0 && (look.revents & (POLLHUP | POLLERR | POLLNVAL));
    return hung_up || sp_input_waiting(serial->port) < 0 ? gone(serial, err) : 0;
}

static long serial_write(void *context, const void *bytes, size_t size, struct rig_err *err)
{
    struct serial_port *serial = context;
    int put = sp_nonblocking_write(serial->port, bytes, size);
    return put < 0 ? gone(serial, err) : put;
}

static int serial_fd(void *context)
{
    return ((struct serial_port *)context)->fd;
}

static void serial_close(void *context)
{
    struct serial_port *serial = context;
    sp_close(serial->port);
    sp_free_port(serial->port);
    free(serial);
}

static int fail(const char *path, enum sp_return result, const char *what, struct rig_err *err)
{
    int os_errno = errno;
    if (result == SP_ERR_MEM)
        return rig_fail_memory(err, "a port");
    if (result == SP_ERR_ARG) /* which is how a missing device comes back */
        return access(path, F_OK) ? transport_open_failed(path, ENOENT, err)
                                  : rig_fail(err, RIG_EOS,
                                             "port %.200s is no serial port (%s); see 'wetsweep "
                                             "ports' for those that are",
                                             path, what);
    if (result == SP_ERR_SUPP)
        return rig_fail(err, RIG_EOS, "port %.200s can't do that: %s", path, what);
    return transport_open_failed(path, os_errno, err);
}

int transport_open_serial(struct transport *transport, const char *path, int baud,
                          struct rig_err *err)
{
    struct serial_port *serial = calloc(1, sizeof *serial);
    if (!serial)
        return rig_fail_memory(err, "a port");
    snprintf(serial->name, sizeof serial->name, "%s", path);
    enum sp_return result = sp_get_port_by_name(path, &serial->port);
    if (result != SP_OK) {
        int code = fail(path, result, "unknown to the system's list of ports", err);
        free(serial);
        return code;
    }
    const char *what = "it can't be opened";
    result = sp_open(serial->port, SP_MODE_READ_WRITE);
    if (result == SP_OK) {
        static const enum sp_parity none = SP_PARITY_NONE;
        what = "its settings are refused";
        result = sp_get_port_handle(serial->port, &serial->fd);
        /* Claimed before anything is set: somebody else may be using it. */
        if (result == SP_OK && transport_claim(serial->fd) < 0)
            result = SP_ERR_FAIL;
        if (result == SP_OK && baud > 0 && (result = sp_set_baudrate(serial->port, baud)) != SP_OK)
            what = "it refuses this line speed";
        if (result == SP_OK)
            result = sp_set_bits(serial->port, 8);
        if (result == SP_OK)
            result = sp_set_parity(serial->port, none);
        if (result == SP_OK)
            result = sp_set_stopbits(serial->port, 1);
        if (result == SP_OK)
            result = sp_set_flowcontrol(serial->port, SP_FLOWCONTROL_NONE);
        if (result != SP_OK) {
            int code = fail(path, result, what, err);
            serial_close(serial);
            return code;
        }
        sp_flush(serial->port, SP_BUF_INPUT);
        *transport = (struct transport){.read = serial_read,
                                        .write = serial_write,
                                        .fd = serial_fd,
                                        .close = serial_close,
                                        .context = serial};
        return RIG_OK;
    }
    int code = fail(path, result, what, err);
    sp_free_port(serial->port);
    free(serial);
    return code;
}
