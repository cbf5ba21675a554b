/* SPDX-License-Identifier: GPL-3.0-or-later
 * Profiles: any bytes give a plan that stays within the axis' limits, or one error with
 * its place. The first byte chooses the rig; a second part behind a NUL is the trace that
 * 'follow' finds. */
#include "motion/plan.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

struct part {
    const char *bytes;
    size_t size;
};

static void need(bool truth)
{
    if (!truth)
        abort();
}

static int load(void *context, const char *path, char **bytes, size_t *size, struct rig_err *err)
{
    const struct part *part = context;
    (void)path;
    *bytes = malloc(part->size + 1);
    if (!*bytes)
        return rig_fail_memory(err, "a trace");
    memcpy(*bytes, part->bytes, part->size);
    (*bytes)[part->size] = 0;
    *size = part->size;
    return 0;
}

static void check(const struct rig *rig, const struct plan *plan)
{
    double end_s = plan_duration_s(plan);
    need(isfinite(end_s) && end_s > 0);
    need(plan_segment_count(plan) > 0 && plan_stroke_count(plan) > 0);
    double low = rig->axis.travel_low_mm - 1e-6, high = rig->axis.travel_high_mm + 1e-6;
    for (int i = 0; i <= 300; i++) {
        double t = end_s * i / 300, stage = plan_stage_mm(plan, t);
        need(stage >= low && stage <= high);
        double slope = rig_depth_from_stage(rig, rig->water.datum_mm + 1);
        need(fabs(plan_speed_mm_s(plan, t)) <= rig->axis.speed_mm_s * slope * (1 + 1e-6) + 1e-6);
    }
    struct motion_piece pieces[16];
    need(plan_pieces(plan, end_s * 0.5, end_s * 0.51, pieces, 16) > 0);
    struct plan_line line;
    size_t last = plan_stroke_count(plan) - 1;
    struct plan_line_cursor cursor = plan_stroke_lines(plan, last);
    for (int i = 0; i < 1000 && plan_next_line(&cursor, &line); i++)
        need(line.stage_mm >= low && line.stage_mm <= high &&
             (line.dwell_s > 0 || (line.feed_mm_s > 0 && line.feed_mm_s <= rig->axis.speed_mm_s)));
    struct plan_ability abilities[16];
    need(plan_abilities(plan, rig, abilities, 16) <= 16);
    (void)plan_fingerprint(plan);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static struct units *units;
    struct rig_err err = {0};
    if (!units && !(units = units_open(&err)))
        abort();
    static const char rig_text[] =
        "axis\nport a\ntravel 0 mm to 220 mm\nspeed up to 60 mm/s\nacceleration up to 900 mm/s2\n"
        "resolution 400 steps/mm\npark at -20 mm\nlines up to 300 lines/s\nend\nwater\n"
        "datum at stage 31.4 mm\ntank area 900 cm2\nboard section 0.6 cm2\nend\n";
    static struct rig rig;
    need(rig_read(&rig, "r.rig", rig_text, sizeof rig_text - 1, units, &err) == 0);
    if (size == 0)
        return 0;
    if (data[0] & 1) {
        rig.axis.law = SPEED_JERK_LIMITED;
        rig.axis.jerk_mm_s3 = 9000;
    }
    rig.axis.lookahead_lines = 1 + (data[0] >> 1 & 15);
    data++;
    size--;
    const uint8_t *cut = memchr(data, 0, size);
    struct part trace = {"", 0};
    if (cut) {
        trace = (struct part){(const char *)cut + 1, size - (size_t)(cut + 1 - data)};
        size = (size_t)(cut - data);
    }
    struct plan_files files = {load, &trace};
    struct plan *plan = plan_make(&rig, "f.profile", (const char *)data, size, units, &files, &err);
    if (!plan) {
        need(err.code == RIG_EINPUT || err.code == RIG_ELIMIT);
        need(strchr(err.text, ':') != NULL);
        return 0;
    }
    check(&rig, plan);
    plan_free(plan);
    return 0;
}
