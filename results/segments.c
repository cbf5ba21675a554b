/* SPDX-License-Identifier: GPL-3.0-or-later
 * The forward half: which depths a line of k segments can have at each place. And the
 * table's own arithmetic. */
#include "results/segments.h"

#include "results/segments_parts.h"

#include <stdlib.h>
#include <string.h>

/* ---- lines through a row of vertical gaps, one gap more at a time (O'Rourke, Commun.
 * ACM 24 (1981) 574) ---- */

struct place {
    int64_t x, y;
};

/* Ends of the gaps that can still touch a line: `above` the lower hull of the upper
 * ends, `below` the upper hull of the lower ends. */
struct chain {
    struct place *at;
    size_t first, end;
};

struct sweep {
    struct chain above, below;
    struct place steep[2], flat[2]; /* the lines of greatest and least slope, two places each */
};

/* Sign of the turn from a to b to c: > 0 to the left. */
static int64_t turn(struct place a, struct place b, struct place c)
{
    return (b.x - a.x) * (c.y - a.y) - (b.y - a.y) * (c.x - a.x);
}

/* Keeps the chain a hull; side 1: of upper ends, turning left, -1: of lower ends. */
static void append(struct chain *chain, struct place place, int side)
{
    while (chain->end - chain->first >= 2 &&
           side * turn(chain->at[chain->end - 2], chain->at[chain->end - 1], place) <= 0)
        chain->end--;
    chain->at[chain->end++] = place;
}

/* The place of the chain where a line through `place`, right of it, touches. What lies before
 * it can't touch any later line. */
static struct place tangent(struct chain *chain, struct place place, int side)
{
    while (chain->end - chain->first >= 2 &&
           side * turn(chain->at[chain->first], chain->at[chain->first + 1], place) >= 0)
        chain->first++;
    return chain->at[chain->first];
}

/* Where the line through two places is at x, rounded down or up to a whole depth. */
static int64_t depth_at(const struct place line[2], int64_t x, int64_t scale, bool up)
{
    int64_t run = line[1].x - line[0].x;
    int64_t rise = (line[1].y - line[0].y) * (x - line[0].x);
    int64_t y = line[0].y + (up ? segments_ceiling(rise, run) : segments_floor(rise, run));
    return up ? segments_ceiling(y, scale) : segments_floor(y, scale);
}

static void first_gap(struct sweep *sweep, int64_t x, int64_t low, int64_t high)
{
    sweep->above.first = sweep->below.first = 0;
    sweep->above.end = sweep->below.end = 1;
    sweep->above.at[0] = (struct place){x, high};
    sweep->below.at[0] = (struct place){x, low};
}

/* One gap more; false when no line goes through all. */
static bool next_gap(struct sweep *sweep, int64_t x, int64_t low, int64_t high)
{
    const struct place upper = {x, high}, lower = {x, low};
    if (sweep->above.end == 1) { /* the second gap: its first line of either kind */
        sweep->steep[0] = sweep->below.at[0];
        sweep->steep[1] = upper;
        sweep->flat[0] = sweep->above.at[0];
        sweep->flat[1] = lower;
    } else {
        if (turn(sweep->flat[0], sweep->flat[1], upper) < 0 ||
            turn(sweep->steep[0], sweep->steep[1], lower) > 0)
            return false;
        if (turn(sweep->steep[0], sweep->steep[1], upper) < 0) {
            sweep->steep[0] = tangent(&sweep->below, upper, -1);
            sweep->steep[1] = upper;
        }
        if (turn(sweep->flat[0], sweep->flat[1], lower) > 0) {
            sweep->flat[0] = tangent(&sweep->above, lower, 1);
            sweep->flat[1] = lower;
        }
    }
    append(&sweep->above, upper, 1);
    append(&sweep->below, lower, -1);
    return true;
}

/* ---- what k segments reach ---- */

static bool reaches(struct segments_reach reach)
{
    return reach.low <= reach.high;
}

static bool same(struct segments_reach a, struct segments_reach b)
{
    return a.low == b.low && a.high == b.high;
}

static void widen(struct segments_reach *reach, int64_t low, int64_t high)
{
    if (low > high)
        return;
    if (!reaches(*reach))
        *reach = (struct segments_reach){(int32_t)low, (int32_t)high};
    reach->low = low < reach->low ? (int32_t)low : reach->low;
    reach->high = high > reach->high ? (int32_t)high : reach->high;
}

/* Where one segment more leads from the depths `from` at a place. A line that starts between
 * whole depths is let through here: too much may be said to be reached, never too little. */
