/* SPDX-License-Identifier: GPL-3.0-or-later
 * The backward half: a line of a given number of segments, knot by knot from the end. What
 * can be reached tells where it is worth looking; the exact integers decide. */
#include "results/segments_parts.h"

#include <stdlib.h>

/* Slope through a fixed place, as a rise over a run > 0. */
struct slope {
    int64_t rise, run;
};

static bool steeper(struct slope a, struct slope b)
{
    return a.rise * b.run > b.rise * a.run;
}

/* A knot to try: every depth of it from low to high joins the knot after it. */
struct knot_span {
    int64_t place;
    int32_t low, high;
    int32_t room; /* how far the middle depth lies from what can't be reached */
};

/* Knots that were tried in vain: an open table of (segments left, place, depth). */
struct vain {
    uint64_t *keys;
    size_t count, room;
};

struct trace {
    const struct segments_work *work;
    struct segments_knot *knots;
    struct vain vain;
    struct rig_err *err;
};

static uint64_t key_of(size_t left, int64_t place, int32_t depth)
{
    return (uint64_t)left << 48 | (uint64_t)place << 32 | (uint32_t)depth;
}

static size_t slot_of(const struct vain *vain, uint64_t key)
{
    size_t slot = (size_t)((key * 0x9e3779b97f4a7c15u) >> 20) & (vain->room - 1);
    while (vain->keys[slot] && vain->keys[slot] != key)
        slot = (slot + 1) & (vain->room - 1);
    return slot;
}

static bool in_vain(const struct vain *vain, uint64_t key)
{
    return vain->count && vain->keys[slot_of(vain, key)];
}

static int note_vain(struct vain *vain, uint64_t key, struct rig_err *err)
{
    if (2 * vain->count >= vain->room) {
        struct vain larger = {.count = vain->count, .room = vain->room ? 2 * vain->room : 1024};
        larger.keys = calloc(larger.room, sizeof *larger.keys);
        if (!larger.keys)
            return rig_fail_memory(err, "a table of segments");
        for (size_t i = 0; i < vain->room; i++)
            if (vain->keys[i])
                larger.keys[slot_of(&larger, vain->keys[i])] = vain->keys[i];
        free(vain->keys);
        *vain = larger;
    }
    vain->keys[slot_of(vain, key)] = key;
    vain->count++;
    return RIG_OK;
}

static int widest_first(const void *a, const void *b)
{
    const struct knot_span *left = a, *right = b;
    if (left->room != right->room)
        return left->room > right->room ? -1 : 1;
    return (left->place > right->place) - (left->place < right->place);
}

/* All knots that one segment joins to `knot` and that `left` segments can reach. */
static size_t knots_before(const struct trace *trace, size_t left, int64_t place, int32_t depth,
                           struct knot_span spans[])
{
    const struct segments_work *work = trace->work;
    const struct segments_reach *reach = work->reach[left];
    int64_t scale = 2 * work->n, y = segments_scaled(work, depth);
    struct slope least = {INT64_MIN / (4 * SEGMENTS_READING_LIMIT), 1}; /* none yet: a cliff */
    struct slope most = {INT64_MAX / (4 * SEGMENTS_READING_LIMIT), 1};
    size_t count = 0;
    for (int64_t x = place - 1; x >= 0; x--) {
        int64_t run = place - x, low = reach[x].low, high = reach[x].high;
        if (x + 1 < place) {
            int64_t from = segments_ceiling(y - segments_floor(most.rise * run, most.run), scale);
            int64_t to = segments_floor(y - segments_ceiling(least.rise * run, least.run), scale);
            low = from > low ? from : low;
            high = to < high ? to : high;
        }
        if (work->band->direction > 0) /* strictly on, from knot to knot */
            high = high < depth ? high : (int64_t)depth - 1;
        else
            low = low > depth ? low : (int64_t)depth + 1;
        if (low <= high) {
            int64_t middle = low + (high - low) / 2;
            int64_t above = reach[x].high - middle, below = middle - reach[x].low;
            spans[count++] = (struct knot_span){x, (int32_t)low, (int32_t)high,
                                                (int32_t)(above < below ? above : below)};
        }
        struct slope here_least = {y - segments_most(work, x), run};
        struct slope here_most = {y - segments_least(work, x), run};
        if (steeper(here_least, least))
            least = here_least;
        if (steeper(most, here_most))
            most = here_most;
        if (steeper(least, most))
            break;
    }
    qsort(spans, count, sizeof *spans, widest_first);
    return count;
}

static int trace_back(struct trace *trace, size_t left, int64_t place, int32_t depth, bool *found);

/* The middles of all spans first: one of them nearly always leads to the beginning. */
static int try_spans(struct trace *trace, size_t left, const struct knot_span spans[], size_t count,
                     bool *found)
{
    int code = RIG_OK;
    for (size_t i = 0; !code && !*found && i < count; i++)
        code = trace_back(trace, left, spans[i].place,
                          spans[i].low + (spans[i].high - spans[i].low) / 2, found);
    for (size_t i = 0; !code && !*found && i < count; i++)
        for (int32_t depth = spans[i].low; !code && !*found && depth <= spans[i].high; depth++)
            code = trace_back(trace, left, spans[i].place, depth, found);
    return code;
}

/* Whether `left` segments end at this knot; the knots up to it then. */
static int trace_back(struct trace *trace, size_t left, int64_t place, int32_t depth, bool *found)
{
    const struct segments_work *work = trace->work;
    uint64_t key = key_of(left, place, depth);
    if (left == 0 || place == 0) {
        *found = left == 0 && place == 0;
    } else if (!in_vain(&trace->vain, key)) {
        struct knot_span *spans = malloc(((size_t)place + 1) * sizeof *spans);
        if (!spans)
            return rig_fail_memory(trace->err, "a table of segments");
        size_t count = knots_before(trace, left - 1, place, depth, spans);
        struct knot_span *fitting = realloc(spans, (count + 1) * sizeof *spans);
        spans = fitting ? fitting : spans; /* one row a level is alive at a time */
        int code = try_spans(trace, left - 1, spans, count, found);
        free(spans);
        if (!code && !*found)
            code = note_vain(&trace->vain, key, trace->err);
        if (code)
            return code;
    }
    if (*found)
        trace->knots[left] = (struct segments_knot){work->band->first + (int32_t)place, depth};
    return RIG_OK;
}

int segments_trace(const struct segments_work *work, size_t count, struct segments_knot knots[],
                   bool *found, struct rig_err *err)
{
    struct trace trace = {.work = work, .knots = knots, .err = err};
    const struct knot_span last = {work->n - 1, work->band->low[work->n - 1],
                                   work->band->high[work->n - 1], 0};
    *found = false;
    int code = try_spans(&trace, count, &last, 1, found);
    free(trace.vain.keys);
    return code;
}
