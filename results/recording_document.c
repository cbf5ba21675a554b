/* SPDX-License-Identifier: GPL-3.0-or-later
 * run.json: who, what, how it ended, and the hashes that tell whether the files are
 * still those of the run. */
#include "results/recording_parts.h"

#include "base/file.h"

#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static int set_text(json_t *object, const char *key, const char *text)
{
    json_t *value = json_string(text ? text : "");
    return value ? json_object_set_new(object, key, value) : -1;
}

static json_t *plan_summary(const struct plan *plan)
{
    char fingerprint[24];
    snprintf(fingerprint, sizeof fingerprint, "%016" PRIx64, plan_fingerprint(plan));
    return json_pack("{s:s, s:f, s:I, s:I, s:I, s:s}", "title", plan_title(plan), "duration_s",
                     plan_duration_s(plan), "segments", (json_int_t)plan_segment_count(plan),
                     "strokes", (json_int_t)plan_stroke_count(plan), "lines",
                     (json_int_t)plan_line_count(plan), "fingerprint", fingerprint);
}

int run_document_make(struct run_document *document, const struct run_facts *facts,
                      const struct plan *plan, struct rig_err *err)
{
    json_t *root = json_object();
    int failed = !root;
    document->root = root;
    failed |= set_text(root, "state", run_state_name(RUN_RUNNING));
    failed |= set_text(root, "reason", "");
    failed |= set_text(root, "board", facts->board);
    failed |= set_text(root, "revision", facts->revision);
    failed |= set_text(root, "coating", facts->coating);
    failed |= set_text(root, "note", facts->note);
    failed |= set_text(root, "started", facts->started);
    failed |= set_text(root, "version", facts->version);
    if (isfinite(facts->water_degc))
        failed |= json_object_set_new(root, "water_degc", json_real(facts->water_degc));
    failed |= json_object_set_new(root, "plan", plan_summary(plan));
    failed |= set_text(root, "rig_name", facts->rig_name);
    failed |= set_text(root, "rig", facts->rig_text);
    failed |= set_text(root, "profile_name", facts->profile_name);
    failed |= set_text(root, "profile", facts->profile_text);
    return failed ? rig_fail_memory(err, "run.json") : RIG_OK;
}

int run_document_end(struct run_document *document, const char *folder, const struct rig *rig,
                     enum run_state state, const char *why, struct rig_err *err)
{
    static const char *const fixed[] = {"motion.csv", "strokes.csv", "events.csv",
                                        "csv-metadata.json"};
    enum { FIXED = sizeof fixed / sizeof *fixed };
    json_t *hashes = json_object();
    int failed = !hashes;
    for (size_t i = 0; i < FIXED + rig->source_count; i++) {
        char name[RIG_NAME_SIZE + 8], hex[65];
        snprintf(name, sizeof name, i < FIXED ? "%s" : "%s.csv",
                 i < FIXED ? fixed[i] : rig->sources[i - FIXED].name);
        char *path = file_join(folder, name);
        if (!path)
            failed = 1;
        else if (file_sha256(path, hex, NULL) == RIG_OK)
            failed |= set_text(hashes, name, hex);
        free(path);
    }
    failed |= set_text(document->root, "state", run_state_name(state));
    failed |= set_text(document->root, "reason", why);
    failed |= json_object_set_new(document->root, "sha256", hashes);
    return failed ? rig_fail_memory(err, "run.json") : RIG_OK;
}

char *run_document_json(const struct run_document *document)
{
    return json_dumps(document->root, JSON_INDENT(2) | JSON_REAL_PRECISION(15));
}

void run_document_free(struct run_document *document)
{
    json_decref(document->root);
    document->root = NULL;
}

bool recording_has_clock(const struct rig_source *source)
{
    return source->clock_column > 0 || *source->clock_key;
}

/* One column of a table, 'Metadata Vocabulary for Tabular Data' section 5.6. The unit is a
 * common property in the prefix that schema.org has there. */
static json_t *column(const char *name, const char *datatype, const char *unit, bool required)
{
    json_t *made = json_pack("{s:s, s:s, s:s, s:b}", "name", name, "titles", name, "datatype",
                             datatype, "required", required);
    if (made && *unit)
        json_object_set_new(made, "schema:unitText", json_string(unit));
    return made;
}

static json_t *table(const char *url, json_t *columns)
{
    return json_pack("{s:s, s:{s:o}}", "url", url, "tableSchema", "columns", columns);
}

static json_t *fixed_table(const char *url, const char *const names[][3], size_t count)
{
    json_t *columns = json_array();
    for (size_t i = 0; i < count; i++)
        json_array_append_new(columns, column(names[i][0], names[i][1], names[i][2], i == 0));
    return table(url, columns);
}

char *recording_metadata(const struct rig *rig)
{
    static const char *const motion[][3] = {
        {"t_s", "double", "s"},          {"stroke", "integer", ""},    {"depth_mm", "double", "mm"},
        {"reported_mm", "double", "mm"}, {"bracket_s", "double", "s"}, {"segment", "integer", ""}};
    static const char *const strokes[][3] = {{"stroke", "integer", ""},
                                             {"plan_s", "double", "s"},
                                             {"sent_s", "double", "s"},
                                             {"accepted_s", "double", "s"},
                                             {"ended_s", "double", "s"}};
    static const char *const events[][3] = {
        {"t_s", "double", "s"}, {"kind", "string", ""}, {"text", "string", ""}};
    json_t *tables = json_array();
    for (size_t s = 0; s < rig->source_count; s++) {
        const struct rig_source *source = &rig->sources[s];
        char url[RIG_NAME_SIZE + 8];
        json_t *columns = json_array();
        json_array_append_new(columns, column("t_s", "double", "s", true));
        if (recording_has_clock(source))
            json_array_append_new(columns, column("device_s", "double", "s", false));
        for (size_t c = 0; c < source->channel_count; c++)
            json_array_append_new(columns, column(source->channels[c].name, "double",
                                                  source->channels[c].unit, false));
        snprintf(url, sizeof url, "%s.csv", source->name);
        json_array_append_new(tables, table(url, columns));
    }
    json_array_append_new(tables, fixed_table("motion.csv", motion, 6));
    json_array_append_new(tables, fixed_table("strokes.csv", strokes, 5));
    json_array_append_new(tables, fixed_table("events.csv", events, 3));
    json_t *root =
        json_pack("{s:s, s:{s:s, s:b, s:s}, s:o}", "@context", "http://www.w3.org/ns/csvw",
                  "dialect", "delimiter", ",", "header", 1, "encoding", "utf-8", "tables", tables);
    char *json = root ? json_dumps(root, JSON_INDENT(2)) : NULL;
    json_decref(root);
    return json;
}
