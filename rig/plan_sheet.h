/* SPDX-License-Identifier: GPL-3.0-or-later
 * A plan for people and programs: the table, the JSON and the picture that
 * `wetsweep plan` gives. Pure: text out. */
#ifndef RIG_PLAN_SHEET_H
#define RIG_PLAN_SHEET_H

#include "base/text.h"
#include "motion/plan.h"

struct plan_sheet {
    const struct plan *plan;
    const struct rig *rig;
    const char *profile_name, *rig_name; /* as given */
};

/* What a recording of this plan will hold. */
struct plan_estimate {
    double rows; /* of source `s` */
    double bytes;
};
/* Rows and bytes of one source's file; rows NaN where the rig file gives no rate. */
struct plan_estimate plan_source_estimate(const struct plan_sheet *sheet, size_t source);
/* Bytes of the whole recording, as far as the rates are known. */
double plan_recording_bytes(const struct plan_sheet *sheet);

/* Segments that people see as one kind: same statement, kind, direction and speed. */
struct plan_group {
    enum segment_kind kind;
    int direction, source_line;
    double from_low_mm, from_high_mm, to_low_mm, to_high_mm;
    double speed_mm_s, peak_speed_mm_s, peak_acceleration_mm_s2;
    double shortest_s, longest_s, total_s;
    uint64_t lines, instances;
    double frequency_hz, amplitude_mm, asked_amplitude_mm, centre_mm, cycles; /* sines */
};
/* malloc'd, in the order of first appearance; NULL: no memory. */
struct plan_group *plan_groups(const struct plan *plan, size_t *count);

/* The page that is printed; `segments`: every single one as well. */
void plan_table(struct text *text, const struct plan_sheet *sheet, bool segments);
/* One JSON object (docs/formats.md), malloc'd; NULL: no memory. */
char *plan_json(const struct plan_sheet *sheet, bool segments);
/* An SVG of depth and speed against time, exact to the pixel however long the plan. */
void plan_picture(struct text *text, const struct plan_sheet *sheet, struct rig_err *err);

#endif
