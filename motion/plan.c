/* SPDX-License-Identifier: GPL-3.0-or-later
 * A finished plan: its parts, exact evaluation, the lines of a stroke. */
#include "motion/plan.h"

#include "motion/plan_parts.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

const char *segment_kind_name(enum segment_kind kind)
{
    static const char *const names[] = {
#define X(kind, word) word,
        SEGMENT_KINDS(X)
#undef X
    };
    return (size_t)kind < SEGMENT_KIND_COUNT ? names[kind] : "?";
}

void plan_free(struct plan *plan)
{
    if (!plan)
        return;
    free(plan->segments);
    free(plan->shapes);
    free(plan->lines);
    free(plan->families);
    free(plan->family_before);
    free(plan->strokes);
    free(plan->notes);
    free(plan->marks);
    free(plan->shape_index.slots);
    free(plan->family_index.slots);
    profile_free(&plan->profile);
    free(plan);
}

const char *plan_title(const struct plan *plan)
{
    return plan->profile.title;
}

double plan_duration_s(const struct plan *plan)
{
    return plan->duration_s;
}

size_t plan_segment_count(const struct plan *plan)
{
    return plan->segment_count;
}

const struct plan_segment *plan_segments(const struct plan *plan)
{
    return plan->segments;
}

size_t plan_family_count(const struct plan *plan)
{
    return plan->family_count;
}

const struct plan_family *plan_families(const struct plan *plan)
{
    return plan->families;
}

size_t plan_stroke_count(const struct plan *plan)
{
    return plan->stroke_count;
}

const struct plan_stroke *plan_strokes(const struct plan *plan)
{
    return plan->strokes;
}

uint64_t plan_line_count(const struct plan *plan)
{
    return plan->wire_lines;
}

size_t plan_mark_count(const struct plan *plan)
{
    return plan->mark_count;
}

const struct plan_mark *plan_marks(const struct plan *plan)
{
    return plan->marks;
}

/* ---- the fingerprint: FNV-1a, 64 bits ---- */

static void add(uint64_t *hash, uint64_t value)
{
    unsigned char bytes[8]; /* in one order on every machine: recordings travel */
    for (int i = 0; i < 8; i++)
        bytes[i] = (unsigned char)(value >> 8 * i);
    *hash = plan_hash(*hash, bytes, sizeof bytes);
}

static void add_number(uint64_t *hash, double value)
{
    uint64_t bits;
    memcpy(&bits, &value, sizeof bits);
    add(hash, bits);
}

uint64_t plan_fingerprint(const struct plan *plan)
{
    uint64_t hash = PLAN_HASH_START;
    add(&hash, plan->law.law);
    add_number(&hash, plan->law.acceleration_mm_s2);
    add_number(&hash, plan->law.law == SPEED_TRAPEZOID ? 0 : plan->law.jerk_mm_s3);
    add(&hash, (uint64_t)plan->axis.lookahead_lines);
    add_number(&hash, plan->water.datum_mm);
    for (size_t i = 0; i < plan->shape_count; i++) {
        const struct plan_shape *shape = &plan->shapes[i];
        add(&hash, (uint64_t)shape->from_ct);
        add(&hash, shape->line_count);
        add(&hash, shape->repeats);
        for (uint32_t k = 0; k < shape->line_count; k++) {
            const struct shape_line *line = &plan->lines[shape->first_line + k];
            add(&hash, (uint64_t)line->target_ct);
            add(&hash, (uint64_t)line->feed_ct);
            if (line->feed_ct == 0)
                add(&hash, (uint64_t)llrint(plan_line_s(plan, shape, k) * 1e3));
        }
    }
    for (size_t i = 0; i < plan->segment_count; i++) {
        const struct plan_segment *segment = &plan->segments[i];
        add(&hash, segment->kind);
        add(&hash, segment->shape);
        if (plan->shapes[segment->shape].line_count == 0)
            add_number(&hash, segment->duration_s);
    }
    /* Times follow from all that by the planner's own formulas: the total to 10 ms
     * gives a changed formula away without hanging on the last digit of a sum. */
    add(&hash, (uint64_t)llrint(plan->duration_s * 100));
    return hash;
}

/* ---- evaluation ---- */

