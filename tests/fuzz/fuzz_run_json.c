/* SPDX-License-Identifier: GPL-3.0-or-later
 * run.json and results.json: any bytes give a document that holds together, or an error
 * with a place. */
#include "results/recording_parts.h"
#include "results/result_json.h"

#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static void require(bool holds, const char *what)
{
    if (holds)
        return;
    fprintf(stderr, "%s\n", what);
    abort();
}

static void read_run(const char *bytes, size_t size)
{
    struct run_document document;
    struct rig_err err = {0};
    int code = run_document_read(&document, "run.json", bytes, size, &err);
    if (code) {
        require(code == RIG_EINPUT && strncmp(err.text, "run.json", 8) == 0, "no place");
        require(!document.root, "something is left behind");
        return;
    }
    const struct run_facts *facts = &document.facts;
    const char *const texts[] = {facts->board,   facts->revision,     facts->coating,
                                 facts->note,    facts->rig_name,     facts->rig_text,
                                 facts->started, facts->profile_name, facts->profile_text,
                                 facts->version, document.reason};
    for (size_t i = 0; i < sizeof texts / sizeof *texts; i++)
        require(texts[i] != NULL, "a text is missing");
    for (size_t i = 0; i < run_document_trace_count(&document); i++)
        require(run_document_trace_path(&document, i) != NULL, "a trace without a path");
    char *json = run_document_json(&document);
    require(json != NULL, "can't be written again");
    free(json);
    run_document_free(&document);
}

static void read_results(const char *bytes, size_t size)
{
    struct result_list list;
    struct rig_err err = {0};
    int code = result_list_read(&list, NULL, "results.json", bytes, size, &err);
    if (code) {
        require(code == RIG_EINPUT && strncmp(err.text, "results.json", 12) == 0, "no place");
        require(list.count == 0, "something is left behind");
        return;
    }
    char *json = result_list_json(&list, NULL, &err);
    require(json != NULL, "can't be written again");
    free(json);
    result_list_free(&list);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    read_run((const char *)data, size);
    read_results((const char *)data, size);
    return 0;
}
