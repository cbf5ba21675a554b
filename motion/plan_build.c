/* SPDX-License-Identifier: GPL-3.0-or-later
 * Building a plan piece by piece: moves whose joints wait until it is known what
 * comes after, holds, strokes with their lead, families. What the profile says is
 * read off in plan_expand.c. */
#include "motion/plan_parts.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

int build_fail(struct plan_builder *b, size_t token, enum rig_code code, const char *format, ...)
{
    char text[400];
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(text, sizeof text, format, arguments);
    va_end(arguments);
    if (!b->node)
        return rig_fail(b->err, code, "%s: %s", b->plan->profile.statements.name, text);
    return profile_fail(&b->plan->profile, b->node->statement, token, code, b->err, "%s", text);
}

double build_value(const struct plan_builder *b, const struct profile_value *value)
{
    return value->variable >= 0 ? b->variables[value->variable] : value->number;
}

int build_positive(struct plan_builder *b, const struct profile_value *value, const char *what,
                   double *number)
{
    *number = build_value(b, value);
    if (*number > 0)
        return 0;
    return build_fail(b, value->token, RIG_EINPUT,
                      "%s must be greater than zero; here it is %g, a value of the 'each' around "
                      "this line",
                      what, *number);
}

int build_check_depth(struct plan_builder *b, size_t token, double depth_mm)
{
    const struct rig_axis *axis = &b->plan->axis;
    double stage_mm = rig_stage_from_depth(b->rig, depth_mm);
    double low = rig_depth_from_stage(b->rig, axis->travel_low_mm);
    double high = rig_depth_from_stage(b->rig, axis->travel_high_mm);
    if (stage_mm > axis->travel_high_mm + 1e-9)
        return build_fail(
            b, token, RIG_ELIMIT,
            "depth %.6g mm is past the end of travel (%.6g mm of depth with the stage "
            "at %.6g mm); make it smaller, or correct 'travel' in the rig file",
            depth_mm, high, axis->travel_high_mm);
    if (!(stage_mm >= axis->travel_low_mm - 1e-9))
        return build_fail(b, token, RIG_ELIMIT,
                          "depth %.6g mm is above the start of travel (%.6g mm of depth with the "
                          "stage at %.6g mm); make it greater, or correct 'travel' in the rig file",
                          depth_mm, low, axis->travel_low_mm);
    return 0;
}

double build_top_feed(const struct plan_builder *b)
{
    int32_t ct = plan_ct_of_feed(&b->plan->axis, b->plan->axis.speed_mm_s);
    if (plan_feed_of_ct(ct) > b->plan->axis.speed_mm_s * (1 + 1e-12))
        ct--;
    return plan_feed_of_ct(ct);
}

/* Depth changes faster than the stage where the board lifts the level. */
static double depth_a_stage(const struct plan_builder *b, double from_mm, double to_mm)
{
    if (fmax(from_mm, to_mm) <= 0)
        return 1;
    double datum = b->rig->water.datum_mm;
    return rig_depth_from_stage(b->rig, datum + 1) - rig_depth_from_stage(b->rig, datum);
}

double build_depth_speed(const struct plan_builder *b, double stage_mm_s, double from_mm,
                         double to_mm)
{
    return stage_mm_s * depth_a_stage(b, from_mm, to_mm);
}

int build_check_speed(struct plan_builder *b, size_t token, double depth_mm_s, double from_mm,
                      double to_mm, double *feed_mm_s)
{
    double stage = depth_mm_s / depth_a_stage(b, from_mm, to_mm), top = b->plan->axis.speed_mm_s;
    if (stage > top * (1 + 1e-12))
        return build_fail(b, token, RIG_ELIMIT,
                          "%.6g mm/s is faster than the axis goes (%.6g mm/s); make it slower, or "
                          "correct 'speed' in the rig file",
                          depth_mm_s, top);
    *feed_mm_s = fmin(stage, build_top_feed(b));
    if (plan_ct_of_feed(&b->plan->axis, *feed_mm_s) < 1)
        return build_fail(b, token, RIG_ELIMIT,
                          "%.6g mm/s is slower than a feed can say (%.2g mm/s); make it faster",
                          depth_mm_s, 1 / PLAN_COUNTS_A_MM_S);
    return 0;
}

