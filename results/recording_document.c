/* SPDX-License-Identifier: GPL-3.0-or-later
 * run.json: who, what, how it ended, and the hashes that tell whether the files are
 * still those of the run. */
#include "results/recording_parts.h"

#include "base/file.h"
#include "base/statement.h"

#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const char FORMAT[] = "wetsweep recording";

/* ---- making ---- */

static bool set_text(json_t *object, const char *key, const char *text)
{
    return json_object_set_new(object, key, json_string(text ? text : "")) == 0;
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
    const struct {
        const char *key, *text;
    } texts[] = {{"format", FORMAT},
                 {"state", run_state_name(RUN_RUNNING)},
                 {"reason", ""},
                 {"board", facts->board},
                 {"revision", facts->revision},
                 {"coating", facts->coating},
                 {"note", facts->note},
                 {"started", facts->started},
                 {"version", facts->version},
                 {"rig_name", facts->rig_name},
                 {"rig", facts->rig_text},
                 {"controller_name", facts->controller_name ? facts->controller_name : ""},
                 {"controller", facts->controller_text ? facts->controller_text : ""},
                 {"profile_name", facts->profile_name},
                 {"profile", facts->profile_text},
                 {"sync_name", facts->sync_name ? facts->sync_name : ""},
                 {"sync", facts->sync_text ? facts->sync_text : ""}};
    *document = (struct run_document){.root = json_object(), .facts = *facts};
    if (!document->root)
        return rig_fail_memory(err, "run.json");
    for (size_t i = 0; i < sizeof texts / sizeof *texts; i++)
        if (!set_text(document->root, texts[i].key, texts[i].text)) {
            run_document_free(document);
            return rig_fail(err, RIG_EINPUT, "'%s' of the run can't be kept: it isn't UTF-8 text",
                            texts[i].key);
        }
    json_t *degc = isfinite(facts->water_degc) ? json_real(facts->water_degc) : json_null();
    if (json_object_set_new(document->root, "water_degc", degc) ||
        json_object_set_new(document->root, "plan", plan_summary(plan)) ||
        json_object_set_new(document->root, "traces", json_array()) ||
        json_object_set_new(document->root, "sha256", json_object())) {
        run_document_free(document);
        return rig_fail_memory(err, "run.json");
    }
    return RIG_OK;
}

void recording_trace_name(size_t trace, char name[40])
{
    snprintf(name, 40, "traces/%zu.csv", trace);
}

size_t run_document_trace_count(const struct run_document *document)
{
    return json_array_size(json_object_get(document->root, "traces"));
}

const char *run_document_trace_path(const struct run_document *document, size_t trace)
{
    return json_string_value(
        json_object_get(json_array_get(json_object_get(document->root, "traces"), trace), "path"));
}

/* The words of the profile that are followed, wherever they are nested. */
static bool list_traces(struct run_document *document, const struct statement list[], size_t count)
{
    bool ok = true;
    for (size_t i = 0; ok && i < count; i++) {
        const struct statement *statement = &list[i];
        if (statement->is_block)
            ok = list_traces(document, statement->body, statement->body_count);
        if (statement->token_count < 2 || strcmp(statement->tokens[0].text, "follow") != 0)
            continue;
        const char *path = statement->tokens[1].text;
        size_t traces = run_document_trace_count(document), at = 0;
        while (at < traces && strcmp(run_document_trace_path(document, at), path) != 0)
            at++;
        if (at < traces)
            continue;
        char name[40];
        recording_trace_name(traces, name);
        ok = json_array_append_new(json_object_get(document->root, "traces"),
                                   json_pack("{s:s, s:s}", "path", path, "file", name)) == 0;
    }
    return ok;
}

int run_document_list_traces(struct run_document *document, struct rig_err *err)
{
    static const char *const blocks[] = {"repeat", "each", NULL};
    const struct statement_words words = {.blocks = blocks};
    struct statements text;
    int code = statements_read(&text, document->facts.profile_name, document->facts.profile_text,
                               strlen(document->facts.profile_text), &words, err);
    if (code)
        return code;
    bool ok = list_traces(document, text.list, text.count);
    statements_free(&text);
    return ok ? RIG_OK : rig_fail_memory(err, "run.json");
}

