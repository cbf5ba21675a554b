/* SPDX-License-Identifier: GPL-3.0-or-later
 * From the profile's tree to the builder, statement by statement, and the plan's
 * two ends: the approach to the start and the park move. */
#include "motion/plan_curve.h"
#include "motion/plan_parts.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Where the profile does not say: common practice, no source. A datum read off by eye is right to a
 * millimetre or so; slow enough that the reading's lag is a tenth of one. */
static const double TOUCH_WITHIN_MM = 3, TOUCH_MM_S = 1, TOUCH_REST_S = 3;

static int expand(struct plan_builder *b, const struct profile_node *body, size_t count);

static int add_mark(struct plan_builder *b, const char *text)
{
    struct plan *plan = b->plan;
    if (plan->mark_count >= PLAN_MARK_LIMIT)
        return build_fail(b, 0, RIG_ELIMIT,
                          "the profile unfolds to more than %d marks; repeat "
                          "less often",
                          PLAN_MARK_LIMIT);
    int code = plan_room((void **)&plan->notes, &plan->note_room, plan->mark_count,
                         sizeof *plan->notes, b->err);
    if (code)
        return code;
    plan->notes[plan->mark_count++] =
        (struct plan_note){.segment = plan->segment_count, .text = text};
    return 0;
}

static int expand_ramp(struct plan_builder *b, const struct profile_node *node)
{
    double to_mm = build_value(b, &node->to), speed, feed;
    int code;
    if ((code = build_check_depth(b, node->to.token, to_mm)) ||
        (code = build_positive(b, &node->speed, "the speed", &speed)) ||
        (code = build_check_speed(b, node->speed.token, speed, b->depth_mm, to_mm, &feed)))
        return code;
    return build_move(b, SEGMENT_RAMP, to_mm, feed, speed);
}

static int expand_step(struct plan_builder *b, const struct profile_node *node)
{
    double to_mm = build_value(b, &node->to);
    int code = build_check_depth(b, node->to.token, to_mm);
    return code ? code : build_fast_move(b, SEGMENT_STEP, to_mm);
}

static int stair(struct plan_builder *b, const struct profile_node *node, int64_t level,
                 enum segment_kind kind, double hold_s)
{
    double from = build_value(b, &node->from), to = build_value(b, &node->to);
    double depth =
        level == node->count ? to : from + (to - from) * ((double)level / (double)node->count);
    int code;
    if (node->has_speed) {
        double speed, feed;
        if ((code = build_positive(b, &node->speed, "the speed", &speed)) ||
            (code = build_check_speed(b, node->speed.token, speed, b->depth_mm, depth, &feed)) ||
            (code = build_move(b, kind, depth, feed, speed)))
            return code;
    } else if ((code = build_fast_move(b, kind, depth))) {
        return code;
    }
    return build_hold(b, SEGMENT_STAIR_HOLD, hold_s);
}

static int expand_stairs(struct plan_builder *b, const struct profile_node *node)
{
    double from = build_value(b, &node->from), to = build_value(b, &node->to), hold_s;
    int code;
    if ((code = build_check_depth(b, node->from.token, from)) ||
        (code = build_check_depth(b, node->to.token, to)) ||
        (code = build_positive(b, &node->time, "the time on each stair", &hold_s)))
        return code;
    if (fabs(to - from) / (double)node->count < b->plan->axis.step_mm)
        return build_fail(b, node->to.token, RIG_ELIMIT,
                          "%lld stairs from %.6g mm to %.6g mm are %.3g mm high, below one step of "
                          "the axis (%.3g mm); make them fewer",
                          (long long)node->count, from, to, fabs(to - from) / (double)node->count,
                          b->plan->axis.step_mm);
    for (int64_t i = 0; i <= node->count; i++)
        if ((code = stair(b, node, i, i ? SEGMENT_STAIR_MOVE : SEGMENT_APPROACH, hold_s)))
            return code;
    for (int64_t i = node->count - 1; node->both_ways && i >= 0; i--)
        if ((code = stair(b, node, i, SEGMENT_STAIR_MOVE, hold_s)))
            return code;
    return 0;
}

