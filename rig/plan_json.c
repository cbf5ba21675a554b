/* SPDX-License-Identifier: GPL-3.0-or-later
 * A plan as one JSON object. */
#include "rig/plan_sheet.h"

#include <jansson.h>

#include <math.h>
#include <stdio.h>

/* Null where there is no number: JSON has no NaN. */
static json_t *number(double value)
{
    return isfinite(value) ? json_real(value) : json_null();
}

static json_t *sources(const struct plan_sheet *sheet)
{
    json_t *list = json_array();
    for (size_t i = 0; list && i < sheet->rig->source_count; i++) {
        const struct rig_source *s = &sheet->rig->sources[i];
        struct plan_estimate e = plan_source_estimate(sheet, i);
        json_array_append_new(list, json_pack("{s:s, s:o, s:o, s:o}", "name", s->name, "rate_hz",
                                              number(s->rate_hz), "rows", number(e.rows), "bytes",
                                              number(e.bytes)));
    }
    return list;
}

static json_t *families(const struct plan *plan)
{
    json_t *list = json_array();
    for (size_t i = 0; list && i < plan_family_count(plan); i++) {
        const struct plan_family *f = &plan_families(plan)[i];
        json_t *one = json_pack("{s:s, s:i, s:i, s:f, s:f, s:f, s:f, s:f, s:f, s:I, s:I}", "kind",
                                segment_kind_name(f->kind), "direction", f->direction,
                                "source_line", f->source_line, "from_mm", f->from_mm, "to_mm",
                                f->to_mm, "speed_mm_s", f->speed_mm_s, "peak_speed_mm_s",
                                f->peak_speed_mm_s, "peak_acceleration_mm_s2",
                                f->peak_acceleration_mm_s2, "duration_s", f->duration_s, "lines",
                                (json_int_t)f->lines, "instances", (json_int_t)f->instances);
        if (one && f->kind == SEGMENT_SINE) {
            json_object_set_new(one, "frequency_hz", json_real(f->frequency_hz));
            json_object_set_new(one, "asked_frequency_hz", json_real(f->asked_frequency_hz));
            json_object_set_new(one, "amplitude_mm", json_real(f->amplitude_mm));
            json_object_set_new(one, "asked_amplitude_mm", json_real(f->asked_amplitude_mm));
            json_object_set_new(one, "centre_mm", json_real(f->centre_mm));
            json_object_set_new(one, "cycles", json_integer((json_int_t)f->cycles));
        }
        json_array_append_new(list, one);
    }
    return list;
}

static json_t *abilities(const struct plan_sheet *sheet)
{
    struct plan_ability can[16];
    size_t count = plan_abilities(sheet->plan, sheet->rig, can, 16);
    json_t *list = json_array();
    for (size_t i = 0; list && i < count; i++)
        json_array_append_new(list, json_pack("{s:s, s:s, s:b, s:s}", "result", can[i].result,
                                              "gives", can[i].gives, "possible",
                                              (int)can[i].possible, "reason", can[i].reason));
    return list;
}

static json_t *marks(const struct plan *plan)
{
    json_t *list = json_array();
    for (size_t i = 0; list && i < plan_mark_count(plan); i++)
        json_array_append_new(list, json_pack("{s:f, s:s}", "at_s", plan_marks(plan)[i].at_s,
                                              "text", plan_marks(plan)[i].text));
    return list;
}

static json_t *all_segments(const struct plan *plan)
{
    json_t *list = json_array();
    for (size_t i = 0; list && i < plan_segment_count(plan); i++) {
        const struct plan_segment *s = &plan_segments(plan)[i];
        json_array_append_new(list,
                              json_pack("{s:s, s:f, s:f, s:f, s:f, s:i, s:I, s:I, s:i}", "kind",
                                        segment_kind_name((enum segment_kind)s->kind), "start_s",
                                        s->start_s, "duration_s", s->duration_s, "from_mm",
                                        (double)s->from_mm, "to_mm", (double)s->to_mm, "direction",
                                        s->direction, "family", (json_int_t)s->family, "stroke",
                                        (json_int_t)s->stroke, "source_line", s->source_line));
    }
    return list;
}

char *plan_json(const struct plan_sheet *sheet, bool segments)
{
    const struct plan *plan = sheet->plan;
    const struct rig_axis *axis = &sheet->rig->axis;
    char print[24];
    snprintf(print, sizeof print, "%016llx", (unsigned long long)plan_fingerprint(plan));
    json_t *object = json_pack(
        "{s:s, s:s, s:s, s:f, s:I, s:I, s:I, s:s, s:{s:f, s:f, s:f, s:f}, s:o, s:f, s:o, s:o, s:o}",
        "title", plan_title(plan), "profile", sheet->profile_name, "rig", sheet->rig_name,
        "duration_s", plan_duration_s(plan), "segment_count", (json_int_t)plan_segment_count(plan),
        "stroke_count", (json_int_t)plan_stroke_count(plan), "line_count",
        (json_int_t)plan_line_count(plan), "fingerprint", print, "limits", "travel_low_mm",
        axis->travel_low_mm, "travel_high_mm", axis->travel_high_mm, "speed_mm_s", axis->speed_mm_s,
        "acceleration_mm_s2", axis->acceleration_mm_s2, "sources", sources(sheet),
        "recording_bytes", plan_recording_bytes(sheet), "families", families(plan), "marks",
        marks(plan), "abilities", abilities(sheet));
    if (!object)
        return NULL;
    if (segments)
        json_object_set_new(object, "segments", all_segments(plan));
    char *text = json_dumps(object, JSON_INDENT(1) | JSON_REAL_PRECISION(12));
    json_decref(object);
    return text;
}