int run_document_note(struct run_document *document, const char *key, const char *json,
                      struct rig_err *err)
{
    json_t *value = json_loads(json, JSON_DECODE_ANY, NULL);
    if (!value)
        return rig_fail(err, RIG_EBUG, "'%.40s' of run.json is not JSON", key);
    if (json_object_set_new(document->root, key, value))
        return rig_fail_memory(err, "run.json");
    return RIG_OK;
}

static int add_hash(json_t *hashes, const char *folder, const char *name, struct rig_err *err)
{
    char hex[65];
    char *path = file_join(folder, name);
    int code = path ? file_sha256(path, hex, err) : rig_fail_memory(err, "a path");
    free(path);
    if (!code && !set_text(hashes, name, hex))
        code = rig_fail_memory(err, "run.json");
    return code;
}

int run_document_end(struct run_document *document, const char *folder, const struct rig *rig,
                     enum run_state state, const char *why, struct rig_err *err)
{
    json_t *hashes = json_object_get(document->root, "sha256");
    char name[RIG_NAME_SIZE + 8], trace[40];
    struct rig_err later;
    int first = RIG_OK;
    for (size_t t = 0; t <= recording_table_count(rig); t++) {
        if (t < recording_table_count(rig))
            recording_file_name(rig, t, name);
        else
            snprintf(name, sizeof name, "csv-metadata.json");
        int code = add_hash(hashes, folder, name, first ? &later : err);
        first = first ? first : code;
    }
    for (size_t i = 0; i < run_document_trace_count(document); i++) {
        recording_trace_name(i, trace);
        int code = add_hash(hashes, folder, trace, first ? &later : err);
        first = first ? first : code;
    }
    /* A reason is for people: bytes that aren't text don't cost them the state. */
    bool ok = set_text(document->root, "state", run_state_name(state));
    if (!set_text(document->root, "reason", why))
        ok = set_text(document->root, "reason", "(not readable as text)") && ok;
    return first || ok ? first : rig_fail_memory(err, "run.json");
}

int run_document_go_on(struct run_document *document, const struct run_facts *facts,
                       const struct recording_left *left, double at_s, struct rig_err *err)
{
    json_t *seams = json_object_get(document->root, "seams");
    if (!json_is_array(seams)) {
        seams = json_array();
        if (!seams || json_object_set_new(document->root, "seams", seams))
            return rig_fail_memory(err, "run.json");
    }
    json_t *seam =
        json_pack("{s:f, s:f, s:s, s:s, s:s, s:O, s:I, s:I}", "from_s", left->last_s, "at_s", at_s,
                  "started", facts->started, "version", facts->version, "state",
                  run_state_name(left->state), "reason", json_object_get(document->root, "reason"),
                  "stroke", (json_int_t)left->stroke, "cut_bytes", (json_int_t)left->cut_bytes);
    if (!seam || json_array_append_new(seams, seam) ||
        !set_text(document->root, "state", run_state_name(RUN_RUNNING)) ||
        !set_text(document->root, "reason", "") ||
        json_object_set_new(document->root, "sha256", json_object()))
        return rig_fail_memory(err, "run.json");
    json_object_del(document->root, "summary");
    return RIG_OK;
}

char *run_document_json(const struct run_document *document)
{
    char *json = json_dumps(document->root, JSON_INDENT(2) | JSON_REAL_PRECISION(15));
    size_t size = json ? strlen(json) : 0;
    char *longer = json ? realloc(json, size + 2) : NULL;
    if (longer)
        memcpy(longer + size, "\n", 2);
    else
        free(json);
    return longer;
}

void run_document_free(struct run_document *document)
{
    json_decref(document->root);
    *document = (struct run_document){0};
}

/* ---- reading ---- */

