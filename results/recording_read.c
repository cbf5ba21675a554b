/* SPDX-License-Identifier: GPL-3.0-or-later
 * Opening a recording: run.json back to rig and plan. */
#include "results/recording_parts.h"

#include "base/file.h"

#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { RUN_JSON_LIMIT = 64 * 1024 * 1024 };

struct recording {
    char *folder;
    json_t *root;
    struct run_facts facts;
    struct rig rig;
    struct plan *plan;
    enum run_state state;
};

static const char *text_of(const struct recording *recording, const char *key)
{
    const char *text = json_string_value(json_object_get(recording->root, key));
    return text ? text : "";
}

struct trace_loader {
    const struct recording *recording;
};

static int load_trace(void *context, const char *path, char **bytes, size_t *size,
                      struct rig_err *err)
{
    const struct recording *recording = ((struct trace_loader *)context)->recording;
    char name[48];
    int number = recording_trace_number(&recording->facts, path);
    snprintf(name, sizeof name, "traces/%d.csv", number);
    char *full = file_join(recording->folder, name);
    if (!full)
        return rig_fail_memory(err, "a path");
    int code = file_read(full, 512u * 1024 * 1024, bytes, size, err);
    free(full);
    return code;
}

static int read_state(struct recording *recording, struct rig_err *err)
{
    const char *state = text_of(recording, "state");
    for (int i = 0; i < RUN_STATE_COUNT; i++)
        if (strcmp(state, run_state_name((enum run_state)i)) == 0) {
            recording->state = (enum run_state)i;
            return RIG_OK;
        }
    return rig_fail(err, RIG_EINPUT, "%s/run.json: state '%.40s' is not known to this version",
                    recording->folder, state);
}

static int read_plan(struct recording *recording, struct rig_err *err)
{
    struct units *units = units_open(err);
    if (!units)
        return err->code;
    struct trace_loader loader = {recording};
    struct plan_files files = {.load = load_trace, .context = &loader};
    const struct run_facts *facts = &recording->facts;
    int code = rig_read(&recording->rig, facts->rig_name, facts->rig_text, strlen(facts->rig_text),
                        units, err);
    if (!code) {
        recording->plan = plan_make(&recording->rig, facts->profile_name, facts->profile_text,
                                    strlen(facts->profile_text), units, &files, err);
        code = recording->plan ? RIG_OK : (int)err->code;
    }
    units_close(units);
    if (code)
        return code;
    char fingerprint[24];
    const char *kept =
        json_string_value(json_object_get(json_object_get(recording->root, "plan"), "fingerprint"));
    snprintf(fingerprint, sizeof fingerprint, "%016" PRIx64, plan_fingerprint(recording->plan));
    if (!kept || strcmp(kept, fingerprint) != 0)
        return rig_fail(err, RIG_EINPUT,
                        "%s: this version plans the profile otherwise than the one that ran it "
                        "(%.20s); fit it with that version",
                        recording->folder, facts->version);
    return RIG_OK;
}

struct recording *recording_open(const char *folder, struct rig_err *err)
{
    struct recording *recording = calloc(1, sizeof *recording);
    char *path = file_join(folder, "run.json"), *bytes = NULL;
    size_t size = 0;
    int code = recording && path && (recording->folder = strdup(folder))
                   ? file_read(path, RUN_JSON_LIMIT, &bytes, &size, err)
                   : rig_fail_memory(err, "a recording");
    if (!code) {
        json_error_t why;
        recording->root = json_loadb(bytes, size, 0, &why);
        if (!json_is_object(recording->root))
            code = rig_fail(err, RIG_EINPUT, "%s:%d:%d: %s; run.json of a recording belongs here",
                            path, why.line, why.column, why.text);
    }
    free(bytes);
    free(path);
    if (!code) {
        double degc = json_number_value(json_object_get(recording->root, "water_degc"));
        recording->facts = (struct run_facts){
            .board = text_of(recording, "board"),
            .revision = text_of(recording, "revision"),
            .coating = text_of(recording, "coating"),
            .note = text_of(recording, "note"),
            .rig_name = text_of(recording, "rig_name"),
            .rig_text = text_of(recording, "rig"),
            .profile_name = text_of(recording, "profile_name"),
            .profile_text = text_of(recording, "profile"),
            .started = text_of(recording, "started"),
            .version = text_of(recording, "version"),
            .water_degc = json_object_get(recording->root, "water_degc") ? degc : (double)NAN,
        };
        code = read_state(recording, err);
    }
    if (!code)
        code = read_plan(recording, err);
    if (!code)
        return recording;
    recording_free(recording);
    return NULL;
}

void recording_free(struct recording *recording)
{
    if (!recording)
        return;
    plan_free(recording->plan);
    json_decref(recording->root);
    free(recording->folder);
    free(recording);
}

const struct run_facts *recording_facts(const struct recording *recording)
{
    return &recording->facts;
}

const struct rig *recording_rig(const struct recording *recording)
{
    return &recording->rig;
}

const struct plan *recording_plan(const struct recording *recording)
{
    return recording->plan;
}

enum run_state recording_state(const struct recording *recording)
{
    return recording->state;
}

const char *recording_state_reason(const struct recording *recording)
{
    return text_of(recording, "reason");
}

const char *recording_folder(const struct recording *recording)
{
    return recording->folder;
}
