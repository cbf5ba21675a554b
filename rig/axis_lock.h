/* SPDX-License-Identifier: GPL-3.0-or-later
 * One run an axis. The lock on the device itself (transport_claim) is gone while a port is
 * unplugged, and a network port has none; this one is held from before the port is opened
 * to the end of the run, and says who holds it. The kernel lets go of it when the holder
 * ends in whatever way. */
#ifndef RIG_AXIS_LOCK_H
#define RIG_AXIS_LOCK_H

#include "base/err.h"

#include <limits.h>

/* folder: NULL for the machine's own, /run/lock or else /tmp; tests give one of theirs.
 * port: as in the rig file, with the folder of its links already before it. Links are
 * followed, so that two names of one device meet. holder: one line that somebody who comes
 * second is to read, such as "board WS-B-0007". Returns a descriptor to close at the end
 * of the run, or -1: RIG_EOS when another process has it (says which), or when no lock can
 * be made. Two names of one network port are not known to be the same. */
int axis_lock_take(const char *folder, const char *port, const char *holder, struct rig_err *err);

#endif
