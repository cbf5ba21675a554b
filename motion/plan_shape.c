/* SPDX-License-Identifier: GPL-3.0-or-later
 * Shapes: rows of lines, stored once, and their exact evaluation; and how a
 * controller with look-ahead joins lines. */
#include "motion/plan_parts.h"

#include "motion/axis.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

int plan_room(void **array, size_t *room, size_t count, size_t size, struct rig_err *err)
{
    if (count < *room)
        return 0;
    size_t larger = *room < 64 ? 64 : *room + *room / 2;
    void *grown = realloc(*array, larger * size);
    if (!grown)
        return rig_fail_memory(err, "planning");
    *array = grown;
    *room = larger;
    return 0;
}

int32_t plan_ct_of_mm(const struct rig_axis *axis, double stage_mm)
{
    int32_t ct = (int32_t)lrint(axis_wire_stage_mm(axis, stage_mm) * PLAN_COUNTS_A_MM);
    /* Rounding must not step over a soft limit. */
    double low = ceil(axis->travel_low_mm * PLAN_COUNTS_A_MM - 1e-6);
    double high = floor(axis->travel_high_mm * PLAN_COUNTS_A_MM + 1e-6);
    return ct < low ? (int32_t)low : ct > high ? (int32_t)high : ct;
}

double plan_mm_of_ct(int32_t position_ct)
{
    return position_ct / PLAN_COUNTS_A_MM;
}

int32_t plan_ct_of_feed(const struct rig_axis *axis, double feed_mm_s)
{
    return (int32_t)lrint(axis_wire_feed_mm_s(axis, feed_mm_s) * PLAN_COUNTS_A_MM_S);
}

double plan_feed_of_ct(int32_t feed_ct)
{
    return feed_ct / PLAN_COUNTS_A_MM_S;
}

/* Highest speed at the start of line i with rest at the end of line `last`. Stops
 * early where it meets `enough`, since more isn't asked for. */
static double stopping_speed(const struct motion_law *law, size_t i, size_t last,
                             const double distance_mm[], const double feed_mm_s[],
                             const double enough[])
{
    double v = 0;
    for (size_t k = last + 1; k-- > i;) {
        v = fmin(motion_reach_mm_s(law, v, distance_mm[k]),
                 k > 0 ? fmin(feed_mm_s[k - 1], feed_mm_s[k]) : feed_mm_s[k]);
        if (v >= enough[k])
            return enough[i];
    }
    return v;
}

void plan_joints(const struct motion_law *law, int lookahead_lines, size_t n,
                 const double distance_mm[], const double feed_mm_s[], double v[])
{
    v[0] = v[n] = 0;
    for (size_t i = n; i-- > 1;)
        v[i] = fmin(fmin(feed_mm_s[i - 1], feed_mm_s[i]),
                    motion_reach_mm_s(law, v[i + 1], distance_mm[i]));
    /* While line i - 1 runs, it and the lookahead - 1 lines after it are known. Going
     * down keeps v[k] for k > i as the unlimited speeds that `enough` needs. */
    size_t known = (size_t)lookahead_lines;
    for (size_t i = 1; i < n; i++) {
        if (i + known - 2 >= n - 1 && known >= 2)
            break; /* the true end is in sight from here on */
        v[i] = known < 2 ? 0 : stopping_speed(law, i, i + known - 2, distance_mm, feed_mm_s, v);
    }
    for (size_t i = 1; i < n; i++)
        v[i] = fmin(v[i], motion_reach_mm_s(law, v[i - 1], distance_mm[i - 1]));
}

/* ---- found again by what they are ---- */

static uint64_t shape_hash(const struct plan *plan, const struct plan_shape *shape)
{
    int32_t whole[3] = {shape->from_ct, shape->from_ct, 0};
    double speeds[2] = {0, shape->out_mm_s};
    if (shape->line_count) {
        const struct shape_line *line = &plan->lines[shape->first_line];
        whole[1] = line->target_ct;
        whole[2] = line->feed_ct;
        speeds[0] = line->in_mm_s;
    }
    uint64_t hash = plan_hash(PLAN_HASH_START, whole, sizeof whole);
    hash = plan_hash(hash, speeds, sizeof speeds);
    return hash ^ hash >> 29;
}

static int grow_index(struct plan *plan, struct rig_err *err)
{
    struct plan_index *index = &plan->shape_index;
    if (index->count * 2 < index->room)
        return 0;
    size_t room = index->room ? index->room * 2 : 256;
    uint32_t *slots = calloc(room, sizeof *slots);
    if (!slots)
        return rig_fail_memory(err, "planning");
    for (size_t i = 0; i < index->room; i++) {
        if (!index->slots[i])
            continue;
        size_t at = shape_hash(plan, &plan->shapes[index->slots[i] - 1]) & (room - 1);
        while (slots[at])
            at = (at + 1) & (room - 1);
        slots[at] = index->slots[i];
    }
    free(index->slots);
    index->slots = slots;
    index->room = room;
    return 0;
}

double plan_shape_s(const struct plan_shape *shape)
{
    return shape->cycle_s * shape->repeats;
}

int plan_add_shape(struct plan *plan, const struct plan_shape *shape, uint32_t *index,
                   struct rig_err *err)
{
    int code = plan_room((void **)&plan->shapes, &plan->shape_room, plan->shape_count,
                         sizeof *plan->shapes, err);
    if (code)
        return code;
    *index = (uint32_t)plan->shape_count;
    plan->shapes[plan->shape_count++] = *shape;
    return 0;
}

