/* SPDX-License-Identifier: GPL-3.0-or-later
 * Where a firmware table goes: NAME.h and NAME.c in a folder, or text for standard output. */
#ifndef RIG_FIRMWARE_FILES_H
#define RIG_FIRMWARE_FILES_H

#include "results/firmware.h"

enum firmware_form { FIRMWARE_NONE, FIRMWARE_C, FIRMWARE_CSV, FIRMWARE_JSON };

/* "c", "csv", "json" -> *form; false for anything else. */
bool firmware_form_of(const char *word, enum firmware_form *form);

/* folder NULL: the C files go to the current folder, CSV and JSON to standard output; else
 * NAME.c and NAME.h, NAME.csv or NAME.json go there, whole or not at all. A file that is there
 * is replaced only when it is itself such a table (RIG_EINPUT otherwise). Prints which files
 * were written. */
int firmware_write(const struct firmware *firmware, const struct firmware_facts *facts,
                   enum firmware_form form, const char *folder, struct rig_err *err);

#endif