size_t plan_segment_at(const struct plan *plan, double t_s)
{
    size_t low = 0, high = plan->segment_count;
    while (high - low > 1) {
        size_t middle = low + (high - low) / 2;
        if (plan->segments[middle].start_s <= t_s)
            low = middle;
        else
            high = middle;
    }
    return low;
}

static bool is_in(const struct plan *plan, size_t segment, double t_s)
{
    return segment < plan->segment_count && plan->segments[segment].start_s <= t_s &&
           (segment + 1 == plan->segment_count || plan->segments[segment + 1].start_s > t_s);
}

/* Of t_s, which is in this segment. */
static double stage_in(const struct plan *plan, size_t at, double t_s, double *speed_mm_s)
{
    const struct plan_segment *segment = &plan->segments[at];
    const struct plan_shape *shape = &plan->shapes[segment->shape];
    double u = fmin(fmax(t_s - segment->start_s, 0), segment->duration_s);
    double stage = plan_shape_mm(plan, shape, u, speed_mm_s);
    if (t_s < 0 || t_s > plan->duration_s)
        *speed_mm_s = 0;
    return stage;
}

static double stage_at(const struct plan *plan, double t_s, double *speed_mm_s)
{
    *speed_mm_s = NAN;
    return isnan(t_s) ? NAN : stage_in(plan, plan_segment_at(plan, t_s), t_s, speed_mm_s);
}

double plan_stage_mm(const struct plan *plan, double t_s)
{
    double speed;
    return stage_at(plan, t_s, &speed);
}

/* The plan keeps the water, not a whole rig. */
static double depth_slope(const struct plan *plan, double stage_mm)
{
    double tank = plan->water.tank_area_mm2, board = plan->water.board_area_mm2;
    if (stage_mm <= plan->water.datum_mm || isnan(tank) || isnan(board))
        return 1;
    return tank / (tank - board);
}

double plan_depth_mm(const struct plan *plan, double t_s)
{
    double stage = plan_stage_mm(plan, t_s);
    return (stage - plan->water.datum_mm) * depth_slope(plan, stage);
}

double plan_speed_mm_s(const struct plan *plan, double t_s)
{
    double speed, stage = stage_at(plan, t_s, &speed);
    return speed * depth_slope(plan, stage);
}

double plan_depth_near_mm(const struct plan *plan, double t_s, size_t *segment, double *speed_mm_s)
{
    *speed_mm_s = NAN;
    if (isnan(t_s))
        return NAN;
    if (!is_in(plan, *segment, t_s) && !is_in(plan, ++*segment, t_s))
        *segment = plan_segment_at(plan, t_s);
    double stage = stage_in(plan, *segment, t_s, speed_mm_s), slope = depth_slope(plan, stage);
    *speed_mm_s *= slope;
    return (stage - plan->water.datum_mm) * slope;
}

/* ---- lines ---- */

struct plan_line_cursor plan_stroke_lines(const struct plan *plan, size_t stroke)
{
    struct plan_line_cursor cursor = {.plan = plan};
    if (stroke < plan->stroke_count) {
        cursor.segment = plan->strokes[stroke].first_segment;
        cursor.end_segment = cursor.segment + plan->strokes[stroke].segment_count;
    }
    return cursor;
}

bool plan_next_line(struct plan_line_cursor *cursor, struct plan_line *line)
{
    const struct plan *plan = cursor->plan;
    if (cursor->segment >= cursor->end_segment)
        return false;
    const struct plan_segment *segment = &plan->segments[cursor->segment];
    const struct plan_shape *shape = &plan->shapes[segment->shape];
    *line = (struct plan_line){.segment = cursor->segment};
    if (segment->kind == SEGMENT_LEAD) {
        line->stage_mm = plan_mm_of_ct(shape->from_ct);
        line->dwell_s = segment->duration_s;
        cursor->lead_done = true;
        cursor->segment++;
        cursor->line = 0;
        return true;
    }
    uint32_t index = (uint32_t)(cursor->line % shape->line_count);
    const struct shape_line *source = &plan->lines[shape->first_line + index];
    line->stage_mm = plan_mm_of_ct(source->target_ct);
    if (source->feed_ct)
        line->feed_mm_s = plan_feed_of_ct(source->feed_ct);
    else
        line->dwell_s = plan_line_s(plan, shape, index);
    if (++cursor->line == (uint64_t)shape->line_count * shape->repeats) {
        cursor->segment++;
        cursor->line = 0;
    }
    return true;
}
