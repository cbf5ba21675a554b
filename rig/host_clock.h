/* SPDX-License-Identifier: GPL-3.0-or-later
 * The clock of this machine, for the edges of the program; everything else is
 * handed one (base/clock.h). */
#ifndef RIG_HOST_CLOCK_H
#define RIG_HOST_CLOCK_H

#include "base/clock.h"

/* CLOCK_MONOTONIC. Sleeping ends early when a signal arrives. Has no state: any thread
 * may use it. */
struct rig_clock host_clock(void);

/* Nanoseconds that the machine has been suspended since it started: CLOCK_MONOTONIC stands
 * still then, CLOCK_BOOTTIME does not. To some microseconds. */
int64_t host_slept_ns(void);

/* Asks the system to let this thread run before others, so that what arrives is stamped at once.
 * Granted to root and to whom the system's limits allow it; without it nothing changes. */
void host_prefer_this_thread(void);

#endif