/* ---- segments ---- */

static int add_segment(struct plan_builder *b, const struct plan_segment *segment, size_t *where)
{
    struct plan *plan = b->plan;
    if (plan->segment_count >= PLAN_SEGMENT_LIMIT)
        return build_fail(b, 0, RIG_ELIMIT,
                          "the profile unfolds to more than %d segments; repeat less often",
                          PLAN_SEGMENT_LIMIT);
    int code = plan_room((void **)&plan->segments, &plan->segment_room, plan->segment_count,
                         sizeof *plan->segments, b->err);
    if (code)
        return code;
    *where = plan->segment_count;
    plan->segments[plan->segment_count++] = *segment;
    return 0;
}

static int check_time(struct plan_builder *b)
{
    if (b->now_s <= PLAN_DAYS_LIMIT * 86400)
        return 0;
    return build_fail(b, 0, RIG_ELIMIT, "the plan is longer than %g days here; shorten it",
                      PLAN_DAYS_LIMIT);
}

static int32_t source_line(const struct plan_builder *b)
{
    return b->node ? b->node->statement->line : 0;
}

static uint32_t stroke_now(const struct plan_builder *b)
{
    return (uint32_t)b->plan->stroke_count;
}

/* Puts the lead before the stroke's first move, which alone is there so far. */
static int insert_lead(struct plan_builder *b)
{
    struct plan *plan = b->plan;
    size_t first = b->stroke_first, where = 0;
    struct plan_segment lead = plan->segments[first];
    lead.kind = SEGMENT_LEAD;
    lead.duration_s = plan->axis.lead_s;
    lead.direction = 0;
    lead.to_mm = lead.from_mm;
    lead.speed_mm_s = 0;
    lead.source_line = 0;
    int code = add_segment(b, &lead, &where);
    if (code)
        return code;
    memmove(&plan->segments[first + 1], &plan->segments[first],
            (where - first) * sizeof *plan->segments);
    int32_t at_ct = b->pending_count ? b->pending[0].from_ct
                                     : plan->shapes[plan->segments[first + 1].shape].from_ct;
    struct plan_family like = {.kind = SEGMENT_LEAD,
                               .duration_s = lead.duration_s,
                               .lines = 1,
                               .from_mm = (double)lead.from_mm,
                               .to_mm = (double)lead.from_mm};
    if ((code = plan_rest_shape(plan, at_ct, &lead.shape, b->err)) ||
        (code = plan_join_family(b->plan, &like, 0, &lead.family, b->err)))
        return code;
    plan->segments[first] = lead;
    for (size_t i = first + 1; i <= where; i++)
        plan->segments[i].start_s += lead.duration_s;
    for (size_t i = 0; i < b->pending_count; i++)
        b->pending[i].segment++;
    for (size_t i = plan->mark_count; i-- > 0 && plan->notes[i].segment > first;)
        plan->notes[i].segment++;
    b->now_s += lead.duration_s;
    plan->wire_lines++;
    return 0;
}

/* Room for the joints of what is pending: distances, feeds, speeds. */
static int scratch(struct plan_builder *b)
{
    size_t need = 3 * b->pending_count + 1;
    if (need <= b->scratch_room)
        return 0;
    double *grown = realloc(b->scratch, 2 * need * sizeof *grown);
    if (!grown)
        return rig_fail_memory(b->err, "planning");
    b->scratch = grown;
    b->scratch_room = 2 * need;
    return 0;
}

static double *pending_joints(struct plan_builder *b)
{
    size_t n = b->pending_count;
    double *distance = b->scratch, *feed = distance + n, *v = feed + n;
    for (size_t i = 0; i < n; i++) {
        distance[i] =
            fabs(plan_mm_of_ct(b->pending[i].to_ct) - plan_mm_of_ct(b->pending[i].from_ct));
        feed[i] = plan_feed_of_ct(b->pending[i].feed_ct);
    }
    plan_joints(&b->plan->law, b->plan->axis.lookahead_lines, n, distance, feed, v);
    return v;
}

