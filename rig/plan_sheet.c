/* SPDX-License-Identifier: GPL-3.0-or-later
 * A plan as a page of text: what moves, how near to the limits, how long, how much
 * will be recorded, and which results to expect. */
#include "rig/plan_sheet.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* Of a row in a recording: 's.ssssss,' and up to nine digits a value, as measured on
 * recordings of the simulated bench. */
static const double TIME_BYTES = 12, VALUE_BYTES = 8, MOTION_ROW_BYTES = 48;

struct plan_estimate plan_source_estimate(const struct plan_sheet *sheet, size_t source)
{
    const struct rig_source *s = &sheet->rig->sources[source];
    double columns = (double)s->channel_count + (s->clock_column || s->clock_key[0]);
    double rows = floor(s->rate_hz * plan_duration_s(sheet->plan));
    return (struct plan_estimate){.rows = rows,
                                  .bytes = rows * (TIME_BYTES + VALUE_BYTES * columns)};
}

double plan_recording_bytes(const struct plan_sheet *sheet)
{
    double bytes = 20e3; /* run.json with both texts, metadata */
    for (size_t i = 0; i < sheet->rig->source_count; i++) {
        double source = plan_source_estimate(sheet, i).bytes;
        bytes += isnan(source) ? 0 : source;
    }
    const struct plan_stroke *strokes = plan_strokes(sheet->plan);
    for (size_t i = 0; i < plan_stroke_count(sheet->plan); i++)
        bytes += MOTION_ROW_BYTES *
                 (1 + (strokes[i].end_s - strokes[i].start_s) * sheet->rig->axis.poll_hz);
    return bytes;
}

/* ---- groups ---- */

static bool belongs(const struct plan_group *g, const struct plan_family *f)
{
    return g->kind == f->kind && g->direction == f->direction && g->source_line == f->source_line &&
           fabs(g->speed_mm_s - f->speed_mm_s) <= 1e-3 * g->speed_mm_s &&
           g->frequency_hz == f->frequency_hz && g->amplitude_mm == f->amplitude_mm;
}

static void join(struct plan_group *g, const struct plan_family *f)
{
    g->from_low_mm = fmin(g->from_low_mm, f->from_mm);
    g->from_high_mm = fmax(g->from_high_mm, f->from_mm);
    g->to_low_mm = fmin(g->to_low_mm, f->to_mm);
    g->to_high_mm = fmax(g->to_high_mm, f->to_mm);
    g->peak_speed_mm_s = fmax(g->peak_speed_mm_s, f->peak_speed_mm_s);
    g->peak_acceleration_mm_s2 = fmax(g->peak_acceleration_mm_s2, f->peak_acceleration_mm_s2);
    g->shortest_s = fmin(g->shortest_s, f->duration_s);
    g->longest_s = fmax(g->longest_s, f->duration_s);
    g->total_s += f->duration_s * (double)f->instances;
    g->lines += f->lines * f->instances;
    g->instances += f->instances;
}

struct plan_group *plan_groups(const struct plan *plan, size_t *count)
{
    const struct plan_family *families = plan_families(plan);
    size_t family_count = plan_family_count(plan), made = 0;
    struct plan_group *groups = calloc(family_count + 1, sizeof *groups);
    if (!groups)
        return NULL;
    for (size_t i = 0; i < family_count; i++) {
        const struct plan_family *f = &families[i];
        /* The nearest groups first: families of one statement come together. */
        size_t k = made;
        while (k > 0 && !belongs(&groups[k - 1], f))
            k--;
        if (k == 0) {
            groups[made++] = (struct plan_group){.kind = f->kind,
                                                 .direction = f->direction,
                                                 .source_line = f->source_line,
                                                 .from_low_mm = f->from_mm,
                                                 .from_high_mm = f->from_mm,
                                                 .to_low_mm = f->to_mm,
                                                 .to_high_mm = f->to_mm,
                                                 .speed_mm_s = f->speed_mm_s,
                                                 .shortest_s = f->duration_s,
                                                 .frequency_hz = f->frequency_hz,
                                                 .amplitude_mm = f->amplitude_mm,
                                                 .asked_amplitude_mm = f->asked_amplitude_mm,
                                                 .centre_mm = f->centre_mm,
                                                 .cycles = f->cycles};
            k = made;
        }
        join(&groups[k - 1], f);
    }
    *count = made;
    return groups;
}

