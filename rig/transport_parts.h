/* SPDX-License-Identifier: GPL-3.0-or-later
 * The kinds of transport behind transport_open. Private to rig/transport*.c. */
#ifndef RIG_TRANSPORT_PARTS_H
#define RIG_TRANSPORT_PARTS_H

#include "rig/transport.h"

#include <stdbool.h>

int transport_open_serial(struct transport *transport, const char *path, int baud,
                          struct rig_err *err);
int transport_open_posix(struct transport *transport, const char *path, int baud,
                         struct rig_err *err);
int transport_open_tcp(struct transport *transport, const char *address, struct rig_err *err);
int transport_open_replay(struct transport *transport, const char *path,
                          const struct rig_clock *clock, struct rig_err *err);

/* Reads and writes of a plain descriptor, shared by pseudo-terminals and sockets. */
struct transport_fd {
    int fd;
    bool socket;
    char name[256];
};
/* Takes ownership of fd (closes it on error). */
int transport_of_fd(struct transport *transport, int fd, const char *name, struct rig_err *err);

/* One user a port: TIOCEXCL keeps everybody out but root, a lock on the device keeps out
 * every other wetsweep too. Returns 0 or -1 with errno (EBUSY: in use). */
int transport_claim(int fd);

/* Why an open failed, in words that help: missing, busy, not allowed. */
int transport_open_failed(const char *path, int os_errno, struct rig_err *err);

#endif
