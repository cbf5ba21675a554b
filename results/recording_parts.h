/* SPDX-License-Identifier: GPL-3.0-or-later
 * What the recording's writer and reader share. Private to results/recording_*.c. */
#ifndef RESULTS_RECORDING_PARTS_H
#define RESULTS_RECORDING_PARTS_H

#include "results/recording.h"

#include <jansson.h>

/* run.json as a JSON object. */
struct run_document {
    json_t *root;
};

int run_document_make(struct run_document *document, const struct run_facts *facts,
                      const struct plan *plan, struct rig_err *err);
/* State, reason and the hashes of the files; what can't be hashed is left out. */
int run_document_end(struct run_document *document, const char *folder, const struct rig *rig,
                     enum run_state state, const char *why, struct rig_err *err);
char *run_document_json(const struct run_document *document); /* caller frees; NULL: memory */
void run_document_free(struct run_document *document);

bool recording_has_clock(const struct rig_source *source);
/* csv-metadata.json for the tables of this rig; caller frees; NULL: no memory. */
char *recording_metadata(const struct rig *rig);

/* Copies the files that the profile follows to FOLDER/traces/N.csv, in the order in
 * which the profile names them, each once. */
int recording_save_traces(const char *folder, const struct run_facts *facts,
                          const struct plan_files *traces, struct rig_err *err);
/* The number N under which `path` was saved, or -1. */
int recording_trace_number(const struct run_facts *facts, const char *path);

#endif
