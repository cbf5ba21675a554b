/* SPDX-License-Identifier: GPL-3.0-or-later
 * Which bins a digest has, and where they lie in time. */
#include "results/digest_parts.h"

#include <math.h>
#include <stdlib.h>

/* Holds: bins of the finest width until the growing ones (3 % of the time since the
 * start) are wider; in long holds those until they are as wide as the even ones. */
static const double hold_growth = 0.03;
enum { HOLD_FINE_BINS = 34 }; /* 1 / hold_growth, rounded up */
static const double coarsest = 64;
enum { LEAST_SINE_BINS = 32 };

static bool is_hold(const struct plan_segment *segment)
{
    return segment->kind == SEGMENT_HOLD || segment->kind == SEGMENT_STAIR_HOLD;
}

/* Edge of a hold's bin that grows, or of its last fine one. */
static double grown_s(const struct digest_layout *layout, double fine_s, uint32_t bin)
{
    return fine_s * HOLD_FINE_BINS * layout->growth[bin];
}

/* Bins of a hold whose first are fine_s wide; sets where even ones begin. */
static double hold_bins(const struct digest_layout *layout, struct digest_segment *window,
                        double duration_s, double coarseness)
{
    double fine_s = window->fine_s, knee_s = HOLD_FINE_BINS * fine_s;
    if (duration_s <= knee_s)
        return ceil(duration_s / fine_s + 1);
    if (duration_s < DIGEST_EVEN_FROM_S)
        return HOLD_FINE_BINS + ceil(log(duration_s / knee_s) / log1p(hold_growth)) + 1;
    uint32_t bin = HOLD_FINE_BINS;
    window->even_s = fmax(duration_s / DIGEST_EVEN_BINS * coarseness, fine_s);
    while (bin < DIGEST_HOLD_BINS &&
           grown_s(layout, fine_s, bin) - grown_s(layout, fine_s, bin - 1) < window->even_s)
        bin++;
    window->even_from = bin;
    double rest_s = duration_s - grown_s(layout, fine_s, bin - 1);
    return bin + ceil(fmax(rest_s, 0) / window->even_s) + 1;
}

/* As many of the bins as a segment of this kind may have; 0: none are wanted. */
static uint32_t bin_limit(const struct plan_segment *segment)
{
    switch (segment->kind) {
    case SEGMENT_LEAD:
    case SEGMENT_PARK:
        return 0;
    case SEGMENT_SINE:
        return DIGEST_SINE_BINS;
    case SEGMENT_FOLLOW:
        return DIGEST_FOLLOW_BINS;
    default:
        return is_hold(segment) ? DIGEST_HOLD_BINS : DIGEST_MOVE_BINS;
    }
}

static void lay_out(struct digest_layout *layout, const struct plan *plan, double finest_s,
                    double coarseness)
{
    layout->bins = 0;
    finest_s *= coarseness;
    for (size_t i = 0; i < layout->window_count; i++) {
        struct digest_segment *window = &layout->windows[i];
        const struct plan_segment *segment = &plan_segments(plan)[window->segment];
        double duration_s = window->period_s > 0 ? window->period_s : segment->duration_s;
        uint32_t limit = duration_s > 0 ? bin_limit(segment) : 0;
        window->fine_s = finest_s;
        window->even_from = UINT32_MAX;
        window->bins = 0;
        if (limit > 0 && window->hold) {
            double bins;
            while ((bins = hold_bins(layout, window, duration_s, coarseness)) > limit)
                window->fine_s *= 1.5;
            window->bins = (uint32_t)bins;
        } else if (limit > 0) {
            /* A wave of less would be lost, and there are few. A move of two tells nothing, but
             * what stands beside it may. */
            bool wave = window->period_s > 0, last = coarseness >= coarsest / 2;
            double least = wave ? (last ? 4 : LEAST_SINE_BINS) : last ? 2 : 4;
            double finest = wave ? finest_s / coarseness : finest_s;
            double bins = fmax(floor(limit / coarseness), least);
            bins = fmin(bins, fmax(ceil(duration_s / finest), 1));
            window->fine_s = duration_s / bins;
            window->bins = (uint32_t)bins;
        }
        window->first_bin = (uint32_t)layout->bins;
        layout->bins += window->bins;
    }
}

/* Makes of a sine's window one for each group of cycles. Each group has an odd number of them, so
 * that its middle is a cycle too: of an even number there are two or four groups, of an odd one
 * one or three. */
static void group_cycles(struct digest_layout *layout, struct digest_segment *window,
                         double duration_s, double frequency_hz)
{
    const struct digest_segment whole = *window;
    double period_s = 1 / frequency_hz;
    double skipped = digest_skipped_cycles(duration_s, frequency_hz);
    uint32_t rest = (uint32_t)fmax(round(duration_s * frequency_hz) - skipped, 1);
    uint32_t groups = DIGEST_SINE_GROUPS - rest % 2;
    while (groups > rest)
        groups -= 2;
    uint32_t least = (rest / groups - 1) / 2 * 2 + 1, longer = (rest - groups * least) / 2;
    double first = skipped;
    for (uint32_t group = 0; group < groups; group++, window++) {
        double from = group > 0 ? first : 0, end = first + least + (group < longer ? 2 : 0);
        *window = whole;
        window->period_s = period_s;
        window->skipped_cycles = (uint32_t)(first - from);
        window->cycle_s = (first + end - 1) / 2 * period_s;
        window->start_s = fmin(whole.start_s + from * period_s / layout->rate, whole.end_s);
        if (group + 1 < groups)
            window->end_s = fmin(whole.start_s + end * period_s / layout->rate, whole.end_s);
        first = end;
    }
    layout->window_count += groups - 1;
}

