/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "results/play.h"

#include <math.h>
#include <string.h>

double play_follow_mm(double played_mm, double depth_mm, double width_mm)
{
    return fmin(fmax(played_mm, depth_mm - width_mm / 2), depth_mm + width_mm / 2);
}

static double depth_at(const struct motion_piece *piece, double u)
{
    return piece->d0_mm + u * (piece->v0_mm_s + u * (piece->a0_mm_s2 / 2 + u * piece->j_mm_s3 / 6));
}

/* Lets the piece begin where it passes the depth, which it does: a move one way. */
static void begin_at(struct motion_piece *piece, double depth_mm, int direction)
{
    double low = 0, high = piece->end_s - piece->start_s;
    for (int i = 0; i < 60; i++) {
        double middle = (low + high) / 2;
        if (direction * (depth_at(piece, middle) - depth_mm) < 0)
            low = middle;
        else
            high = middle;
    }
    struct motion_piece later = *piece;
    later.start_s = piece->start_s + high;
    later.d0_mm = depth_at(piece, high);
    later.v0_mm_s = piece->v0_mm_s + high * (piece->a0_mm_s2 + high * piece->j_mm_s3 / 2);
    later.a0_mm_s2 = piece->a0_mm_s2 + high * piece->j_mm_s3;
    *piece = later;
}

size_t play_take_up(struct motion_piece pieces[], size_t count, double *settled_mm, int direction,
                    int before, double width_mm)
{
    double half = width_mm / 2;
    bool turned = before != direction;
    double taken_up_mm = turned ? *settled_mm + direction * width_mm : *settled_mm;
    size_t first = 0;
    while (first < count &&
           direction * (depth_at(&pieces[first], pieces[first].end_s - pieces[first].start_s) -
                        taken_up_mm) <
               0)
        first++;
    if (first < count && turned && width_mm > 0 &&
        direction * (pieces[first].d0_mm - taken_up_mm) < 0)
        begin_at(&pieces[first], taken_up_mm, direction);
    memmove(pieces, pieces + first, (count - first) * sizeof *pieces);
    count -= first;
    for (size_t i = 0; i < count; i++)
        pieces[i].d0_mm -= direction * half;
    *settled_mm += turned ? direction * half : -direction * half;
    return count;
}
