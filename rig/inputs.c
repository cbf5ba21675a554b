/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "rig/inputs.h"

#include "base/file.h"
#include "base/number.h"
#include "base/statement.h"
#include "motion/axis.h"

#include <ctype.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

int inputs_read(struct inputs *inputs, const char *profile_path, const char *rig_path,
                struct rig_err *err)
{
    memset(inputs, 0, sizeof *inputs);
    inputs->rig_path = rig_path;
    inputs->profile_path = profile_path;
    int code = traces_beside(&inputs->traces, profile_path, &inputs->files, err);
    if (code)
        return code;
    code = RIG_EOS;
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
        code = file_read(profile_path, STATEMENT_FILE_LIMIT + 1, &inputs->profile_text,
                         &inputs->profile_size, err);
    if (code)
        goto fail;
    inputs->plan = plan_make(&inputs->rig, profile_path, inputs->profile_text, inputs->profile_size,
                             inputs->units, &inputs->files, err);
    if (inputs->plan)
        return RIG_OK;
    code = err && err->code ? (int)err->code : RIG_EINPUT;
fail:
    inputs_free(inputs);
    return code;
}

void inputs_free(struct inputs *inputs)
{
    plan_free(inputs->plan);
    units_close(inputs->units);
    free(inputs->rig_text);
    free(inputs->profile_text);
    free(inputs->controller_text);
    memset(inputs, 0, sizeof *inputs);
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
