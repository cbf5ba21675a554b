/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "results/fit_centre.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static const double same_level_mm = 0.05, same_speed = 0.02;

/* Readings of one level in one cycle, or at one speed, from both sides. */
struct cell {
    double depth_sum, up_sum, down_sum, speed_mm_s;
    size_t up, down, cycle;
};

static double up_of(const struct cell *cell)
{
    return cell->up_sum / (double)cell->up;
}

static double down_of(const struct cell *cell)
{
    return cell->down_sum / (double)cell->down;
}

static double depth_of(const struct cell *cell)
{
    return cell->depth_sum / (double)(cell->up + cell->down);
}

static int by_depth(const void *a, const void *b)
{
    double x = depth_of(a), y = depth_of(b);
    if (fabs(x - y) > same_level_mm)
        return x < y ? -1 : 1;
    const struct cell *first = a, *second = b;
    if (first->cycle != second->cycle)
        return first->cycle < second->cycle ? -1 : 1;
    return (first->speed_mm_s > second->speed_mm_s) - (first->speed_mm_s < second->speed_mm_s);
}

/* Sorts samples into cells; cells has room for n. */
static size_t fill(struct cell cells[], const struct centre_sample samples[], size_t n)
{
    size_t count = 0;
    for (size_t i = 0; i < n; i++) {
        struct cell *cell = NULL;
        for (size_t k = 0; k < count && !cell; k++)
            if (fabs(depth_of(&cells[k]) - samples[i].depth_mm) <= same_level_mm &&
                cells[k].cycle == samples[i].cycle &&
                fabs(cells[k].speed_mm_s - samples[i].speed_mm_s) <=
                    same_speed * samples[i].speed_mm_s)
                cell = &cells[k];
        if (!cell) {
            cell = &cells[count++];
            *cell = (struct cell){.cycle = samples[i].cycle, .speed_mm_s = samples[i].speed_mm_s};
        }
        cell->depth_sum += samples[i].depth_mm;
        cell->up += samples[i].direction > 0;
        cell->down += samples[i].direction < 0;
        *(samples[i].direction > 0 ? &cell->up_sum : &cell->down_sum) += samples[i].reading;
    }
    if (count)
        qsort(cells, count, sizeof *cells, by_depth);
    return count;
}

static int open_centres(struct centres *centres, struct cell **cells, size_t n, struct rig_err *err)
{
    *centres = (struct centres){.depth_mm = calloc(n + 1, sizeof *centres->depth_mm),
                                .reading = calloc(n + 1, sizeof *centres->reading),
                                .cycle = calloc(n + 1, sizeof *centres->cycle)};
    *cells = calloc(n + 1, sizeof **cells);
    if (centres->depth_mm && centres->reading && centres->cycle && *cells)
        return RIG_OK;
    free(*cells);
    centres_free(centres);
    return rig_fail_memory(err, "the mean characteristic");
}

static void put(struct centres *centres, double depth_mm, double reading, size_t cycle)
{
    centres->depth_mm[centres->n] = depth_mm;
    centres->reading[centres->n] = reading;
    centres->cycle[centres->n++] = cycle;
    if (cycle + 1 > centres->cycles)
        centres->cycles = cycle + 1;
}

int centres_at_rest(struct centres *centres, const struct centre_sample samples[], size_t n,
                    centre_slope *slope, const void *curve, struct rig_err *err)
{
    struct cell *cells;
    int code = open_centres(centres, &cells, n, err);
    if (code)
        return code;
    size_t count = fill(cells, samples, n), pairs = 0;
    double half = 0;
    for (size_t i = 0; i < count; i++)
        if (cells[i].up && cells[i].down) {
            double scale = slope ? slope(curve, depth_of(&cells[i])) : 1;
            if (scale == 0)
                continue;
            half += (down_of(&cells[i]) - up_of(&cells[i])) / 2 / scale;
            pairs++;
        }
    half = pairs ? half / (double)pairs : 0;
    centres->one_sided = count > 0 && pairs == 0;
    for (size_t i = 0; i < count; i++) {
        const struct cell *cell = &cells[i];
        double off = half * (slope ? slope(curve, depth_of(cell)) : 1);
        double reading = !cell->down ? up_of(cell) + off
                         : !cell->up ? down_of(cell) - off
                                     : (up_of(cell) + down_of(cell)) / 2;
        put(centres, depth_of(cell), reading, cell->cycle);
    }
    free(cells);
    return RIG_OK;
}

/* Intercept of a straight line over the speeds of one depth; the mean with one speed. */
static double at_rest(const struct cell cells[], size_t count)
{
    double v = 0, y = 0, vv = 0, vy = 0, n = (double)count;
    for (size_t i = 0; i < count; i++) {
        v += cells[i].speed_mm_s / n;
        y += (up_of(&cells[i]) + down_of(&cells[i])) / 2 / n;
    }
    for (size_t i = 0; i < count; i++) {
        double off = cells[i].speed_mm_s - v;
        vv += off * off;
        vy += off * ((up_of(&cells[i]) + down_of(&cells[i])) / 2 - y);
    }
    return vv > 0 ? y - vy / vv * v : y;
}

int centres_at_speed(struct centres *centres, const struct centre_sample samples[], size_t n,
                     double slope, struct rig_err *err)
{
    struct cell *cells;
    int code = open_centres(centres, &cells, n, err);
    if (code)
        return code;
    size_t count = fill(cells, samples, n), both = 0;
    for (size_t i = 0; i < count; i++)
        if (cells[i].up && cells[i].down)
            cells[both++] = cells[i];
    double width_mm = 0;
    for (size_t i = 0, next; i < both; i = next) {
        for (next = i; next < both; next++)
            if (fabs(depth_of(&cells[next]) - depth_of(&cells[i])) > same_level_mm)
                break;
        put(centres, depth_of(&cells[i]), at_rest(&cells[i], next - i), 0);
        if (next - i == 1 && slope != 0)
            width_mm = fmax(width_mm, fabs((down_of(&cells[i]) - up_of(&cells[i])) / slope));
    }
    centres->common_depth_u_mm = width_mm / 2 / sqrt(3);
    free(cells);
    return RIG_OK;
}

void centres_free(struct centres *centres)
{
    free(centres->depth_mm);
    free(centres->reading);
    free(centres->cycle);
    *centres = (struct centres){0};
}