/* What is pending comes to rest: now its joints are known. */
static int flush(struct plan_builder *b)
{
    struct plan *plan = b->plan;
    size_t n = b->pending_count;
    if (n == 0)
        return 0;
    const double *v = pending_joints(b);
    for (size_t i = 0; i < n; i++) {
        const struct plan_pending *p = &b->pending[i];
        struct plan_segment *segment = &plan->segments[p->segment];
        int code = plan_line_shape(plan, p->from_ct, p->to_ct, p->feed_ct, v[i], v[i + 1],
                                   &segment->shape, b->err);
        if (code)
            return code;
        const struct plan_shape *shape = &plan->shapes[segment->shape];
        segment->start_s = b->now_s;
        segment->duration_s = plan_shape_s(shape);
        b->now_s += segment->duration_s;
        struct plan_family like = {.kind = (enum segment_kind)segment->kind,
                                   .direction = segment->direction,
                                   .from_mm = p->from_mm,
                                   .to_mm = p->to_mm,
                                   .speed_mm_s = p->asked_mm_s,
                                   .peak_speed_mm_s = shape->peak_mm_s,
                                   .peak_acceleration_mm_s2 = shape->peak_mm_s2,
                                   .duration_s = segment->duration_s,
                                   .lines = 1,
                                   .source_line = segment->source_line};
        if ((code = plan_join_family(b->plan, &like, 0, &segment->family, b->err)))
            return code;
        b->last_move = segment->family;
    }
    plan->wire_lines += n;
    b->pending_count = 0;
    return check_time(b);
}

static void open_stroke(struct plan_builder *b)
{
    if (b->stroke_open)
        return;
    b->stroke_open = true;
    b->stroke_first = b->plan->segment_count;
    b->stroke_moves = 0;
    b->stroke_line = b->plan->wire_lines;
}

int build_move(struct plan_builder *b, enum segment_kind kind, double to_mm, double feed_mm_s,
               double asked_mm_s)
{
    struct plan *plan = b->plan;
    int32_t to_ct = plan_ct_of_mm(&plan->axis, rig_stage_from_depth(b->rig, to_mm));
    if (to_ct == b->at_ct) {
        b->depth_mm = to_mm;
        return 0;
    }
    int direction = to_ct > b->at_ct ? 1 : -1, code;
    if (b->pending_count && direction != b->direction && (code = flush(b)))
        return code;
    open_stroke(b);
    struct plan_segment segment = {.start_s = b->now_s,
                                   .from_mm = (float)b->depth_mm,
                                   .to_mm = (float)to_mm,
                                   .speed_mm_s = (float)asked_mm_s,
                                   .kind = (uint16_t)kind,
                                   .direction = (int16_t)direction,
                                   .stroke = stroke_now(b),
                                   .source_line = source_line(b)};
    size_t where = 0;
    if (b->stroke_moves == 1 && (code = insert_lead(b)))
        return code;
    segment.start_s = b->now_s;
    if ((code = plan_room((void **)&b->pending, &b->pending_room, b->pending_count,
                          sizeof *b->pending, b->err)) ||
        (code = add_segment(b, &segment, &where)))
        return code;
    b->pending[b->pending_count++] =
        (struct plan_pending){.segment = where,
                              .from_ct = b->at_ct,
                              .to_ct = to_ct,
                              .feed_ct = plan_ct_of_feed(&b->plan->axis, feed_mm_s),
                              .from_mm = b->depth_mm,
                              .to_mm = to_mm,
                              .asked_mm_s = asked_mm_s};
    b->stroke_moves++;
    b->at_ct = to_ct;
    b->depth_mm = to_mm;
    b->direction = direction;
    return scratch(b);
}

double build_elapsed(struct plan_builder *b)
{
    double now_s = b->now_s;
    if (b->pending_count == 0)
        return now_s;
    const double *v = pending_joints(b), *distance = b->scratch;
    for (size_t i = 0; i < b->pending_count; i++) {
        struct motion_line motion;
        motion_line_make(&motion, &b->plan->law, distance[i], v[i], v[i + 1],
                         plan_feed_of_ct(b->pending[i].feed_ct));
        now_s += motion.duration_s;
    }
    return now_s;
}

