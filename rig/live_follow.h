/* SPDX-License-Identifier: GPL-3.0-or-later
 * A recording on the disk followed while it grows, for the live page. Reads the tables'
 * new ends only; touches nothing that is written. */
#ifndef RIG_LIVE_FOLLOW_H
#define RIG_LIVE_FOLLOW_H

#include "rig/live.h"

struct live_follow;

/* rows: follow sources and motion as well as the events. rig and folder are borrowed. NULL
 * with err. Files that aren't there yet are looked for again at each poll. */
struct live_follow *live_follow_open(const char *folder, const struct rig *rig, bool rows,
                                     struct rig_err *err);
void live_follow_close(struct live_follow *follow); /* NULL allowed */

/* Takes in what has come since, at most some megabytes, and gives the events to live. With
 * rows, the newest of each goes to *now, and those before it to live's columns. True when
 * anything had come. */
bool live_follow_poll(struct live_follow *follow, struct live *live, struct live_now *now);

#endif
