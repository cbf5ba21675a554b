/* SPDX-License-Identifier: GPL-3.0-or-later
 * Opens a port in a thread of its own, so that whoever needs it never waits: a network
 * port may take seconds to be refused, and a device that is just being plugged in too. */
#ifndef RIG_REPLUG_H
#define RIG_REPLUG_H

#include "rig/transport.h"

#include <pthread.h>
#include <stdatomic.h>
#include <stdbool.h>

/* One port at a time. Zeroed is ready for use; must not move while it is at work. */
struct replug {
    char path[1100];
    int baud;
    const struct rig_clock *clock;
    pthread_t thread;
    bool begun;
    atomic_bool done; /* the thread's last act; what follows is its result */
    int code;
    struct transport port;
    struct rig_err err;
};

enum { REPLUG_OPENING = -1 };

/* Begins to open what transport_open opens, or asks how that went: REPLUG_OPENING while it
 * isn't known, then once 0 with the port, or a code with err; the next call begins anew. */
int replug_open(struct replug *replug, const char *path, int baud, const struct rig_clock *clock,
                struct transport *port, struct rig_err *err);
/* Waits for the thread; closes a port that nobody has asked for. */
void replug_end(struct replug *replug);

#endif
