/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "rig/traces.h"

#include "base/file.h"
#include "base/table.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static int load(void *context, const char *path, char **bytes, size_t *size, struct rig_err *err)
{
    const struct traces *traces = context;
    const char *folder = path[0] == '/' ? "" : traces->folder;
    size_t room = strlen(folder) + strlen(path) + 1;
    char *whole = malloc(room);
    if (!whole)
        return rig_fail_memory(err, "reading a trace");
    snprintf(whole, room, "%s%s", folder, path);
    int code = file_read(whole, TABLE_SIZE_LIMIT, bytes, size, err);
    free(whole);
    return code;
}

int traces_beside(struct traces *traces, const char *profile_path, struct plan_files *files,
                  struct rig_err *err)
{
    const char *slash = strrchr(profile_path, '/');
    size_t size = slash ? (size_t)(slash - profile_path) + 1 : 0;
    if (size >= sizeof traces->folder)
        return rig_fail(err, RIG_EINPUT, "the path of the profile is longer than %zu bytes",
                        sizeof traces->folder - 1);
    memcpy(traces->folder, profile_path, size);
    traces->folder[size] = 0;
    *files = (struct plan_files){.load = load, .context = traces};
    return 0;
}