/* How many windows there may be. */
static size_t window_room(const struct plan *plan)
{
    size_t room = plan_segment_count(plan) + 1;
    for (size_t i = 0; i < plan_segment_count(plan); i++)
        if (plan_segments(plan)[i].kind == SEGMENT_SINE)
            room += DIGEST_SINE_GROUPS - 1;
    return room;
}

/* Where windows overlap the later begins in its place; one that would begin before the
 * one before it did makes no sense and is left out. */
static void find_windows(struct digest_layout *layout, const struct plan *plan,
                         const struct timeline *timeline, double late_s)
{
    const struct plan_segment *segments = plan_segments(plan);
    for (size_t i = 0; i < layout->segments; i++) {
        struct digest_segment *last =
            layout->window_count ? &layout->windows[layout->window_count - 1] : NULL;
        double start_s, end_s;
        layout->window_of[i] = UINT32_MAX;
        if (!timeline_window(timeline, &segments[i], &start_s, &end_s) || !isfinite(start_s) ||
            !isfinite(end_s) || (last && start_s + late_s < last->start_s))
            continue;
        start_s += late_s;
        end_s += late_s;
        if (last)
            last->end_s = fmin(last->end_s, start_s);
        const struct plan_family *family = &plan_families(plan)[segments[i].family];
        struct digest_segment *window = &layout->windows[layout->window_count];
        *window = (struct digest_segment){.start_s = start_s,
                                          .end_s = fmax(start_s, end_s),
                                          .segment = (uint32_t)i,
                                          .hold = is_hold(&segments[i])};
        layout->window_of[i] = (uint32_t)layout->window_count++;
        if (segments[i].kind == SEGMENT_SINE && family->frequency_hz > 0)
            group_cycles(layout, window, segments[i].duration_s, family->frequency_hz);
    }
}

double digest_skipped_cycles(double duration_s, double frequency_hz)
{
    double cycles = round(duration_s * frequency_hz);
    return fmin(ceil(DIGEST_SETTLE_S * frequency_hz - 1e-6), floor(cycles / 2));
}

int digest_layout_make(struct digest_layout *layout, const struct plan *plan,
                       const struct timeline *timeline, double row_interval_s, double late_s,
                       size_t bin_size, size_t memory_limit, struct rig_err *err)
{
    *layout = (struct digest_layout){.segments = plan_segment_count(plan),
                                     .rate = 1 / (1 + timeline->skew)};
    layout->windows = calloc(window_room(plan), sizeof *layout->windows);
    layout->window_of = calloc(layout->segments + 1, sizeof *layout->window_of);
    layout->growth = calloc(DIGEST_HOLD_BINS + 1, sizeof *layout->growth);
    if (!layout->windows || !layout->window_of || !layout->growth) {
        digest_layout_free(layout);
        return rig_fail_memory(err, "the digest of a recording");
    }
    find_windows(layout, plan, timeline, late_s);
    for (int k = 0; k <= DIGEST_HOLD_BINS; k++)
        layout->growth[k] = pow(1 + hold_growth, k + 1 - HOLD_FINE_BINS);
    double finest_s = fmax(isfinite(row_interval_s) ? row_interval_s : 0.01, 0.001);
    double coarseness = 1;
    do {
        lay_out(layout, plan, finest_s, coarseness);
        coarseness *= 1.4;
    } while (layout->bins * bin_size > memory_limit && coarseness < coarsest);
    return RIG_OK;
}

void digest_layout_free(struct digest_layout *layout)
{
    free(layout->windows);
    free(layout->window_of);
    free(layout->growth);
    *layout = (struct digest_layout){0};
}

size_t digest_window_at(const struct digest_layout *layout, double host_s, bool *inside)
{
    size_t low = 0, high = layout->window_count;
    while (low < high) { /* the first window that ends behind host_s */
        size_t middle = low + (high - low) / 2;
        if (layout->windows[middle].end_s <= host_s)
            low = middle + 1;
        else
            high = middle;
    }
    *inside = low < layout->window_count && layout->windows[low].start_s <= host_s;
    return low;
}

double digest_bin_end(const struct digest_layout *layout, const struct digest_segment *window,
                      uint32_t bin)
{
    if (window->hold && bin >= window->even_from)
        return grown_s(layout, window->fine_s, window->even_from - 1) +
               window->even_s * (bin + 1 - window->even_from);
    if (window->hold && bin >= HOLD_FINE_BINS)
        return grown_s(layout, window->fine_s, bin);
    return window->fine_s * (bin + 1);
}

uint32_t digest_bin_at(const struct digest_layout *layout, const struct digest_segment *window,
                       double t_s)
{
    double bin = floor(t_s / window->fine_s), even_s = INFINITY;
    if (window->even_from < window->bins)
        even_s = grown_s(layout, window->fine_s, window->even_from - 1);
    if (t_s >= even_s)
        bin = window->even_from + floor((t_s - even_s) / window->even_s);
    else if (window->hold && bin >= HOLD_FINE_BINS)
        bin = HOLD_FINE_BINS +
              floor(log(t_s / (HOLD_FINE_BINS * window->fine_s)) / log1p(hold_growth));
    return bin < 0 ? 0 : bin >= window->bins ? window->bins - 1 : (uint32_t)bin;
}
