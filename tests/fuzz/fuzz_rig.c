/* SPDX-License-Identifier: GPL-3.0-or-later
 * Rig files: any bytes give a rig whose limits make sense, or one error with its place. */
#include "motion/rigfile.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static void need(bool truth)
{
    if (!truth)
        abort();
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static struct units *units; /* reading the unit database takes longer than all else */
    struct rig_err err = {0};
    if (!units && !(units = units_open(&err)))
        abort();
    static struct rig rig;
    int code = rig_read(&rig, "f.rig", (const char *)data, size, units, &err);
    if (code) {
        need(code == RIG_EINPUT || code == RIG_ELIMIT);
        need(code == (int)err.code && strncmp(err.text, "f.rig:", 6) == 0);
        return 0;
    }
    const struct rig_axis *a = &rig.axis;
    need(a->travel_low_mm < a->travel_high_mm && isfinite(a->travel_high_mm - a->travel_low_mm));
    need(a->speed_mm_s > 0 && a->acceleration_mm_s2 > 0 && a->step_mm > 0 && a->line_rate_hz > 0);
    need(a->law == SPEED_TRAPEZOID || a->jerk_mm_s3 > 0);
    need(a->park_mm < 0 && a->port[0] && a->speaks[0]);
    need(rig_stage_from_depth(&rig, a->park_mm) >= a->travel_low_mm - 1e-6);
    need(rig.source_count <= RIG_SOURCE_LIMIT);
    for (size_t i = 0; i < rig.source_count; i++)
        need(rig.sources[i].channel_count > 0 &&
             rig.sources[i].channel_count <= RIG_CHANNEL_LIMIT && rig.sources[i].name[0]);
    double there = rig_depth_from_stage(&rig, rig_stage_from_depth(&rig, 12.5));
    need(fabs(there - 12.5) < 1e-6);
    return 0;
}