/* One more turn of any loop: bounds what a file of a few bytes can cost. */
static int turn(struct plan_builder *b, const struct profile_node *node)
{
    if (++b->loops <= PLAN_LOOP_LIMIT)
        return 0;
    b->node = node;
    return build_fail(b, 0, RIG_ELIMIT,
                      "the profile repeats more than %d times in all; repeat "
                      "less often",
                      PLAN_LOOP_LIMIT);
}

static int expand_repeat(struct plan_builder *b, const struct profile_node *node)
{
    int code;
    for (int64_t i = 0; i < node->count; i++)
        if ((code = turn(b, node)) || (code = expand(b, node->body, node->body_count)))
            return code;
    return 0;
}

static int expand_repeat_for(struct plan_builder *b, const struct profile_node *node)
{
    double time_s;
    int code = build_positive(b, &node->time, "the time to repeat for", &time_s);
    if (code)
        return code;
    if (time_s > PLAN_DAYS_LIMIT * 86400)
        return build_fail(b, node->time.token, RIG_ELIMIT,
                          "repeating for %.4g days makes a plan longer than %g days; shorten it",
                          time_s / 86400, PLAN_DAYS_LIMIT);
    double begin_s = build_elapsed(b), now_s = begin_s;
    while (now_s - begin_s < time_s) {
        if ((code = turn(b, node)) || (code = expand(b, node->body, node->body_count)))
            return code;
        double then_s = build_elapsed(b);
        if (!(then_s > now_s)) {
            b->node = node;
            return build_fail(b, 0, RIG_EINPUT,
                              "what is repeated here takes no time, so it would never end; put a "
                              "move or a hold into it");
        }
        now_s = then_s;
    }
    return 0;
}

static int expand_each(struct plan_builder *b, const struct profile_node *node)
{
    int code;
    for (size_t i = 0; i < node->value_count; i++) {
        b->variables[node->variable] = node->values[i];
        if ((code = turn(b, node)) || (code = expand(b, node->body, node->body_count)))
            return code;
    }
    return 0;
}

static int expand_hold(struct plan_builder *b, const struct profile_node *node)
{
    double time_s;
    int code = build_positive(b, &node->time, "the time to hold", &time_s);
    return code ? code : build_hold(b, SEGMENT_HOLD, time_s);
}

/* Up out of the water, a rest in air, slowly through the surface, a rest in the water: from those
 * the fit tells where the surface was. The way is the same whatever the board reads, so that what
 * follows stays as planned. */
static int expand_touch(struct plan_builder *b, const struct profile_node *node)
{
    double within = TOUCH_WITHIN_MM, speed = TOUCH_MM_S, feed;
    size_t token = node->has_within ? node->within.token : 0;
    int code;
    if ((node->has_within && (code = build_positive(b, &node->within, "the distance", &within))) ||
        (node->has_speed && (code = build_positive(b, &node->speed, "the speed", &speed))) ||
        (code = build_check_depth(b, token, -within)) ||
        (code = build_check_depth(b, token, within)) ||
        (code = build_check_speed(b, node->has_speed ? node->speed.token : 0, speed, -within,
                                  within, &feed)) ||
        (code = build_fast_move(b, SEGMENT_APPROACH, -within)) ||
        (code = build_hold(b, SEGMENT_HOLD, TOUCH_REST_S)) ||
        (code = build_move(b, SEGMENT_TOUCH, within, feed, speed)))
        return code;
    return build_hold(b, SEGMENT_HOLD, TOUCH_REST_S);
}