/* ---- the page ---- */

static const char *arrow(int direction)
{
    return direction > 0 ? "rising" : direction < 0 ? "falling" : "";
}

static const char *span(char buffer[32], double low, double high)
{
    if (fabs(high - low) < 1e-9)
        snprintf(buffer, 32, "%.6g", low);
    else
        snprintf(buffer, 32, "%.4g..%.4g", low, high);
    return buffer;
}

static const char *percent(char buffer[16], double value, double limit)
{
    if (value > 0)
        snprintf(buffer, 16, "%.0f %%", 100 * value / limit);
    else
        buffer[0] = 0;
    return buffer;
}

static bool moves(enum segment_kind kind)
{
    return kind != SEGMENT_HOLD && kind != SEGMENT_STAIR_HOLD && kind != SEGMENT_LEAD;
}

static void group_row(struct text *text, const struct plan_sheet *sheet, const struct plan_group *g)
{
    char from[32], to[32], speed[16], acceleration[16], asked[16] = "", line[16] = "", each[32];
    const struct rig_axis *axis = &sheet->rig->axis;
    bool moving = moves(g->kind);
    if (g->source_line)
        snprintf(line, sizeof line, "%d", g->source_line);
    /* Steps and the planner's own moves go as fast as allowed: nothing was asked. */
    if (moving && g->speed_mm_s > 0 && g->speed_mm_s < 0.999 * axis->speed_mm_s)
        snprintf(asked, sizeof asked, "%.4g", g->speed_mm_s);
    if (g->longest_s - g->shortest_s > 1e-3)
        snprintf(each, sizeof each, "%.3f..%.3f", g->shortest_s, g->longest_s);
    else
        snprintf(each, sizeof each, "%.3f", g->longest_s);
    if (g->kind == SEGMENT_SINE) {
        snprintf(from, sizeof from, "%.6g", g->centre_mm);
        snprintf(to, sizeof to, "+/- %.4g", g->amplitude_mm);
    } else {
        span(from, g->from_low_mm, g->from_high_mm);
        span(to, g->to_low_mm, g->to_high_mm);
        if (!moving)
            to[0] = 0;
    }
    text_format(text, "%5s  %-10s %-8s %12s %12s %8s %6s %6s %18s %8llu %7llu", line,
                segment_kind_name(g->kind), arrow(g->direction), from, to, asked,
                percent(speed, g->peak_speed_mm_s, axis->speed_mm_s),
                percent(acceleration, g->peak_acceleration_mm_s2, axis->acceleration_mm_s2), each,
                (unsigned long long)g->lines, (unsigned long long)g->instances);
    if (g->kind == SEGMENT_SINE)
        text_format(text, "  %.4g Hz%s", g->frequency_hz,
                    g->amplitude_mm < g->asked_amplitude_mm ? ", shrunk" : "");
    text_add(text, "\n");
}

static void segment_row(struct text *text, const struct plan_sheet *sheet, size_t index)
{
    const struct plan_segment *s = &plan_segments(sheet->plan)[index];
    const struct plan_family *f = &plan_families(sheet->plan)[s->family];
    char speed[16], acceleration[16], line[16] = "";
    const struct rig_axis *axis = &sheet->rig->axis;
    if (s->source_line)
        snprintf(line, sizeof line, "%d", s->source_line);
    text_format(text, "%7zu %5s %12.3f %12.3f  %-10s %-8s %10.6g %10.6g %6s %6s %8llu\n", index,
                line, s->start_s, s->duration_s, segment_kind_name((enum segment_kind)s->kind),
                arrow(s->direction), (double)s->from_mm, (double)s->to_mm,
                percent(speed, f->peak_speed_mm_s, axis->speed_mm_s),
                percent(acceleration, f->peak_acceleration_mm_s2, axis->acceleration_mm_s2),
                (unsigned long long)f->lines);
}

