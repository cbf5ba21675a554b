/* SPDX-License-Identifier: GPL-3.0-or-later
 * Keeps a log of what goes over a transport, in the format that replay:FILE reads,
 * so that a real session can become a test. */
#ifndef RIG_TRANSPORT_LOG_H
#define RIG_TRANSPORT_LOG_H

#include "rig/transport.h"

/* *transport from now on also writes to the new file at log_path, with times of
 * `clock` since this call; closing it closes both. Writes to the disk from within
 * read and write, so it is for looking into a fault, not for measuring. A log that
 * can't be written any further stops; the transport goes on. On error *transport is
 * as before (RIG_EINPUT when the file is there already). */
int transport_log(struct transport *transport, const char *log_path, const struct rig_clock *clock,
                  struct rig_err *err);

#endif