/* Looks for a shape of at most one line; adds it when there is none. */
static int find_shape(struct plan *plan, int32_t from_ct, const struct shape_line *line,
                      double out_mm_s, uint32_t *found, struct rig_err *err)
{
    int code = grow_index(plan, err);
    if (!code)
        code = plan_room((void **)&plan->lines, &plan->line_room, plan->line_count,
                         sizeof *plan->lines, err);
    if (code)
        return code;
    struct plan_shape fresh = {.first_line = (uint32_t)plan->line_count,
                               .line_count = line != NULL,
                               .repeats = 1,
                               .from_ct = from_ct,
                               .out_mm_s = out_mm_s};
    if (line)
        plan->lines[plan->line_count] = *line;
    struct plan_index *index = &plan->shape_index;
    size_t at = shape_hash(plan, &fresh) & (index->room - 1);
    for (; index->slots[at]; at = (at + 1) & (index->room - 1)) {
        const struct plan_shape *shape = &plan->shapes[index->slots[at] - 1];
        if (shape->from_ct != from_ct || shape->line_count != fresh.line_count ||
            shape->out_mm_s != out_mm_s)
            continue;
        const struct shape_line *other = &plan->lines[shape->first_line];
        if (line && (other->target_ct != line->target_ct || other->feed_ct != line->feed_ct ||
                     other->in_mm_s != line->in_mm_s))
            continue;
        *found = index->slots[at] - 1;
        return 0;
    }
    if (line) {
        if (plan->line_count >= PLAN_LINE_LIMIT)
            return rig_fail(err, RIG_ELIMIT,
                            "%s:1:1: the profile needs more than %d different "
                            "lines of motion; split it",
                            plan->profile.statements.name, PLAN_LINE_LIMIT);
        struct motion_line motion;
        int32_t start_ct;
        plan->line_count++;
        plan_line_motion(plan, &fresh, 0, &motion, &start_ct);
        fresh.cycle_s = motion.duration_s;
        fresh.peak_mm_s = motion.peak_mm_s;
        fresh.peak_mm_s2 = motion.peak_mm_s2;
    }
    if ((code = plan_add_shape(plan, &fresh, found, err)))
        return code;
    index->slots[at] = *found + 1;
    index->count++;
    return 0;
}

int plan_line_shape(struct plan *plan, int32_t from_ct, int32_t to_ct, int32_t feed_ct,
                    double in_mm_s, double out_mm_s, uint32_t *shape, struct rig_err *err)
{
    struct shape_line line = {.in_mm_s = in_mm_s, .target_ct = to_ct, .feed_ct = feed_ct};
    return find_shape(plan, from_ct, &line, out_mm_s, shape, err);
}

int plan_rest_shape(struct plan *plan, int32_t at_ct, uint32_t *shape, struct rig_err *err)
{
    return find_shape(plan, at_ct, NULL, 0, shape, err);
}

/* ---- evaluation ---- */

double plan_line_s(const struct plan *plan, const struct plan_shape *shape, uint32_t line)
{
    const struct shape_line *lines = &plan->lines[shape->first_line];
    double end_s = line + 1 < shape->line_count ? lines[line + 1].start_s : shape->cycle_s;
    return end_s - lines[line].start_s;
}

void plan_line_motion(const struct plan *plan, const struct plan_shape *shape, uint32_t line,
                      struct motion_line *motion, int32_t *from_ct)
{
    const struct shape_line *lines = &plan->lines[shape->first_line];
    *from_ct = line ? lines[line - 1].target_ct : shape->from_ct;
    double out = line + 1 < shape->line_count ? lines[line + 1].in_mm_s : shape->out_mm_s;
    motion_line_make(motion, &plan->law,
                     fabs(plan_mm_of_ct(lines[line].target_ct) - plan_mm_of_ct(*from_ct)),
                     lines[line].in_mm_s, out, plan_feed_of_ct(lines[line].feed_ct));
}

double plan_shape_mm(const struct plan *plan, const struct plan_shape *shape, double u_s,
                     double *speed_mm_s)
{
    *speed_mm_s = 0;
    if (shape->line_count == 0)
        return plan_mm_of_ct(shape->from_ct);
    if (shape->repeats > 1) {
        double whole = floor(u_s / shape->cycle_s);
        whole = fmin(fmax(whole, 0), shape->repeats - 1);
        u_s -= whole * shape->cycle_s;
    }
    const struct shape_line *lines = &plan->lines[shape->first_line];
    uint32_t low = 0, high = shape->line_count;
    while (high - low > 1) {
        uint32_t middle = low + (high - low) / 2;
        if (lines[middle].start_s <= u_s)
            low = middle;
        else
            high = middle;
    }
    if (lines[low].feed_ct == 0)
        return plan_mm_of_ct(lines[low].target_ct);
    struct motion_line motion;
    int32_t from_ct;
    plan_line_motion(plan, shape, low, &motion, &from_ct);
    double sign = lines[low].target_ct > from_ct ? 1 : -1, u = u_s - lines[low].start_s;
    *speed_mm_s = sign * motion_line_mm_s(&motion, u);
    return u >= motion.duration_s ? plan_mm_of_ct(lines[low].target_ct)
                                  : plan_mm_of_ct(from_ct) + sign * motion_line_mm(&motion, u);
}
