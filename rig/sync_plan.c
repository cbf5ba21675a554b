/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "rig/sync_plan.h"

#include "base/text.h"

#include <math.h>
#include <string.h>

enum { SPEEDS = 4, PAIRS = 4 };
static const double MARGIN_MM = 1; /* from the soft limits */
static const double CLEAR_MM = 3;  /* from the water, when all is done above it */
static const double ENOUGH_MM = 20, LEAST_MM = 2, LONGEST_S = 12, HOLD_S = 0.8;

static bool has_role(const struct rig *rig, enum channel_role role)
{
    for (size_t s = 0; s < rig->source_count; s++)
        for (size_t c = 0; c < rig->sources[s].channel_count; c++)
            if (rig->sources[s].channels[c].role == role)
                return true;
    return false;
}

char *sync_profile(const struct rig *rig, bool *wet, size_t *size, struct rig_err *err)
{
    const struct rig_axis *axis = &rig->axis;
    double margin_mm = fmin(MARGIN_MM, (axis->travel_high_mm - axis->travel_low_mm) / 20);
    double top_mm = rig_depth_from_stage(rig, axis->travel_low_mm + margin_mm);
    double bottom_mm = rig_depth_from_stage(rig, axis->travel_high_mm - margin_mm);
    bool only_trip = has_role(rig, ROLE_TRIP) && !has_role(rig, ROLE_REFERENCE);
    *wet = only_trip || -CLEAR_MM - top_mm < ENOUGH_MM;
    if (!*wet)
        bottom_mm = fmin(bottom_mm, -CLEAR_MM);
    double length_mm = bottom_mm - top_mm;
    if (!(length_mm >= LEAST_MM)) {
        rig_fail(err, RIG_ELIMIT,
                 "the travel of %g to %g mm leaves no room to measure an axis; correct 'travel' in "
                 "the rig file",
                 axis->travel_low_mm, axis->travel_high_mm);
        return NULL;
    }
    /* The fastest is reached in the middle half; the slowest takes its time, but not for ever. */
    double top_mm_s = fmin(axis->speed_mm_s, 0.6 * sqrt(axis->acceleration_mm_s2 * length_mm));
    double low_mm_s = fmin(fmax(top_mm_s / 8, length_mm / LONGEST_S), top_mm_s / 2);
    double ratio = pow(top_mm_s / low_mm_s, 1.0 / (SPEEDS - 1)), speed_mm_s = low_mm_s;
    struct text text = {0};
    text_format(&text, "title \"Sync of the axis\"\nstart at %.3f mm\nhold 1 s\neach speed ",
                top_mm);
    for (int i = 0; i < SPEEDS; i++, speed_mm_s *= ratio)
        text_format(&text, "%s%.3f", i ? ", " : "", speed_mm_s);
    text_format(&text,
                " mm/s\n  repeat %d\n    ramp to %.3f mm at speed\n    hold %g s\n    ramp to %.3f "
                "mm at speed\n    hold %g s\n  end\nend\n",
                PAIRS, bottom_mm, HOLD_S, top_mm, HOLD_S);
    char *bytes = text_take(&text);
    if (!bytes)
        rig_fail_memory(err, "the plan of a sync");
    *size = bytes ? strlen(bytes) : 0;
    return bytes;
}
