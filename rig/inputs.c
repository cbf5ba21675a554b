/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "rig/inputs.h"

#include "base/file.h"
#include "base/number.h"
#include "base/statement.h"
#include "motion/axis.h"
#include "motion/syncfile.h"

#include <ctype.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

int inputs_read_rig(struct inputs *inputs, const char *rig_path, struct rig_err *err)
{
    int code = RIG_EOS;
    inputs->rig_path = rig_path;
    inputs->units = units_open(err);
    if (!inputs->units)
        goto fail;
    /* One byte more than allowed, so that the statement reader says what is too long. */
    code = file_read(rig_path, STATEMENT_FILE_LIMIT + 1, &inputs->rig_text, &inputs->rig_size, err);
    if (!code)
        code = rig_read(&inputs->rig, rig_path, inputs->rig_text, inputs->rig_size, inputs->units,
                        err);
    if (!code)
        code = inputs_controller(&inputs->rig, rig_path, &inputs->controller_text, err);
    if (!code)
        return RIG_OK;
fail:
    inputs_free(inputs);
    return code;
}

int inputs_plan(struct inputs *inputs, const char *profile_name, char *text, size_t size,
                struct rig_err *err)
{
    inputs->profile_path = profile_name;
    inputs->profile_text = text;
    inputs->profile_size = size;
    inputs->plan = inputs->own_plan =
        plan_make(&inputs->rig, profile_name, inputs->profile_text, inputs->profile_size,
                  inputs->units, &inputs->files, err);
    if (inputs->plan)
        return RIG_OK;
    int code = err && err->code ? (int)err->code : RIG_EINPUT;
    inputs_free(inputs);
    return code;
}

int inputs_read(struct inputs *inputs, const char *profile_path, const char *rig_path,
                struct rig_err *err)
{
    char *text = NULL;
    size_t size;
    memset(inputs, 0, sizeof *inputs);
    int code = traces_beside(&inputs->traces, profile_path, &inputs->files, err);
    if (!code)
        code = inputs_read_rig(inputs, rig_path, err);
    if (code)
        return code;
    code = file_read(profile_path, STATEMENT_FILE_LIMIT + 1, &text, &size, err);
    if (code) {
        inputs_free(inputs);
        return code;
    }
    return inputs_plan(inputs, profile_path, text, size, err);
}

int inputs_of_recording(struct inputs *inputs, const struct recording *recording,
                        struct rig_err *err)
{
    const struct run_facts *facts = recording_facts(recording);
    memset(inputs, 0, sizeof *inputs);
    inputs->rig_path = facts->rig_name;
    inputs->profile_path = facts->profile_name;
    inputs->rig = *recording_rig(recording);
    inputs->plan = recording_plan(recording);
    inputs->units = units_open(err);
    return inputs->units ? RIG_OK : RIG_EOS;
}

void inputs_free(struct inputs *inputs)
{
    plan_free(inputs->own_plan);
    units_close(inputs->units);
    free(inputs->rig_text);
    free(inputs->profile_text);
    free(inputs->controller_text);
    free(inputs->sync_path);
    free(inputs->sync_text);
    memset(inputs, 0, sizeof *inputs);
}

char *inputs_sync_path(const char *rig_path)
{
    size_t size = strlen(rig_path);
    if (size > 4 && strcmp(rig_path + size - 4, ".rig") == 0)
        size -= 4;
    char *path = malloc(size + sizeof ".sync");
    if (path)
        snprintf(path, size + sizeof ".sync", "%.*s.sync", (int)size, rig_path);
    return path;
}

/* Made with this axis? */
static int check_sync(const struct inputs *inputs, const struct sync *sync, bool *same,
                      struct rig_err *err)
{
    char mark[SYNC_MARK_SIZE];
    int code =
        sync_axis_mark(mark, inputs->rig_path, inputs->rig_text, inputs->controller_text, err);
    *same = !code && strcmp(mark, sync->axis) == 0;
    return code;
}

int inputs_sync(struct inputs *inputs, const char *given, char warning[256], struct rig_err *err)
{
    struct sync sync;
    char *path = given ? strdup(given) : inputs_sync_path(inputs->rig_path), *text = NULL;
    size_t size;
    bool same = false;
    *warning = 0;
    if (!path)
        return rig_fail_memory(err, "a path");
    if (!given && access(path, F_OK) != 0) {
        free(path);
        return RIG_OK;
    }
    int code = file_read(path, STATEMENT_FILE_LIMIT + 1, &text, &size, err);
    if (!code)
        code = sync_read(&sync, path, text, size, inputs->units, err);
    if (!code)
        code = check_sync(inputs, &sync, &same, err);
    if (!code && same) {
        inputs->sync_path = path;
        inputs->sync_text = text;
        return RIG_OK;
    }
    if (!code && given)
        code = rig_fail(err, RIG_EINPUT,
                        "%s: was measured with another axis block than %s has; run 'wetsweep "
                        "sync --rig %s' again",
                        path, inputs->rig_path, inputs->rig_path);
    else if (!code)
        snprintf(warning, 256,
                 "%.80s: was measured with another axis block than %.60s has, and is left "
                 "unused; run 'wetsweep sync' again",
                 path, inputs->rig_path);
    free(path);
    free(text);
    return code;
}

int inputs_controller(struct rig *rig, const char *rig_path, char **text, struct rig_err *err)
{
    const char *name = rig->axis.speaks, *slash = strrchr(rig_path, '/');
    char path[2 * RIG_PATH_SIZE], *bytes = NULL;
    size_t size, folder = slash && name[0] != '/' ? (size_t)(slash - rig_path) + 1 : 0;
    if (text)
        *text = NULL;
    if (axis_dialect_known(name))
        return RIG_OK;
    if (folder + strlen(name) >= sizeof path)
        return rig_fail(err, RIG_EINPUT, "the path of '%.100s' is too long", name);
    snprintf(path, sizeof path, "%.*s%s", (int)folder, rig_path, name);
    int code = file_read(path, STATEMENT_FILE_LIMIT + 1, &bytes, &size, err);
    if (!code)
        code = controller_read(&rig->axis.controller, path, bytes, size, err);
    if (code || !text)
        free(bytes);
    else
        *text = bytes;
    return code;
}

int inputs_quantity(struct units *units, enum quantity_kind kind, const char *what,
                    const char *text, double *value, struct rig_err *err)
{
    size_t digits = strspn(text, "+-.0123456789eE"), end = digits;
    double number;
    /* The 'e' of a unit is no exponent: take the longest piece that is a number. */
    while (end > 0 && !rig_number(text, end, &number, NULL))
        end--;
    const char *unit = text + end;
    while (isspace((unsigned char)*unit))
        unit++;
    if (end == 0 || !*unit)
        return rig_fail(err, RIG_EINPUT, "%s '%.60s' is not %s with its unit, such as %s", what,
                        text, quantity_name(kind), quantity_example(kind));
    return units_convert(units, kind, number, unit, strlen(unit), value, err);
}
