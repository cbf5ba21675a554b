/* SPDX-License-Identifier: GPL-3.0-or-later
 * A pseudo-terminal that plays a serial port: a link to it under a name of our
 * choosing, raw bytes, and never a wait for a reader who isn't there. */
#ifndef RIG_SIMULATE_PORT_H
#define RIG_SIMULATE_PORT_H

#include "base/err.h"

#include <limits.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum { SIMULATE_PENDING = 4096 }; /* kept for a slow reader, beyond what the system keeps */

struct simulate_port {
    int fd;    /* the device's side, -1: none */
    bool open; /* somebody has the host's side open */
    char link[PATH_MAX], device[PATH_MAX];
    bool linked;
    char pending[SIMULATE_PENDING];
    size_t pending_size;
    bool cut; /* a part of the first pending line has gone out */
    uint64_t lost_lines;
};

/* Makes the pseudo-terminal and folder/name as a link to it. A link that leads nowhere is
 * replaced; anything else of that name is RIG_EINPUT. */
int simulate_port_make(struct simulate_port *port, const char *folder, const char *name,
                       struct rig_err *err);
/* Removes the link if it is still ours. {.fd = -1} allowed. */
void simulate_port_close(struct simulate_port *port);
/* Looks whether somebody has the port open; true when it was opened just now. */
bool simulate_port_look(struct simulate_port *port);
/* What the host has written: number of bytes, 0 for none. */
size_t simulate_port_read(struct simulate_port *port, char *bytes, size_t room);
/* Sends, as a serial line does: to nobody when the port isn't open; and to a reader who is
 * too slow the newest lines, the oldest of those that wait being lost and counted. */
void simulate_port_write(struct simulate_port *port, const char *bytes, size_t size);

#endif
