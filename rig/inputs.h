/* SPDX-License-Identifier: GPL-3.0-or-later
 * The two text files that every measurement starts from, read and planned. Touches the
 * file system, no hardware. */
#ifndef RIG_INPUTS_H
#define RIG_INPUTS_H

#include "base/err.h"
#include "base/quantity.h"
#include "motion/plan.h"
#include "motion/rigfile.h"
#include "results/recording.h"
#include "rig/traces.h"

#include <stddef.h>

struct inputs {
    struct units *units;
    struct rig rig;
    const struct plan *plan;
    struct plan *own_plan;               /* to be freed; NULL where it is a recording's */
    const char *rig_path, *profile_path; /* borrowed from the caller */
    char *rig_text, *profile_text;
    size_t rig_size, profile_size;
    char *controller_text; /* of the file that the rig names as what the axis speaks, or NULL */
    char *sync_path, *sync_text; /* of what was measured of the axis beforehand; NULL: none */
    struct traces traces;
    struct plan_files files; /* finds what the profile follows, beside the profile */
};

/* Paths stay the caller's and outlive the inputs; the struct must not move in memory.
 * On error nothing is kept: RIG_EINPUT or RIG_ELIMIT with FILE:LINE:COLUMN, RIG_EOS. */
int inputs_read(struct inputs *inputs, const char *profile_path, const char *rig_path,
                struct rig_err *err);
/* The same as a recording has them, which outlives the inputs; the texts stay NULL. */
int inputs_of_recording(struct inputs *inputs, const struct recording *recording,
                        struct rig_err *err);
void inputs_free(struct inputs *inputs); /* zeroed allowed */

/* In two steps, for a profile that is no file: first the rig, into zeroed inputs, then the plan.
 * text is malloc'd and taken over, also on error. */
int inputs_read_rig(struct inputs *inputs, const char *rig_path, struct rig_err *err);
int inputs_plan(struct inputs *inputs, const char *profile_name, char *text, size_t size,
                struct rig_err *err);

/* Where the sync file of a rig file is looked for: beside it, .sync in place of .rig. The
 * caller frees; NULL: no memory. */
char *inputs_sync_path(const char *rig_path);

/* Reads the sync file into sync_path and sync_text. given: NULL to look for the usual one, which
 * need not be there. RIG_EINPUT when it can't be read, and when a given one was made with another
 * axis block; the usual one is left unused then, with the reason in `warning` (else ""). */
int inputs_sync(struct inputs *inputs, const char *given, char warning[256], struct rig_err *err);

/* The file that describes the axis' controller, where the rig names one: beside the rig
 * file, unless its path is absolute. Its text into *text, freed by the caller; NULL where
 * the rig names none. NULL allowed for text. */
int inputs_controller(struct rig *rig, const char *rig_path, char **text, struct rig_err *err);

/* "20 degC" to our unit of the kind; `what` names it in the error. */
int inputs_quantity(struct units *units, enum quantity_kind kind, const char *what,
                    const char *text, double *value, struct rig_err *err);

#endif
