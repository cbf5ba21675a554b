/* SPDX-License-Identifier: GPL-3.0-or-later
 * Opening a recording: run.json back to rig and plan. */
#include "results/recording_parts.h"

#include "base/file.h"

#include <inttypes.h>
#include <stdlib.h>
#include <string.h>

enum { TRACE_SIZE_LIMIT = 512 * 1024 * 1024 };

struct recording {
    char *folder;
    struct run_document document;
    struct rig rig;
    struct plan *plan;
    struct sync sync;
    bool has_sync;
};

const char *run_state_name(enum run_state state)
{
    static const char *const names[] = {
#define X(state, word) word,
        RUN_STATES(X)
#undef X
    };
    return (size_t)state < RUN_STATE_COUNT ? names[state] : "?";
}

static int load_trace(void *context, const char *path, char **bytes, size_t *size,
                      struct rig_err *err)
{
    const struct recording *recording = context;
    size_t count = run_document_trace_count(&recording->document), at = 0;
    while (at < count && strcmp(run_document_trace_path(&recording->document, at), path) != 0)
        at++;
    if (at == count)
        return rig_fail(err, RIG_EINPUT,
                        "%s/run.json: lists no copy of the trace '%.200s' that the profile follows",
                        recording->folder, path);
    char name[40];
    recording_trace_name(at, name);
    char *full = file_join(recording->folder, name);
    int code =
        full ? file_read(full, TRACE_SIZE_LIMIT, bytes, size, err) : rig_fail_memory(err, "a path");
    free(full);
    return code;
}

/* The run would have refused a text that can't be read: without it there is less to know, and
 * no reason to give the recording up. */
static void read_sync(struct recording *recording, struct units *units)
{
    const struct run_facts *facts = &recording->document.facts;
    char mark[SYNC_MARK_SIZE];
    struct rig_err why = {0};
    recording->has_sync =
        !sync_read(&recording->sync, facts->sync_name, facts->sync_text, strlen(facts->sync_text),
                   units, &why) &&
        !sync_axis_mark(mark, facts->rig_name, facts->rig_text,
                        *facts->controller_text ? facts->controller_text : NULL, &why) &&
        strcmp(mark, recording->sync.axis) == 0;
}

static int make_plan(struct recording *recording, struct rig_err *err)
{
    const struct run_facts *facts = &recording->document.facts;
    const struct plan_files files = {.load = load_trace, .context = recording};
    struct rig_err why = {0};
    struct units *units = units_open(err);
    if (!units)
        return err ? (int)err->code : RIG_EOS;
    int code = rig_read(&recording->rig, facts->rig_name, facts->rig_text, strlen(facts->rig_text),
                        units, &why);
    if (!code && *facts->controller_text)
        code = controller_read(&recording->rig.axis.controller, facts->controller_name,
                               facts->controller_text, strlen(facts->controller_text), &why);
    if (!code) {
        recording->plan = plan_make(&recording->rig, facts->profile_name, facts->profile_text,
                                    strlen(facts->profile_text), units, &files, &why);
        code = recording->plan ? RIG_OK : (int)why.code;
    }
    if (!code && *facts->sync_text)
        read_sync(recording, units);
    units_close(units);
    if (code)
        return rig_fail(err, (enum rig_code)code, "%s/run.json: %.400s", recording->folder,
                        why.text);
    uint64_t made = plan_fingerprint(recording->plan), kept = recording->document.fingerprint;
    if (made != kept)
        return rig_fail(
            err, RIG_EINPUT,
            "%s/run.json: this version plans the profile otherwise than version '%.20s' "
            "did, which ran it (fingerprint %016" PRIx64 " where %016" PRIx64
            " is recorded); use that version",
            recording->folder, facts->version, made, kept);
    return RIG_OK;
}

static int read_document(struct recording *recording, struct rig_err *err)
{
    char *path = file_join(recording->folder, "run.json"), *bytes = NULL;
    size_t size = 0;
    struct rig_err why = {0};
    int code = path ? file_read(path, RUN_JSON_LIMIT, &bytes, &size, &why)
                    : rig_fail_memory(&why, "a path");
    if (code == RIG_EINPUT)
        rig_fail(err, RIG_EINPUT, "%.380s; a recording is a folder with a run.json", why.text);
    else if (code && err)
        *err = why;
    if (!code)
        code = run_document_read(&recording->document, path, bytes, size, err);
    free(bytes);
    free(path);
    return code;
}

struct recording *recording_open(const char *folder, struct rig_err *err)
{
    struct recording *recording = calloc(1, sizeof *recording);
    if (!recording || !(recording->folder = strdup(folder))) {
        free(recording);
        rig_fail_memory(err, "a recording");
        return NULL;
    }
    if (read_document(recording, err) || make_plan(recording, err)) {
        recording_free(recording);
        return NULL;
    }
    return recording;
}

void recording_free(struct recording *recording)
{
    if (!recording)
        return;
    plan_free(recording->plan);
    run_document_free(&recording->document);
    free(recording->folder);
    free(recording);
}

const struct run_facts *recording_facts(const struct recording *recording)
{
    return &recording->document.facts;
}

const struct rig *recording_rig(const struct recording *recording)
{
    return &recording->rig;
}

const struct plan *recording_plan(const struct recording *recording)
{
    return recording->plan;
}

const struct sync *recording_known(const struct recording *recording)
{
    return recording->has_sync ? &recording->sync : NULL;
}

enum run_state recording_state(const struct recording *recording)
{
    return recording->document.state;
}

const char *recording_state_reason(const struct recording *recording)
{
    return recording->document.reason;
}

const char *recording_folder(const struct recording *recording)
{
    return recording->folder;
}