static const char *megabytes(char buffer[32], double bytes)
{
    if (bytes < 1e6)
        snprintf(buffer, 32, "%.0f kB", bytes / 1e3);
    else if (bytes < 1e9)
        snprintf(buffer, 32, "%.1f MB", bytes / 1e6);
    else
        snprintf(buffer, 32, "%.2f GB", bytes / 1e9);
    return buffer;
}

static void shrunk_note(struct text *text, const struct plan *plan)
{
    const struct plan_family *f = plan_families(plan);
    bool any = false;
    for (size_t i = 0; i < plan_family_count(plan); i++) {
        if (f[i].kind != SEGMENT_SINE || !(f[i].amplitude_mm < f[i].asked_amplitude_mm))
            continue;
        if (!any)
            text_format(text, "\nShrunk to what the axis can do ('amplitude up to'):\n");
        any = true;
        text_format(text, "  %.4g Hz: %.4g mm instead of %.4g mm\n", f[i].frequency_hz,
                    f[i].amplitude_mm, f[i].asked_amplitude_mm);
    }
}

static void expectations(struct text *text, const struct plan_sheet *sheet)
{
    struct plan_ability abilities[16];
    size_t count = plan_abilities(sheet->plan, sheet->rig, abilities, 16);
    text_add(text, "\nWhat the fit can say:\n");
    for (size_t i = 0; i < count; i++)
        text_format(text, "  %-3s  %-22s  %s\n", abilities[i].possible ? "yes" : "no",
                    abilities[i].result, abilities[i].reason);
}

static void recording(struct text *text, const struct plan_sheet *sheet)
{
    char size[32];
    for (size_t i = 0; i < sheet->rig->source_count; i++) {
        const struct rig_source *s = &sheet->rig->sources[i];
        struct plan_estimate e = plan_source_estimate(sheet, i);
        if (isnan(e.rows))
            text_format(text, "source %s: its rate isn't in the rig file ('rate 100 Hz')\n",
                        s->name);
        else
            text_format(text, "source %s: about %.0f rows, %s\n", s->name, e.rows,
                        megabytes(size, e.bytes));
    }
    text_format(text, "recording: about %s\n", megabytes(size, plan_recording_bytes(sheet)));
}

void plan_table(struct text *text, const struct plan_sheet *sheet, bool segments)
{
    const struct plan *plan = sheet->plan;
    const struct rig_axis *axis = &sheet->rig->axis;
    char duration[32];
    size_t count = 0;
    struct plan_group *groups = plan_groups(plan, &count);
    if (!groups) {
        text->failed = true;
        return;
    }
    if (plan_title(plan)[0])
        text_format(text, "%s\n", plan_title(plan));
    text_format(text,
                "%s on %s: travel %.6g to %.6g mm of the stage, up to %.4g mm/s and %.4g mm/s2\n\n",
                sheet->profile_name, sheet->rig_name, axis->travel_low_mm, axis->travel_high_mm,
                axis->speed_mm_s, axis->acceleration_mm_s2);
    text_format(text, "%5s  %-10s %-8s %12s %12s %8s %6s %6s %18s %8s %7s\n", "", "", "", "from",
                "to", "asked", "peak", "peak", "each", "", "");
    text_format(text, "%5s  %-10s %-8s %12s %12s %8s %6s %6s %18s %8s %7s\n", "line", "segment", "",
                "mm", "mm", "mm/s", "speed", "accel", "s", "lines", "times");
    for (size_t i = 0; i < count; i++)
        group_row(text, sheet, &groups[i]);
    free(groups);
    text_format(text, "\n%s in all (%.3f s), %zu segments in %zu strokes, %llu lines of motion\n",
                text_duration(duration, plan_duration_s(plan)), plan_duration_s(plan),
                plan_segment_count(plan), plan_stroke_count(plan),
                (unsigned long long)plan_line_count(plan));
    recording(text, sheet);
    shrunk_note(text, plan);
    expectations(text, sheet);
    if (!segments)
        return;
    text_format(text, "\n%7s %5s %12s %12s  %-10s %-8s %10s %10s %6s %6s %8s\n", "number", "line",
                "start s", "takes s", "segment", "", "from mm", "to mm", "speed", "accel", "lines");
    for (size_t i = 0; i < plan_segment_count(plan); i++)
        segment_row(text, sheet, i);
}
