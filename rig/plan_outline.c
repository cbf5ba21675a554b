/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "rig/plan_outline.h"

#include <math.h>
#include <stdlib.h>

static void take(struct plan_column *column, double t, double value)
{
    struct plan_point point = {t, value};
    if (!column->any)
        *column = (struct plan_column){true, point, point, point, point};
    if (value < column->low.value)
        column->low = point;
    if (value > column->high.value)
        column->high = point;
    column->last = point;
}

static double piece_depth(const struct motion_piece *p, double u)
{
    return p->d0_mm + u * (p->v0_mm_s + u * (p->a0_mm_s2 / 2 + u * p->j_mm_s3 / 6));
}

static double piece_speed(const struct motion_piece *p, double u)
{
    return p->v0_mm_s + u * (p->a0_mm_s2 + u * p->j_mm_s3 / 2);
}

/* Depth in a piece is monotone, speed nearly so: its ends inside the column tell. */
static void take_piece(struct plan_column *depth, struct plan_column *speed,
                       const struct motion_piece *p, double start_s, double end_s)
{
    double u0 = fmax(start_s, p->start_s) - p->start_s;
    double u2 = fmin(end_s, p->end_s) - p->start_s, u1 = 0.5 * (u0 + u2);
    take(depth, p->start_s + u0, piece_depth(p, u0));
    take(depth, p->start_s + u2, piece_depth(p, u2));
    if (!speed)
        return;
    take(speed, p->start_s + u0, piece_speed(p, u0));
    take(speed, p->start_s + u1, piece_speed(p, u1));
    take(speed, p->start_s + u2, piece_speed(p, u2));
}

int plan_outline(const struct plan *plan, double from_s, double to_s, size_t count,
                 struct plan_column depth[], struct plan_column speed[], struct rig_err *err)
{
    size_t room = 4096;
    struct motion_piece *pieces = malloc(room * sizeof *pieces);
    if (!pieces)
        return rig_fail_memory(err, "drawing the plan");
    for (size_t x = 0; x < count; x++) {
        double start_s = from_s + (to_s - from_s) * (double)x / (double)count;
        double end_s = from_s + (to_s - from_s) * (double)(x + 1) / (double)count;
        size_t found = plan_pieces(plan, start_s, end_s, pieces, room);
        if (found > room) {
            room = found + found / 2;
            struct motion_piece *grown = realloc(pieces, room * sizeof *pieces);
            if (!grown) {
                free(pieces);
                return rig_fail_memory(err, "drawing the plan");
            }
            pieces = grown;
            found = plan_pieces(plan, start_s, end_s, pieces, room);
        }
        for (size_t i = 0; i < found; i++)
            take_piece(&depth[x], speed ? &speed[x] : NULL, &pieces[i], start_s, end_s);
    }
    free(pieces);
    return RIG_OK;
}
