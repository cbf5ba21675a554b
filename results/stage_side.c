/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "results/stage_side.h"

#include <math.h>
#include <stddef.h>

void stage_side_begin(struct stage_side *walk, const struct plan *plan, double band_mm)
{
    *walk = (struct stage_side){
        .plan = plan, .band_mm = band_mm, .at_s = 0, .middle_mm = plan_depth_mm(plan, 0)};
}

static void follow(struct stage_side *walk, double depth_mm)
{
    double half = walk->band_mm / 2;
    if (depth_mm >= walk->middle_mm + half - 1e-9) {
        walk->middle_mm = depth_mm - half;
        walk->side = 1;
    } else if (depth_mm <= walk->middle_mm - half + 1e-9) {
        walk->middle_mm = depth_mm + half;
        walk->side = -1;
    } else {
        walk->side = 0;
    }
}

/* Follows a piece up to `to_s`, through the turns inside it: roots of its speed. */
static void follow_piece(struct stage_side *walk, const struct motion_piece *piece, double to_s)
{
    double v = piece->v0_mm_s, a = piece->a0_mm_s2, j = piece->j_mm_s3, turns[2] = {NAN, NAN};
    double under = a * a - 2 * j * v;
    if (fabs(j) > 1e-9 && under >= 0) {
        double first = (-a - sqrt(under)) / j, second = (-a + sqrt(under)) / j;
        turns[0] = fmin(first, second);
        turns[1] = fmax(first, second);
    } else if (fabs(j) <= 1e-9 && a != 0) {
        turns[0] = -v / a;
    }
    for (size_t i = 0; i < 2; i++) {
        double at_s = piece->start_s + turns[i];
        if (at_s > walk->at_s && at_s < to_s)
            follow(walk, plan_depth_mm(walk->plan, at_s));
    }
    follow(walk, plan_depth_mm(walk->plan, to_s));
    walk->at_s = to_s;
}

int stage_side_at(struct stage_side *walk, double plan_s)
{
    struct motion_piece pieces[STAGE_SIDE_PIECES];
    while (walk->at_s < plan_s) {
        double before_s = walk->at_s;
        size_t count = plan_pieces(walk->plan, walk->at_s, plan_s, pieces, STAGE_SIDE_PIECES);
        size_t given = count < STAGE_SIDE_PIECES ? count : STAGE_SIDE_PIECES;
        for (size_t i = 0; i < given; i++)
            if (pieces[i].end_s > walk->at_s)
                follow_piece(walk, &pieces[i], fmin(pieces[i].end_s, plan_s));
        if (!(walk->at_s > before_s)) /* beyond the last piece the axis rests */
            walk->at_s = plan_s;
    }
    return walk->side;
}
