/* SPDX-License-Identifier: GPL-3.0-or-later
 * Where a profile's 'follow' finds its trace: beside the profile, unless the path
 * is absolute. */
#ifndef RIG_TRACES_H
#define RIG_TRACES_H

#include "motion/plan.h"

enum { TRACE_FOLDER_SIZE = 4096 };

struct traces {
    char folder[TRACE_FOLDER_SIZE]; /* of the profile, with its '/'; "" for the current one */
};

/* Fills *traces (caller's, must outlive the result) and gives what plan_make asks for.
 * RIG_EINPUT when the profile's path is too long. "-" counts as the current folder. */
int traces_beside(struct traces *traces, const char *profile_path, struct plan_files *files,
                  struct rig_err *err);

#endif
