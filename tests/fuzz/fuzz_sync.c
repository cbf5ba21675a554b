/* SPDX-License-Identifier: GPL-3.0-or-later
 * Sync files: any bytes give what was measured, which is then written and read back the same,
 * or one error with its place. */
#include "motion/syncfile.h"

#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static void need(bool truth)
{
    if (!truth)
        abort();
}

static bool same(struct sync_value a, struct sync_value b, double step)
{
    if (isnan(a.value) || isnan(a.u))
        return isnan(b.value);
    return fabs(a.value - b.value) <= step && fabs(a.u - b.u) <= 6e-3 * a.u;
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static struct units *units;
    static struct sync sync, again;
    struct rig_err err = {0};
    struct text text = {0};
    if (!units && !(units = units_open(&err)))
        abort();
    int code = sync_read(&sync, "f.sync", (const char *)data, size, units, &err);
    if (code) {
        need((code == RIG_EINPUT || code == RIG_ELIMIT) && strncmp(err.text, "f.sync:", 7) == 0);
        return 0;
    }
    need(strlen(sync.axis) == SYNC_MARK_SIZE - 1 && sync.source_count <= RIG_SOURCE_LIMIT);
    for (size_t i = 0; i < sync.source_count; i++) /* names that need quotes aren't written */
        for (const char *c = sync.sources[i].name; *c; c++)
            if (!((*c >= 'a' && *c <= 'z') || (*c >= 'A' && *c <= 'Z')))
                return 0;
    sync_write(&text, &sync, "f.rig");
    char *bytes = text_take(&text);
    need(bytes != NULL);
    need(sync_read(&again, "f.sync", bytes, strlen(bytes), units, &err) == 0);
    need(strcmp(sync.axis, again.axis) == 0 && strcmp(sync.made, again.made) == 0);
    need(same(sync.start_delay_s, again.start_delay_s, 1e-7));
    need(same(sync.skew_ppm, again.skew_ppm, 1e-4));
    need(same(sync.backlash_mm, again.backlash_mm, 1e-5));
    need(sync.source_count == again.source_count);
    free(bytes);
    return 0;
}
