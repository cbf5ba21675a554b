/* SPDX-License-Identifier: GPL-3.0-or-later
 * Which ledger is meant: by option, by the environment, or beside the recordings. */
#ifndef RIG_LEDGER_PLACE_H
#define RIG_LEDGER_PLACE_H

#include "base/err.h"
#include "base/text.h"

#define LEDGER_VARIABLE "WETSWEEP_LEDGER"

/* The path, which the caller frees: `option` where it is given, else what the environment
 * variable says where it isn't empty, else the file in `folder`. NULL: no memory. */
char *ledger_place(const char *option, const char *folder);
/* The same with the folder that a recording lies in. */
char *ledger_place_beside(const char *option, const char *recording);

/* Puts a fitted recording into the ledger that is meant. *path: where that is, the caller
 * frees, NULL when memory is out; notice: what happened to the file, a sentence a line. */
int ledger_fill(const char *option, const char *recording, char **path, struct text *notice,
                struct rig_err *err);

#endif
