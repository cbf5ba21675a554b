/* SPDX-License-Identifier: GPL-3.0-or-later
 * A plan as cubic pieces of depth in time, for those who integrate over it. */
#include "motion/plan.h"

#include "motion/plan_parts.h"

#include <math.h>

struct sink {
    double from_s, to_s; /* wanted: pieces that overlap [from, to) */
    struct motion_piece *pieces;
    size_t room, count;
    double datum_mm, slope; /* depth per stage in the water */
};

static void emit(struct sink *sink, struct motion_piece piece)
{
    if (!(piece.end_s > piece.start_s) || piece.end_s <= sink->from_s ||
        piece.start_s >= sink->to_s)
        return;
    if (sink->count < sink->room)
        sink->pieces[sink->count] = piece;
    sink->count++;
}

static struct motion_piece later(struct motion_piece piece, double u)
{
    double d = piece.d0_mm, v = piece.v0_mm_s, a = piece.a0_mm_s2, j = piece.j_mm_s3;
    piece.start_s += u;
    piece.d0_mm = d + u * (v + u * (a / 2 + u * j / 6));
    piece.v0_mm_s = v + u * (a + u * j / 2);
    piece.a0_mm_s2 = a + u * j;
    return piece;
}

static struct motion_piece scaled(struct motion_piece piece, double by)
{
    piece.d0_mm *= by;
    piece.v0_mm_s *= by;
    piece.a0_mm_s2 *= by;
    piece.j_mm_s3 *= by;
    return piece;
}

/* piece: of the stage above the datum. Below the surface depth grows faster; a
 * piece runs in one direction only, so it crosses the surface at most once. */
static void emit_depth(struct sink *sink, struct motion_piece piece)
{
    double end = later(piece, piece.end_s - piece.start_s).d0_mm;
    if (sink->slope == 1 || (piece.d0_mm <= 0 && end <= 0)) {
        emit(sink, piece);
        return;
    }
    if (piece.d0_mm >= 0 && end >= 0) {
        emit(sink, scaled(piece, sink->slope));
        return;
    }
    double low = 0, high = piece.end_s - piece.start_s;
    for (int i = 0; i < 100 && high - low > 1e-15 * (1 + high); i++) {
        double middle = 0.5 * (low + high);
        if ((later(piece, middle).d0_mm > 0) == (piece.d0_mm > 0))
            low = middle;
        else
            high = middle;
    }
    struct motion_piece second = later(piece, high);
    piece.end_s = second.start_s;
    emit(sink, scaled(piece, piece.d0_mm > 0 ? sink->slope : 1));
    emit(sink, scaled(second, piece.d0_mm > 0 ? 1 : sink->slope));
}

static void emit_rest(struct sink *sink, double start_s, double end_s, int32_t at_ct)
{
    double above_mm = plan_mm_of_ct(at_ct) - sink->datum_mm;
    emit(sink, (struct motion_piece){.start_s = start_s,
                                     .end_s = end_s,
                                     .d0_mm = above_mm > 0 ? above_mm * sink->slope : above_mm});
}

static void emit_line(const struct plan *plan, struct sink *sink, const struct plan_shape *shape,
                      uint32_t index, double start_s)
{
    const struct shape_line *line = &plan->lines[shape->first_line + index];
    if (line->feed_ct == 0) {
        emit_rest(sink, start_s, start_s + plan_line_s(plan, shape, index), line->target_ct);
        return;
    }
    struct motion_line motion;
    int32_t from_ct;
    plan_line_motion(plan, shape, index, &motion, &from_ct);
    double sign = line->target_ct > from_ct ? 1 : -1;
    for (int p = 0; p < motion.count; p++) {
        const struct motion_phase *phase = &motion.phase[p];
        struct motion_piece piece = {.start_s = start_s + phase->start_s,
                                     .end_s = start_s + phase->start_s + phase->duration_s,
                                     .d0_mm = plan_mm_of_ct(from_ct) - sink->datum_mm +
                                              sign * phase->s0_mm,
                                     .v0_mm_s = sign * phase->v0_mm_s,
                                     .a0_mm_s2 = sign * phase->a0_mm_s2,
                                     .j_mm_s3 = sign * phase->j_mm_s3};
        if (p + 1 == motion.count) /* no gap to the next line by the rounding of sums */
            piece.end_s = start_s + plan_line_s(plan, shape, index);
        emit_depth(sink, piece);
    }
}

static void emit_segment(const struct plan *plan, struct sink *sink,
                         const struct plan_segment *segment)
{
    const struct plan_shape *shape = &plan->shapes[segment->shape];
    if (shape->line_count == 0) {
        emit_rest(sink, segment->start_s, segment->start_s + segment->duration_s, shape->from_ct);
        return;
    }
    double skip = floor((sink->from_s - segment->start_s) / shape->cycle_s) - 1;
    uint32_t cycle = skip > 0 ? (uint32_t)fmin(skip, shape->repeats) : 0;
    for (; cycle < shape->repeats; cycle++) {
        double start_s = segment->start_s + cycle * shape->cycle_s;
        if (start_s >= sink->to_s)
            return;
        for (uint32_t i = 0; i < shape->line_count; i++) {
            double line_s = start_s + plan->lines[shape->first_line + i].start_s;
            if (line_s >= sink->to_s)
                return;
            if (i + 1 < shape->line_count &&
                start_s + plan->lines[shape->first_line + i + 1].start_s <= sink->from_s)
                continue;
            emit_line(plan, sink, shape, i, line_s);
        }
    }
}

size_t plan_pieces(const struct plan *plan, double from_s, double to_s,
                   struct motion_piece pieces[], size_t room)
{
    double tank = plan->water.tank_area_mm2, board = plan->water.board_area_mm2;
    struct sink sink = {.from_s = from_s,
                        .to_s = to_s,
                        .pieces = pieces,
                        .room = room,
                        .datum_mm = plan->water.datum_mm,
                        .slope = isnan(tank) || isnan(board) ? 1 : tank / (tank - board)};
    if (!(from_s < to_s))
        return 0;
    if (from_s < 0)
        emit_rest(&sink, from_s, fmin(to_s, 0), plan->shapes[plan->segments[0].shape].from_ct);
    size_t i = plan_segment_at(plan, from_s);
    for (i = i ? i - 1 : 0; i < plan->segment_count && plan->segments[i].start_s < to_s; i++)
        emit_segment(plan, &sink, &plan->segments[i]);
    if (to_s > plan->duration_s) {
        const struct plan_shape *last =
            &plan->shapes[plan->segments[plan->segment_count - 1].shape];
        int32_t at_ct = last->line_count
                            ? plan->lines[last->first_line + last->line_count - 1].target_ct
                            : last->from_ct;
        emit_rest(&sink, fmax(from_s, plan->duration_s), to_s, at_ct);
    }
    return sink.count;
}