static void spread(const struct segments_work *work, struct sweep *sweep, int64_t from_place,
                   struct segments_reach from, struct segments_reach next[])
{
    const struct segments_band *band = work->band;
    int64_t scale = 2 * work->n;
    first_gap(sweep, from_place, scale * from.low, scale * from.high);
    for (int64_t x = from_place + 1; x < work->n; x++) {
        int64_t low = band->low[x], high = band->high[x];
        if (same(next[x], (struct segments_reach){band->low[x], band->high[x]})) {
            low = high + 1; /* all of it is reached already */
        } else if (x > from_place + 1) {
            int64_t steepest = depth_at(sweep->steep, x, scale, false);
            int64_t flattest = depth_at(sweep->flat, x, scale, true);
            high = steepest < high ? steepest : high;
            low = flattest > low ? flattest : low;
        }
        widen(&next[x], low, high);
        if (!next_gap(sweep, x, segments_least(work, x), segments_most(work, x)))
            return;
    }
}

static bool differ(const struct segments_reach a[], const struct segments_reach b[], size_t n)
{
    for (size_t x = 0; x < n; x++)
        if (!same(a[x], b[x]))
            return true;
    return false;
}

/* The next level of work->reach. Once a segment more reaches nothing new, levels share
 * one row. */
static int one_more(struct segments_work *work, struct sweep *sweep, struct rig_err *err)
{
    size_t n = work->band->n, level = work->levels;
    struct segments_reach *last = level > 0 ? work->reach[level - 1] : NULL;
    struct segments_reach *before = level > 1 ? work->reach[level - 2] : NULL;
    if (before && !differ(last, before, n)) {
        work->reach[work->levels++] = last;
        return RIG_OK;
    }
    struct segments_reach *next = malloc(n * sizeof *next);
    if (!next)
        return rig_fail_memory(err, "a table of segments");
    work->reach[work->levels++] = next;
    if (level == 0) {
        for (size_t x = 0; x < n; x++)
            next[x] = (struct segments_reach){1, 0};
        next[0] = (struct segments_reach){work->band->low[0], work->band->high[0]};
        return RIG_OK;
    }
    memcpy(next, last, n * sizeof *next);
    for (size_t x = 0; x + 1 < n; x++) /* from what was reached before, all is known already */
        if (reaches(last[x]) && !(before && same(last[x], before[x])))
            spread(work, sweep, (int64_t)x, last[x], next);
    return RIG_OK;
}

/* A line of `count` segments, where there is one. */
static int trace(const struct segments_work *work, size_t count, struct segments *segments,
                 struct rig_err *err)
{
    bool found = false;
    struct segments_knot *knots = calloc(count + 1, sizeof *knots);
    int code = knots ? segments_trace(work, count, knots, &found, err)
                     : rig_fail_memory(err, "a table of segments");
    if (!code && found)
        *segments = (struct segments){.count = count + 1, .knots = knots};
    else
        free(knots);
    return code;
}

/* Depths at each place from which one segment leads to the end: the same walk, from the other
 * side. The caller frees; NULL: no memory. */
static struct segments_reach *homeward(const struct segments_band *band, struct sweep *sweep)
{
    size_t n = band->n;
    struct segments_reach *home = malloc(n * sizeof *home);
    int32_t *bounds = calloc(2 * n, sizeof *bounds);
    if (home && bounds) {
        struct segments_band mirror = {.n = n, .low = bounds, .high = bounds + n};
        const struct segments_work work = {.band = &mirror, .n = (int64_t)n};
        for (size_t x = 0; x < n; x++) {
            bounds[x] = band->low[n - 1 - x];
            bounds[n + x] = band->high[n - 1 - x];
            home[x] = (struct segments_reach){1, 0};
        }
        spread(&work, sweep, 0, (struct segments_reach){bounds[0], bounds[n]}, home);
        for (size_t x = 0; x < n / 2; x++) {
            struct segments_reach swapped = home[x];
            home[x] = home[n - 1 - x];
            home[n - 1 - x] = swapped;
        }
    } else {
        free(home);
        home = NULL;
    }
    free(bounds);
    return home;
}

static bool meet(const struct segments_reach a[], const struct segments_reach b[], size_t n)
{
    for (size_t x = 0; x < n; x++)
        if (reaches(a[x]) && reaches(b[x]) && a[x].low <= b[x].high && b[x].low <= a[x].high)
            return true;
    return false;
}

/* The last segment is looked for from the end, so that only what comes before it has to be
 * reached step by step. */
