/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "results/board_clock.h"

#include <math.h>

void board_clock_init(struct board_clock *clock, double window_s)
{
    *clock = (struct board_clock){.window_s = window_s};
}

uint64_t board_clock_restarts(const struct board_clock *clock)
{
    return clock->restarts;
}

/* > 0 when b lies below the line from a to c: a corner of the lower hull. */
static double corner(const struct board_clock_point *a, const struct board_clock_point *b,
                     const struct board_clock_point *c)
{
    return (b->device_s - a->device_s) * (c->gap_s - a->gap_s) -
           (c->device_s - a->device_s) * (b->gap_s - a->gap_s);
}

/* Appends a point that is not before the last one, and drops what is no corner then. */
static size_t append(struct board_clock_point hull[], size_t count,
                     const struct board_clock_point *point)
{
    if (count && hull[count - 1].device_s == point->device_s) {
        if (hull[count - 1].gap_s <= point->gap_s)
            return count;
        count--;
    }
    while (count >= 2 && corner(&hull[count - 2], &hull[count - 1], point) <= 0)
        count--;
    hull[count] = *point;
    return count + 1;
}

/* Room for one more: the corner that the hull misses least goes. */
static size_t thin(struct board_clock_point hull[], size_t count)
{
    size_t least = 1;
    for (size_t i = 2; i + 1 < count; i++)
        if (corner(&hull[i - 1], &hull[i], &hull[i + 1]) <
            corner(&hull[least - 1], &hull[least], &hull[least + 1]))
            least = i;
    for (size_t i = least; i + 1 < count; i++)
        hull[i] = hull[i + 1];
    return count - 1;
}

static struct board_clock_block *block_at(struct board_clock *clock, size_t i)
{
    return &clock->blocks[(clock->first + i) % BOARD_CLOCK_BLOCKS];
}

static struct board_clock_block *block_for(struct board_clock *clock, double device_s)
{
    double place = floor((device_s - clock->base_device_s) / clock->window_s * BOARD_CLOCK_BLOCKS);
    int64_t slot = (int64_t)fmin(place, 9e15);
    if (clock->count && block_at(clock, clock->count - 1)->slot == slot)
        return block_at(clock, clock->count - 1);
    while (clock->count && block_at(clock, 0)->slot <= slot - BOARD_CLOCK_BLOCKS) {
        clock->first = (clock->first + 1) % BOARD_CLOCK_BLOCKS;
        clock->count--;
    }
    struct board_clock_block *block = block_at(clock, clock->count++);
    *block = (struct board_clock_block){.slot = slot};
    return block;
}

static void start(struct board_clock *clock, double host_s, double device_s)
{
    clock->first = clock->count = 0;
    clock->any = true;
    clock->base_device_s = device_s;
    clock->base_gap_s = host_s - device_s;
}

void board_clock_add(struct board_clock *clock, double host_s, double device_s)
{
    double gap_s = host_s - device_s;
    if (!isfinite(gap_s))
        return;
    if (!clock->any) {
        start(clock, host_s, device_s);
    } else {
        bool back = device_s < clock->last_device_s;
        bool far = gap_s < clock->base_gap_s - clock->window_s;
        if (back || far) {
            clock->restarts++;
            start(clock, host_s, device_s);
        }
    }
    clock->last_device_s = device_s;
    struct board_clock_block *block = block_for(clock, device_s);
    struct board_clock_point point = {device_s - clock->base_device_s, gap_s - clock->base_gap_s};
    if (block->hull_count == BOARD_CLOCK_HULL)
        block->hull_count = thin(block->hull, block->hull_count);
    block->hull_count = append(block->hull, block->hull_count, &point);
    block->n += 1;
    block->x += point.device_s;
    block->y += point.gap_s;
    block->xx += point.device_s * point.device_s;
    block->xy += point.device_s * point.gap_s;
    block->yy += point.gap_s * point.gap_s;
}

struct line {
    double at_s, gap_s, slope;
};

static double above(const struct line *line, const struct board_clock_point *point)
{
    return point->gap_s - line->gap_s - line->slope * (point->device_s - line->at_s);
}

/* How far the lowest point of each block lies above the line, on the average. */
static double looseness(const struct board_clock *clock, const struct line *line)
{
    double sum = 0;
    for (size_t i = 0; i < clock->count; i++) {
        const struct board_clock_block *block =
            &clock->blocks[(clock->first + i) % BOARD_CLOCK_BLOCKS];
        double lowest = INFINITY;
        for (size_t k = 0; k < block->hull_count; k++)
            lowest = fmin(lowest, above(line, &block->hull[k]));
        sum += fmax(lowest, 0);
    }
    return sum / (double)clock->count;
}

bool board_clock_fit(const struct board_clock *clock, struct board_clock_fit *fit)
{
    struct board_clock_point hull[BOARD_CLOCK_BLOCKS * BOARD_CLOCK_HULL];
    size_t count = 0;
    double n = 0, x = 0, y = 0, xx = 0, xy = 0, yy = 0;
    for (size_t i = 0; i < clock->count; i++) {
        const struct board_clock_block *block =
            &clock->blocks[(clock->first + i) % BOARD_CLOCK_BLOCKS];
        for (size_t k = 0; k < block->hull_count; k++)
            count = append(hull, count, &block->hull[k]);
        n += block->n;
        x += block->x;
        y += block->y;
        xx += block->xx;
        xy += block->xy;
        yy += block->yy;
    }
    if (n < 3 || count < 2 || !(hull[count - 1].device_s > hull[0].device_s))
        return false;
    double mean_x = x / n, mean_y = y / n;
    size_t edge = 1;
    while (edge + 1 < count && hull[edge].device_s < mean_x)
        edge++;
    const struct board_clock_point *from = &hull[edge - 1], *to = &hull[edge];
    struct line line = {.at_s = mean_x,
                        .slope = (to->gap_s - from->gap_s) / (to->device_s - from->device_s)};
    line.gap_s = from->gap_s + line.slope * (mean_x - from->device_s);
    double span_s = hull[count - 1].device_s - hull[0].device_s;
    double loose_s = looseness(clock, &line);
    double sxx = fmax(xx / n - mean_x * mean_x, 0), sxy = xy / n - mean_x * mean_y;
    double syy = fmax(yy / n - mean_y * mean_y, 0);
    double variance = syy - 2 * line.slope * sxy + line.slope * line.slope * sxx;
    *fit = (struct board_clock_fit){
        .reference_device_s = clock->base_device_s + mean_x,
        .gap_s = clock->base_gap_s + line.gap_s,
        .skew = line.slope,
        .gap_u_s = loose_s,
        .skew_u = loose_s * sqrt(12 / (double)clock->count) / span_s,
        .delay_mean_s = mean_y - line.gap_s,
        .delay_sd_s = sqrt(fmax(variance, 0)),
        .lines = n,
        .span_s = span_s,
    };
    return true;
}

double board_clock_host_s(const struct board_clock_fit *fit, double device_s)
{
    return device_s + fit->gap_s + fit->skew * (device_s - fit->reference_device_s);
}
