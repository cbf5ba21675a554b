/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "results/levels.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

struct entry {
    size_t level, cycle;
    int direction;
    double depth, reading;
};

static int by_pass(const void *a, const void *b)
{
    const struct entry *left = a, *right = b;
    if (left->cycle != right->cycle)
        return left->cycle < right->cycle ? -1 : 1;
    if (left->direction != right->direction)
        return left->direction - right->direction;
    return left->depth < right->depth ? -1 : left->depth > right->depth;
}

static int by_depth(const void *a, const void *b)
{
    const struct entry *left = a, *right = b;
    return left->depth < right->depth ? -1 : left->depth > right->depth;
}

static int by_depth_and_order(const void *a, const void *b)
{
    const struct entry *left = a, *right = b;
    if (left->direction != right->direction)
        return left->direction - right->direction;
    if (left->depth != right->depth)
        return left->depth < right->depth ? -1 : 1;
    return left->cycle < right->cycle ? -1 : left->cycle > right->cycle;
}

static int by_level(const void *a, const void *b)
{
    const struct entry *left = a, *right = b;
    if (left->level != right->level)
        return left->level < right->level ? -1 : 1;
    if (left->direction != right->direction)
        return left->direction - right->direction;
    if (left->cycle != right->cycle)
        return left->cycle < right->cycle ? -1 : 1;
    return 0;
}

/* Rows that run up and down again, as they were taken. */
static bool in_passes(const double depth[], const signed char direction[], size_t n)
{
    bool travels = false;
    for (size_t i = 1; i < n; i++) {
        if (direction[i] != direction[i - 1] || depth[i] == depth[i - 1])
            continue;
        travels = true;
        if ((depth[i] > depth[i - 1]) != (direction[i] == LEVEL_RISING))
            return false;
    }
    return travels;
}

size_t levels_cycles_by_order(size_t cycle[], const double depth[], const signed char direction[],
                              size_t n)
{
    size_t current = 0, most = 0;
    if (in_passes(depth, direction, n)) {
        for (size_t i = 0; i < n; i++) {
            if (i > 0 && direction[i] == direction[0] && direction[i - 1] != direction[0])
                current++;
            cycle[i] = current;
        }
        return n ? current + 1 : 0;
    }
    struct entry *entries = calloc(n ? n : 1, sizeof *entries);
    if (!entries)
        return 0;
    for (size_t i = 0; i < n; i++)
        entries[i] = (struct entry){.cycle = i, .direction = direction[i], .depth = depth[i]};
    qsort(entries, n, sizeof *entries, by_depth_and_order);
    for (size_t i = 0; i < n; i++) {
        bool again = i > 0 && entries[i].direction == entries[i - 1].direction &&
                     entries[i].depth == entries[i - 1].depth;
        current = again ? current + 1 : 0;
        most = current > most ? current : most;
        cycle[entries[i].cycle] = current;
    }
    free(entries);
    return n ? most + 1 : 0;
}

/* How far apart depths may be and still belong together. Sorts by pass. */
static double tolerance_of(struct entry entries[], size_t n, double range, bool near)
{
    double same = 1e-9 * range, smallest = INFINITY;
    if (!near)
        return same;
    qsort(entries, n, sizeof *entries, by_pass);
    for (size_t i = 1; i < n; i++) {
        double step = entries[i].depth - entries[i - 1].depth;
        if (entries[i].cycle == entries[i - 1].cycle &&
            entries[i].direction == entries[i - 1].direction && step > same)
            smallest = fmin(smallest, step);
    }
    return isfinite(smallest) ? fmax(smallest / 3, same) : same;
}

