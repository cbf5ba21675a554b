/* SPDX-License-Identifier: GPL-3.0-or-later
 * A time of day at which a run is to be over. */
#ifndef RIG_UNTIL_H
#define RIG_UNTIL_H

#include "base/err.h"

#include <time.h>

/* "07:00", local time: *at is its next occurrence after now, less than a day (25 h where
 * clocks are set back in between) ahead. A time that a change of clocks leaves out is
 * taken as mktime takes it, an hour later or earlier. RIG_EINPUT. */
int until_next(const char *text, time_t now, time_t *at, struct rig_err *err);

#endif