static int search(struct segments_work *work, struct sweep *sweep, size_t limit,
                  struct segments *segments, struct rig_err *err)
{
    size_t n = work->band->n;
    struct segments found = {0};
    struct segments_reach *home = homeward(work->band, sweep);
    int code = home ? RIG_OK : rig_fail_memory(err, "a table of segments");
    for (size_t count = 1; !code && !found.count && count <= limit && count < n; count++) {
        code = one_more(work, sweep, err);
        if (!code && meet(work->reach[count - 1], home, n))
            code = trace(work, count, &found, err);
    }
    free(home);
    if (!code && !found.count)
        return rig_fail(err, RIG_EUNKNOWABLE,
                        "no table of at most %zu segments stays within the error; allow a larger "
                        "error",
                        limit < n ? limit : n - 1);
    if (!code)
        *segments = found;
    return code;
}

static int check(const struct segments_band *band, struct rig_err *err)
{
    if (band->n < 2 || band->n > SEGMENTS_READING_LIMIT)
        return rig_fail(err, RIG_EINPUT,
                        "the table spans %zu whole readings; it takes 2 to %d: choose another "
                        "size of the count",
                        band->n, SEGMENTS_READING_LIMIT);
    if (band->first > 1 << 30 || band->first < -(1 << 30))
        return rig_fail(err, RIG_EINPUT, "a whole reading of %d is too large; choose larger counts",
                        (int)band->first);
    for (size_t i = 0; i < band->n; i++) {
        if (band->low[i] < -SEGMENTS_DEPTH_LIMIT || band->high[i] > SEGMENTS_DEPTH_LIMIT)
            return rig_fail(err, RIG_EINPUT, "a depth of the table is beyond %d um",
                            SEGMENTS_DEPTH_LIMIT);
        if (band->low[i] > band->high[i])
            return rig_fail(err, RIG_EUNKNOWABLE,
                            "no whole depth lies within the error at reading %lld; allow a larger "
                            "error, or choose smaller counts",
                            (long long)band->first + (long long)i);
    }
    return RIG_OK;
}

int segments_fewest(struct segments *segments, const struct segments_band *band, size_t limit,
                    struct rig_err *err)
{
    int code = check(band, err);
    if (code)
        return code;
    if (limit == 0 || limit > SEGMENTS_LIMIT)
        limit = SEGMENTS_LIMIT;
    struct segments_work work = {.band = band, .n = (int64_t)band->n};
    struct place *places = malloc(2 * band->n * sizeof *places);
    struct sweep sweep = {.above.at = places, .below.at = places ? places + band->n : NULL};
    code = places ? search(&work, &sweep, limit, segments, err)
                  : rig_fail_memory(err, "a table of segments");
    free(places);
    for (size_t i = 0; i < work.levels; i++)
        if (i + 1 == work.levels || work.reach[i] != work.reach[i + 1])
            free(work.reach[i]);
    return code;
}

void segments_free(struct segments *segments)
{
    if (!segments)
        return;
    free(segments->knots);
    *segments = (struct segments){0};
}

/* ---- the table's own arithmetic ---- */

/* y at x on the line from (x0, y0) to (x1, y1), x0 < x1, to the nearest, halves up. */
static int32_t between(int32_t x, int32_t x0, int32_t y0, int32_t x1, int32_t y1)
{
    int64_t run = (int64_t)x1 - x0, rise = ((int64_t)y1 - y0) * ((int64_t)x - x0);
    return (int32_t)(y0 + segments_floor(2 * rise + run, 2 * run));
}

int32_t segments_depth(const struct segments *segments, int32_t reading)
{
    const struct segments_knot *knot = segments->knots, *last = knot + segments->count - 1;
    if (reading <= knot->reading)
        return knot->depth;
    if (reading >= last->reading)
        return last->depth;
    while (reading > knot[1].reading)
        knot++;
    return between(reading, knot[0].reading, knot[0].depth, knot[1].reading, knot[1].depth);
}

int32_t segments_reading(const struct segments *segments, int32_t depth)
{
    const struct segments_knot *knot = segments->knots, *last = knot + segments->count - 1;
    bool falls = last->depth < knot->depth;
    if (falls ? depth >= knot->depth : depth <= knot->depth)
        return knot->reading;
    if (falls ? depth <= last->depth : depth >= last->depth)
        return last->reading;
    while (falls ? depth < knot[1].depth : depth > knot[1].depth)
        knot++;
    return falls ? between(depth, knot[1].depth, knot[1].reading, knot[0].depth, knot[0].reading)
                 : between(depth, knot[0].depth, knot[0].reading, knot[1].depth, knot[1].reading);
}