/* Numbers the levels and sets their depths; entries end sorted by level. */
static int find_levels(struct levels *levels, struct entry entries[], size_t n, double tolerance,
                       struct rig_err *err)
{
    qsort(entries, n, sizeof *entries, by_depth);
    double first = entries[0].depth;
    size_t count = 0;
    for (size_t i = 0; i < n; i++) {
        if (i == 0 || entries[i].depth - first > tolerance) {
            first = entries[i].depth;
            count++;
        }
        entries[i].level = count - 1;
    }
    levels->level = calloc(count, sizeof *levels->level);
    if (!levels->level)
        return rig_fail_memory(err, "sorting readings by depth");
    levels->count = count;
    for (size_t i = 0, next; i < n; i = next) {
        double sum = 0;
        for (next = i; next < n && entries[next].level == entries[i].level; next++)
            sum += entries[next].depth - entries[i].depth;
        levels->level[entries[i].level].depth = entries[i].depth + sum / (double)(next - i);
    }
    qsort(entries, n, sizeof *entries, by_level);
    return RIG_OK;
}

/* Means of single passes of one level and direction, one after another. */
struct passes {
    double mean, low, high, squares;
    size_t count;
};

static void add_pass(struct passes *passes, double value)
{
    if (passes->count == 0)
        passes->low = passes->high = value;
    passes->low = fmin(passes->low, value);
    passes->high = fmax(passes->high, value);
    passes->count++;
    double off = value - passes->mean; /* Welford */
    passes->mean += off / (double)passes->count;
    passes->squares += off * (value - passes->mean);
}

/* Entries [from, to) of one level, sorted by direction and cycle; each run of one cycle
 * is averaged in place: its first entry takes the mean, and they move to the front. */
static size_t merge_passes(struct entry entries[], size_t from, size_t to)
{
    size_t kept = from;
    for (size_t i = from, next; i < to; i = next) {
        double sum = 0;
        for (next = i; next < to && entries[next].direction == entries[i].direction &&
                       entries[next].cycle == entries[i].cycle;
             next++)
            sum += entries[next].reading - entries[i].reading;
        struct entry merged = entries[i];
        merged.reading += sum / (double)(next - i);
        entries[kept++] = merged;
    }
    return kept;
}

static void fill_level(struct level *level, struct entry entries[], size_t from, size_t to,
                       bool directed)
{
    /* Without directions every reading stands for itself. */
    size_t end = directed ? merge_passes(entries, from, to) : to;
    struct passes side[2] = {{0}}, undirected = {0};
    for (size_t i = from; i < end; i++) {
        if (entries[i].direction == LEVEL_UNKNOWN)
            add_pass(&undirected, entries[i].reading);
        else
            add_pass(&side[entries[i].direction == LEVEL_RISING], entries[i].reading);
    }
    level->widest_pair = NAN;
    /* Falling entries come first, then rising, each by cycle. */
    for (size_t f = from, r = from; f < end && entries[f].direction == LEVEL_FALLING; f++) {
        while (r < end &&
               (entries[r].direction != LEVEL_RISING || entries[r].cycle < entries[f].cycle))
            r++;
        if (r < end && entries[r].cycle == entries[f].cycle)
            level->widest_pair =
                fmax(level->widest_pair, fabs(entries[r].reading - entries[f].reading));
    }
    level->falling_passes = side[0].count;
    level->rising_passes = side[1].count;
    level->falling = side[0].count ? side[0].mean : NAN;
    level->rising = side[1].count ? side[1].mean : NAN;
    level->falling_spread = side[0].count > 1 ? side[0].high - side[0].low : NAN;
    level->rising_spread = side[1].count > 1 ? side[1].high - side[1].low : NAN;
    for (size_t k = 0; k < 2; k++)
        if (side[k].count > 1) {
            level->squares += side[k].squares;
            level->degrees += (double)(side[k].count - 1);
        }
    if (side[0].count && side[1].count)
        level->mean = side[0].mean / 2 + side[1].mean / 2;
    else if (side[0].count || side[1].count)
        level->mean = side[side[1].count > 0].mean;
    else
        level->mean = undirected.mean;
}

