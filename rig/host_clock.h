/* SPDX-License-Identifier: GPL-3.0-or-later
 * The clock of this machine, for the edges of the program; everything else is
 * handed one (base/clock.h). */
#ifndef RIG_HOST_CLOCK_H
#define RIG_HOST_CLOCK_H

#include "base/clock.h"

/* CLOCK_MONOTONIC. Sleeping ends early when a signal arrives. Has no state: any thread
 * may use it. */
struct rig_clock host_clock(void);

#endif