static int wrong(const char *name, const char *key, const char *expected, struct rig_err *err)
{
    return rig_fail(err, RIG_EINPUT, "%s: '%s' must be %s, as 'run' writes it", name, key,
                    expected);
}

static int read_texts(struct run_document *document, const char *name, const char **state,
                      struct rig_err *err)
{
    struct run_facts *facts = &document->facts;
    const struct {
        const char *key;
        const char **to;
        bool needed;
    } texts[] = {{"state", state, true},
                 {"reason", &document->reason, false},
                 {"board", &facts->board, false},
                 {"revision", &facts->revision, false},
                 {"coating", &facts->coating, false},
                 {"note", &facts->note, false},
                 {"started", &facts->started, false},
                 {"version", &facts->version, false},
                 {"rig_name", &facts->rig_name, false},
                 {"rig", &facts->rig_text, true},
                 {"controller_name", &facts->controller_name, false},
                 {"controller", &facts->controller_text, false},
                 {"profile_name", &facts->profile_name, false},
                 {"profile", &facts->profile_text, true},
                 {"sync_name", &facts->sync_name, false},
                 {"sync", &facts->sync_text, false}};
    for (size_t i = 0; i < sizeof texts / sizeof *texts; i++) {
        const json_t *found = json_object_get(document->root, texts[i].key);
        if (!json_is_string(found) && (found || texts[i].needed))
            return wrong(name, texts[i].key, "text", err);
        *texts[i].to = found ? json_string_value(found) : "";
    }
    return RIG_OK;
}

static int read_plan(struct run_document *document, const char *name, struct rig_err *err)
{
    const char *hex =
        json_string_value(json_object_get(json_object_get(document->root, "plan"), "fingerprint"));
    if (!hex || strlen(hex) != 16 || strspn(hex, "0123456789abcdef") != 16)
        return wrong(name, "plan.fingerprint", "16 hexadecimal digits", err);
    document->fingerprint = strtoull(hex, NULL, 16);
    const json_t *traces = json_object_get(document->root, "traces");
    if (traces && !json_is_array(traces))
        return wrong(name, "traces", "a list", err);
    for (size_t i = 0; i < run_document_trace_count(document); i++)
        if (!run_document_trace_path(document, i))
            return wrong(name, "traces", "a list of objects with a 'path'", err);
    return RIG_OK;
}

static int read_document(struct run_document *document, const char *name, struct rig_err *err)
{
    const char *state = "";
    const json_t *degc = json_object_get(document->root, "water_degc");
    int code = read_texts(document, name, &state, err);
    if (code)
        return code;
    if (degc && !json_is_null(degc) && !json_is_number(degc))
        return wrong(name, "water_degc", "a number or null", err);
    document->facts.water_degc = json_is_number(degc) ? json_number_value(degc) : (double)NAN;
    size_t known = 0;
    while (known < RUN_STATE_COUNT && strcmp(state, run_state_name((enum run_state)known)) != 0)
        known++;
    if (known == RUN_STATE_COUNT)
        return rig_fail(err, RIG_EINPUT,
                        "%s: the state '%.40s' isn't one of running, complete, stopped, faulted",
                        name, state);
    document->state = (enum run_state)known;
    return read_plan(document, name, err);
}

int run_document_read(struct run_document *document, const char *name, const char *bytes,
                      size_t size, struct rig_err *err)
{
    json_error_t why;
    *document =
        (struct run_document){.root = json_loadb(bytes, size, JSON_REJECT_DUPLICATES, &why)};
    if (!document->root)
        return rig_fail(err, RIG_EINPUT, "%s:%d:%d: %s; run.json as 'run' writes it belongs here",
                        name, why.line, why.column, why.text);
    const char *format = json_string_value(json_object_get(document->root, "format"));
    int code = format && strcmp(format, FORMAT) == 0
                   ? read_document(document, name, err)
                   : rig_fail(err, RIG_EINPUT,
                              "%s: isn't the description of a recording: its 'format' must be '%s'",
                              name, FORMAT);
    if (code)
        run_document_free(document);
    return code;
}
