/* SPDX-License-Identifier: GPL-3.0-or-later
 * The built-in profile of `wetsweep sync`: strokes at several speeds both ways. Pure. */
#ifndef RIG_SYNC_PLAN_H
#define RIG_SYNC_PLAN_H

#include "base/err.h"
#include "motion/rigfile.h"

#include <stddef.h>

/* A profile's text, freed by the caller; NULL: no memory, or an axis without room to move. Above
 * the water where 20 mm or more are free there; over the whole travel where they are not, or where
 * only a switch tells the stage's place, which may be anywhere. *wet: it goes into the water. */
char *sync_profile(const struct rig *rig, bool *wet, size_t *size, struct rig_err *err);

#endif
