/* SPDX-License-Identifier: GPL-3.0-or-later
 * Which ledger is meant. */
#include "rig/ledger_place.h"

#include "base/file.h"
#include "results/ledger.h"

#include <stdbool.h>
#include <stdlib.h>
#include <string.h>

char *ledger_place(const char *option, const char *folder)
{
    const char *variable = getenv(LEDGER_VARIABLE);
    if (option)
        return strdup(option);
    if (variable && *variable)
        return strdup(variable);
    return file_join(folder, LEDGER_FILE_NAME);
}

char *ledger_place_beside(const char *option, const char *recording)
{
    size_t size = strlen(recording);
    while (size > 1 && recording[size - 1] == '/')
        size--;
    size_t base = size;
    while (base && recording[base - 1] != '/')
        base--;
    size_t letters = size - base;
    bool dots = (letters == 1 || letters == 2) && strncmp(recording + base, "..", letters) == 0;
    /* What '.' and '..' are called is known to their parent only. */
    char *folder = dots ? file_join(recording, "..") : strndup(recording, base);
    char *place = folder ? ledger_place(option, folder) : NULL;
    free(folder);
    return place;
}

static int put_job(void *context, struct ledger *ledger, struct rig_err *err)
{
    return ledger_put(ledger, context, err);
}

int ledger_fill(const char *option, const char *recording, char **path, struct text *notice,
                struct rig_err *err)
{
    *path = ledger_place_beside(option, recording);
    if (!*path)
        return rig_fail_memory(err, "the ledger");
    return ledger_use(*path, LEDGER_WRITE, put_job, (void *)recording, notice, err);
}