int build_rest(struct plan_builder *b)
{
    struct plan *plan = b->plan;
    if (!b->stroke_open)
        return 0;
    int code = flush(b);
    if (!code)
        code = plan_room((void **)&plan->strokes, &plan->stroke_room, plan->stroke_count,
                         sizeof *plan->strokes, b->err);
    if (code)
        return code;
    plan->strokes[plan->stroke_count++] =
        (struct plan_stroke){.start_s = plan->segments[b->stroke_first].start_s,
                             .end_s = b->now_s,
                             .first_segment = b->stroke_first,
                             .segment_count = plan->segment_count - b->stroke_first,
                             .first_line = b->stroke_line,
                             .line_count = plan->wire_lines - b->stroke_line};
    b->stroke_open = false;
    return 0;
}

int build_hold(struct plan_builder *b, enum segment_kind kind, double duration_s)
{
    struct plan *plan = b->plan;
    int code = build_rest(b);
    if (code)
        return code;
    struct plan_segment segment = {.start_s = b->now_s,
                                   .duration_s = duration_s,
                                   .from_mm = (float)b->depth_mm,
                                   .to_mm = (float)b->depth_mm,
                                   .kind = (uint16_t)kind,
                                   .direction = (int16_t)b->direction,
                                   .stroke = plan->stroke_count ? stroke_now(b) - 1 : 0,
                                   .source_line = source_line(b)};
    struct plan_family like = {.kind = kind,
                               .direction = b->direction,
                               .from_mm = b->depth_mm,
                               .to_mm = b->depth_mm,
                               .duration_s = duration_s,
                               .source_line = segment.source_line};
    size_t where = 0;
    if ((code = plan_rest_shape(plan, b->at_ct, &segment.shape, b->err)) ||
        (code = plan_join_family(b->plan, &like, b->last_move, &segment.family, b->err)) ||
        (code = add_segment(b, &segment, &where)))
        return code;
    b->now_s += duration_s;
    return check_time(b);
}

int build_fast_move(struct plan_builder *b, enum segment_kind kind, double to_mm)
{
    double feed = build_top_feed(b);
    return build_move(b, kind, to_mm, feed, build_depth_speed(b, feed, b->depth_mm, to_mm));
}

int build_keep_figure(struct plan_builder *b, const struct plan_figure *fresh,
                      const struct plan_figure **figure)
{
    int code = plan_room((void **)&b->figures, &b->figure_room, b->figure_count, sizeof *b->figures,
                         b->err);
    if (code)
        return code;
    b->figures[b->figure_count] = *fresh;
    *figure = &b->figures[b->figure_count++];
    return 0;
}

int build_figure(struct plan_builder *b, const struct plan_figure *figure)
{
    struct plan *plan = b->plan;
    const struct plan_family *family = &figure->family;
    int code;
    if ((code = build_fast_move(b, SEGMENT_APPROACH, figure->start_mm)) || (code = build_rest(b)))
        return code;
    open_stroke(b);
    struct plan_segment segment = {.start_s = b->now_s,
                                   .duration_s = plan_shape_s(&plan->shapes[figure->shape]),
                                   .from_mm = (float)family->from_mm,
                                   .to_mm = (float)family->to_mm,
                                   .speed_mm_s = (float)family->speed_mm_s,
                                   .kind = (uint16_t)family->kind,
                                   .shape = figure->shape,
                                   .stroke = stroke_now(b),
                                   .source_line = source_line(b)};
    size_t where = 0;
    if ((code = plan_join_family(b->plan, family, 0, &segment.family, b->err)) ||
        (code = add_segment(b, &segment, &where)))
        return code;
    b->now_s += segment.duration_s;
    if (family->lines > 1 && (code = insert_lead(b)))
        return code;
    plan->wire_lines += family->lines;
    b->at_ct = figure->end_ct;
    b->depth_mm = figure->end_mm;
    b->direction = figure->end_direction;
    b->last_move = segment.family;
    if ((code = check_time(b)))
        return code;
    return build_rest(b);
}