int levels_of(struct levels *levels, const struct level_readings *readings, levels_curve *curve,
              const void *context, struct rig_err *err)
{
    size_t n = readings->n;
    struct levels made = {0};
    if (n == 0)
        return rig_fail(err, RIG_EINPUT, "no readings");
    struct entry *entries = calloc(n, sizeof *entries);
    size_t *cycle = calloc(n, sizeof *cycle);
    if (!entries || !cycle) {
        free(entries);
        free(cycle);
        return rig_fail_memory(err, "sorting readings by depth");
    }
    if (readings->cycle)
        memcpy(cycle, readings->cycle, n * sizeof *cycle);
    else if (readings->direction)
        levels_cycles_by_order(cycle, readings->depth, readings->direction, n);
    double low = INFINITY, high = -INFINITY;
    for (size_t i = 0; i < n; i++) {
        entries[i] = (struct entry){.cycle = cycle[i],
                                    .direction = readings->direction ? readings->direction[i] : 0,
                                    .depth = readings->depth[i],
                                    .reading = readings->reading[i]};
        low = fmin(low, readings->depth[i]);
        high = fmax(high, readings->depth[i]);
        made.cycles = cycle[i] + 1 > made.cycles ? cycle[i] + 1 : made.cycles;
    }
    free(cycle);
    bool near = readings->direction && curve;
    double tolerance = tolerance_of(entries, n, high - low, near);
    int failed = find_levels(&made, entries, n, tolerance, err);
    for (size_t i = 0; i < n && !failed; i++) {
        double to = made.level[entries[i].level].depth;
        if (curve && entries[i].depth != to) {
            made.moved = made.moved || fabs(entries[i].depth - to) > 1e-9 * (high - low);
            entries[i].reading += curve(context, to) - curve(context, entries[i].depth);
        }
    }
    for (size_t i = 0, next; i < n && !failed; i = next) {
        for (next = i; next < n && entries[next].level == entries[i].level;)
            next++;
        /* merge_passes moves entries, so the level is read before. */
        fill_level(&made.level[entries[i].level], entries, i, next, readings->direction != NULL);
    }
    free(entries);
    if (!failed)
        *levels = made;
    return failed;
}

void levels_free(struct levels *levels)
{
    if (!levels)
        return;
    free(levels->level);
    memset(levels, 0, sizeof *levels);
}

static void widen(struct levels_extent *extent, double value, double at)
{
    if (isnan(value) || value <= extent->value)
        return;
    extent->value = value;
    extent->at = at;
}

static void close_extent(struct levels_extent *extent, double span, const char *reason)
{
    if (extent->value < 0) {
        *extent = (struct levels_extent){NAN, NAN, NAN, reason};
        return;
    }
    extent->percent_span = span > 0 ? 100 * extent->value / span : NAN;
    if (!(span > 0))
        extent->reason = "the reading never changes, so there is no span to compare with";
}

void hysteresis_of(struct hysteresis *result, const struct levels *levels)
{
    struct hysteresis made = {0};
    double low = INFINITY, high = -INFINITY, squares = 0;
    bool rising = false, falling = false;
    made.within_pair.value = made.of_means.value = made.repeatability.value = -1;
    for (size_t i = 0; i < levels->count; i++) {
        const struct level *level = &levels->level[i];
        low = fmin(low, level->mean);
        high = fmax(high, level->mean);
        rising = rising || level->rising_passes;
        falling = falling || level->falling_passes;
        squares += level->squares;
        made.pooled_dof += level->degrees;
        widen(&made.within_pair, level->widest_pair, level->depth);
        widen(&made.of_means, fabs(level->rising - level->falling), level->depth);
        widen(&made.repeatability, level->rising_spread, level->depth);
        widen(&made.repeatability, level->falling_spread, level->depth);
    }
    made.span = levels->count ? high - low : NAN;
    const char *one_side = !rising && !falling
                               ? "the table doesn't say which readings were taken rising or falling"
                           : !rising  ? "no reading was taken with the water rising"
                           : !falling ? "no reading was taken with the water falling"
                                      : NULL;
    close_extent(&made.within_pair, made.span,
                 one_side ? one_side : "no depth was read both rising and falling in one cycle");
    close_extent(&made.of_means, made.span,
                 one_side ? one_side : "no depth was read both rising and falling");
    close_extent(&made.repeatability, made.span,
                 !rising && !falling
                     ? one_side
                     : "no depth was read twice from the same side; repeat the cycle");
    made.pooled_sd = made.pooled_dof > 0 ? sqrt(squares / made.pooled_dof) : NAN;
    *result = made;
}
