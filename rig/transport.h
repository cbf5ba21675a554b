/* SPDX-License-Identifier: GPL-3.0-or-later
 * One interface for everything that bytes come from and go to: hardware ports
 * (libserialport), pseudo-terminals (plain POSIX, since libserialport refuses
 * them), tcp:HOST:PORT, a logged byte stream, the simulated bench. Never blocks. */
#ifndef RIG_TRANSPORT_H
#define RIG_TRANSPORT_H

#include "base/clock.h"
#include "base/err.h"

#include <stddef.h>
#include <stdint.h>

struct transport {
    /* > 0 bytes moved, 0 nothing now, < 0 final: the line is gone (err says why;
     * RIG_EUNPLUGGED or RIG_EOS). After a final error only close is allowed. */
    long (*read)(void *context, void *bytes, size_t room, struct rig_err *err);
    long (*write)(void *context, const void *bytes, size_t size, struct rig_err *err);
    int (*fd)(void *context); /* to poll for input; -1: none (simulated, replay) */
    void (*close)(void *context);
    void *context;
};

/* path: /dev/..., a symbolic link to one, tcp:HOST:PORT, or replay:FILE (a log of
 * lines 'SECONDS < HEX' and 'SECONDS > HEX', played at its own times against `clock`). baud 0
 * leaves a line speed alone. Opens exclusively (TIOCEXCL). On error returns the
 * code: a missing port, a busy one, no permission (names the group that owns it). */
int transport_open(struct transport *transport, const char *path, int baud,
                   const struct rig_clock *clock, struct rig_err *err);
void transport_close(struct transport *transport); /* zeroed allowed */

#endif
