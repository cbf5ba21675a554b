/* SPDX-License-Identifier: GPL-3.0-or-later
 * results.json: the list of results for other programs (docs/formats_recording.md).
 *
 *   { "format": "wetsweep results", ...head..., "results": { NAME: {...}, ... } }
 *
 * Pure: text in memory, nothing is opened. */
#ifndef RESULTS_RESULT_JSON_H
#define RESULTS_RESULT_JSON_H

#include "base/err.h"
#include "results/result.h"

#include <jansson.h>
#include <stddef.h>

enum { RESULT_JSON_DIGITS = 15 }; /* significant digits of every number written */

/* One result as an object with the keys title, value, unit, standard_uncertainty,
 * low_95, high_95, degrees_of_freedom, method, budget (list of name, type,
 * standard_uncertainty, degrees_of_freedom) and, where there is one, reason. What is
 * not known is null; so are infinite degrees of freedom, told apart by the interval
 * that is there. The caller owns it. NULL: no memory. */
json_t *result_to_json(const struct result *result);

/* The whole file, indented, with a newline at its end; the caller frees. head: an
 * object of further keys that go before the results (what was measured, tables), or
 * NULL; borrowed. Keys of head that are "format" or "results" are RIG_EBUG. NULL on
 * error; text that isn't UTF-8 is RIG_EBUG. */
char *result_list_json(const struct result_list *list, json_t *head, struct rig_err *err);

/* Reads results.json back: *list is overwritten, the caller frees it with
 * result_list_free. name: of the file, for errors. head: NULL, or where to put the
 * whole document (owned by the caller, json_decref). On error (RIG_EINPUT with the
 * place, RIG_EMEMORY) *list is empty and *head NULL. Unknown keys are passed over. */
int result_list_read(struct result_list *list, json_t **head, const char *name, const char *bytes,
                     size_t size, struct rig_err *err);

#endif
