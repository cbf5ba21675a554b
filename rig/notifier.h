/* SPDX-License-Identifier: GPL-3.0-or-later
 * A program of the user's, called when something happens that somebody may want to be
 * woken for. Calls are made one after the other by a thread of its own, each limited in
 * time, so that whoever tells never waits. The event is in the program's environment:
 *
 *   WETSWEEP_EVENT      its kind, one word: unplugged, silent, resumed, complete, ...
 *   WETSWEEP_TEXT       the sentence that people read
 *   WETSWEEP_T_S        seconds since the run's start
 *   WETSWEEP_RECORDING  the recording's folder
 *   WETSWEEP_BOARD      the board's name */
#ifndef RIG_NOTIFIER_H
#define RIG_NOTIFIER_H

#include "base/err.h"

#include <stdint.h>

enum { NOTIFIER_QUEUE = 32 };

struct notifier;

struct notifier_tally {
    uint64_t told;    /* events */
    uint64_t failed;  /* calls that ended with another status than 0, or could not be made */
    uint64_t cut;     /* calls that were ended because they took too long */
    uint64_t dropped; /* events for which no call was made: too many at once */
};

/* command: for /bin/sh -c. limit_s: a call that takes longer is ended with all that it
 * started. Copies the texts. NULL with err. */
struct notifier *notifier_open(const char *command, const char *recording, const char *board,
                               double limit_s, struct rig_err *err);
/* From any thread; never waits for a call. NULL notifier: does nothing. */
void notifier_tell(struct notifier *notifier, const char *event, double t_s, const char *text);
/* Makes the calls that are still to come, for twice the limit at most, and frees. NULL
 * allowed (tally all 0). */
void notifier_close(struct notifier *notifier, struct notifier_tally *tally);

#endif