static int expand(struct plan_builder *b, const struct profile_node *body, size_t count)
{
    for (size_t i = 0; i < count; i++) {
        const struct profile_node *node = &body[i];
        int code = 0;
        b->node = node;
        switch (node->kind) {
        case PROFILE_RAMP:
            code = expand_ramp(b, node);
            break;
        case PROFILE_STEP:
            code = expand_step(b, node);
            break;
        case PROFILE_HOLD:
            code = expand_hold(b, node);
            break;
        case PROFILE_STAIRS:
            code = expand_stairs(b, node);
            break;
        case PROFILE_SINE:
            code = build_sine(b, node);
            break;
        case PROFILE_FOLLOW:
            code = build_follow(b, node);
            break;
        case PROFILE_TOUCH:
            code = expand_touch(b, node);
            break;
        case PROFILE_MARK:
            code = add_mark(b, node->text);
            break;
        case PROFILE_REPEAT:
            code = expand_repeat(b, node);
            break;
        case PROFILE_REPEAT_FOR:
            code = expand_repeat_for(b, node);
            break;
        case PROFILE_EACH:
            code = expand_each(b, node);
            break;
        }
        if (code)
            return code;
    }
    return 0;
}

static int make(struct plan_builder *b)
{
    struct plan *plan = b->plan;
    const struct profile *profile = &plan->profile;
    int code;
    b->depth_mm = plan->axis.park_mm;
    b->at_ct = plan_ct_of_mm(&plan->axis, rig_stage_from_depth(b->rig, b->depth_mm));
    if (plan_ct_of_feed(&b->plan->axis, build_top_feed(b)) < 1)
        return rig_fail(b->err, RIG_ELIMIT,
                        "%s: the axis' top speed of %g mm/s is slower than a "
                        "feed can say; correct 'speed' in the rig file",
                        profile->statements.name, plan->axis.speed_mm_s);
    if (profile->has_start) {
        struct profile_node start = {.statement = profile->start_statement};
        double depth = build_value(b, &profile->start);
        b->node = &start;
        if ((code = build_check_depth(b, profile->start.token, depth)) ||
            (code = build_fast_move(b, SEGMENT_APPROACH, depth)))
            return code;
    }
    if ((code = expand(b, profile->body, profile->body_count)))
        return code;
    b->node = NULL;
    if ((code = build_fast_move(b, SEGMENT_PARK, plan->axis.park_mm)) || (code = build_rest(b)))
        return code;
    if (plan->stroke_count == 0)
        return rig_fail(b->err, RIG_EINPUT,
                        "%s:1:1: nothing moves in this profile; begin with "
                        "'start at 10 mm'",
                        profile->statements.name);
    plan->duration_s = b->now_s;
    return 0;
}

static int place_marks(struct plan *plan, struct rig_err *err)
{
    plan->marks = calloc(plan->mark_count + 1, sizeof *plan->marks);
    if (!plan->marks)
        return rig_fail_memory(err, "planning");
    for (size_t i = 0; i < plan->mark_count; i++) {
        size_t segment = plan->notes[i].segment;
        plan->marks[i].text = plan->notes[i].text;
        plan->marks[i].at_s =
            segment < plan->segment_count ? plan->segments[segment].start_s : plan->duration_s;
    }
    return 0;
}

struct plan *plan_make(const struct rig *rig, const char *name, const char *text, size_t size,
                       struct units *units, const struct plan_files *files, struct rig_err *err)
{
    struct plan *plan = calloc(1, sizeof *plan);
    if (!plan) {
        rig_fail_memory(err, "planning");
        return NULL;
    }
    plan->axis = rig->axis;
    plan->water = rig->water;
    plan->law = (struct motion_law){.law = rig->axis.law,
                                    .acceleration_mm_s2 = rig->axis.acceleration_mm_s2,
                                    .jerk_mm_s3 = rig->axis.jerk_mm_s3};
    struct curve_lines curve = {0};
    struct plan_builder builder = {
        .plan = plan, .rig = rig, .files = files, .err = err, .curve = &curve};
    int code = profile_read(&plan->profile, name, text, size, units, err);
    if (!code)
        code = make(&builder);
    if (!code)
        code = place_marks(plan, err);
    free(builder.pending);
    free(builder.scratch);
    free(builder.figures);
    plan_curve_free(&curve);
    if (code) {
        plan_free(plan);
        return NULL;
    }
    return plan;
}
