/* SPDX-License-Identifier: GPL-3.0-or-later
 * Sums in bins. Bins lie in pages that are taken when the first row falls into one: a part
 * that sees two minutes of a night stays as small as two minutes are, and is merged by
 * handing its pages over. Rows are looked for once a run of rows that share a bin. */
#include "results/digest_parts.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { PART_BYTES = 1 << 20, NEAR_BINS = 3, NEAR_WINDOWS = 4 };

static struct digest *open_with(struct digest_layout *layout, size_t channels, struct rig_err *err)
{
    struct digest *digest = calloc(1, sizeof *digest);
    if (!digest)
        goto no_memory;
    digest->layout = layout;
    digest->channels = channels;
    digest->page_bytes = sizeof(struct page) + channels * sizeof(struct channel_bins);
    digest->page_count = (layout->bins + PAGE_BINS - 1) / PAGE_BINS;
    digest->pages = calloc(digest->page_count + 1, sizeof(struct page *));
    digest->taken = calloc(digest->page_count + 1, sizeof *digest->taken);
    digest->origin = calloc(channels + 1, sizeof *digest->origin);
    digest->missing = calloc(channels + 1, sizeof *digest->missing);
    if (!digest->pages || !digest->taken || !digest->origin || !digest->missing)
        goto no_memory;
    for (size_t c = 0; c < channels; c++)
        digest->origin[c] = NAN;
    return digest;
no_memory:
    digest_free(digest);
    rig_fail_memory(err, "the digest of a recording");
    return NULL;
}

struct digest *digest_open(const struct plan *plan, const struct timeline *timeline,
                           size_t channels, double row_interval_s, double late_s,
                           size_t memory_limit, struct rig_err *err)
{
    struct digest_layout *layout = calloc(1, sizeof *layout);
    size_t page_bytes = sizeof(struct page) + channels * sizeof(struct channel_bins);
    if (!layout) {
        rig_fail_memory(err, "the digest of a recording");
        return NULL;
    }
    struct digest *digest = NULL;
    if (!digest_layout_make(layout, plan, timeline, row_interval_s, late_s, page_bytes / PAGE_BINS,
                            memory_limit, err))
        digest = open_with(layout, channels, err);
    if (!digest) {
        digest_layout_free(layout);
        free(layout);
        return NULL;
    }
    digest->owns_layout = true;
    return digest;
}

struct digest *digest_open_part(const struct digest *whole, struct rig_err *err)
{
    return open_with(whole->layout, whole->channels, err);
}

void digest_free(struct digest *digest)
{
    if (!digest)
        return;
    for (size_t i = 0; i < digest->taken_count; i++)
        free(digest->pages[digest->taken[i]]);
    free(digest->pages);
    free(digest->taken);
    free(digest->origin);
    free(digest->missing);
    if (digest->owns_layout) {
        digest_layout_free(digest->layout);
        free(digest->layout);
    }
    free(digest);
}

/* ---- where a row falls ---- */

static struct page *page_for(struct digest *digest, size_t number)
{
    if (!digest->pages[number] && (digest->pages[number] = calloc(1, digest->page_bytes)))
        digest->taken[digest->taken_count++] = number;
    return digest->pages[number];
}

/* Edges are host times and the same whichever way a row comes to its bin, so that a row on
 * an edge falls to the same side in any order of rows. */

static double cycle_start_s(const struct digest *digest, const struct digest_segment *window,
                            double cycle)
{
    return window->start_s + cycle * window->period_s / digest->layout->rate;
}

/* Host time at which a bin of the cursor's window and cycle ends. */
static double bin_end_s(const struct digest *digest, const struct cursor *cursor, uint32_t at)
{
    const struct digest_segment *window = &digest->layout->windows[cursor->window];
    if (at + 1 == window->bins) /* the last takes what rounding left over */
        return window->period_s > 0
                   ? fmin(cycle_start_s(digest, window, cursor->cycle + 1), window->end_s)
                   : window->end_s;
    double end_s = cursor->cycle_s + digest_bin_end(digest->layout, window, at);
    return fmin(window->start_s + end_s / digest->layout->rate, window->end_s);
}

/* The cursor's bin is known: takes its page. */
static int enter_bin(struct digest *digest, struct cursor *cursor, double from_s, double to_s,
                     struct rig_err *err)
{
    const struct digest_segment *window = &digest->layout->windows[cursor->window];
    size_t bin = window->first_bin + cursor->at;
    cursor->from_s = from_s;
    cursor->to_s = to_s;
    cursor->bin = bin % PAGE_BINS;
    cursor->page = page_for(digest, bin / PAGE_BINS);
    return cursor->page ? RIG_OK : rig_fail_memory(err, "the digest of a recording");
}

static int enter_none(struct cursor *cursor, double from_s, double to_s)
{
    cursor->from_s = from_s;
    cursor->to_s = to_s;
    cursor->page = NULL;
    return RIG_OK;
}

static void find_cycle(const struct digest *digest, const struct digest_segment *window,
                       struct cursor *cursor, double host_s)
{
    double cycle = floor((host_s - window->start_s) * digest->layout->rate / window->period_s);
    if (host_s >= cycle_start_s(digest, window, cycle + 1))
        cycle++;
    else if (cycle > 0 && host_s < cycle_start_s(digest, window, cycle))
        cycle--;
    cursor->cycle = cycle;
    cursor->cycle_s = cycle * window->period_s;
}

/* Into the cursor's window, wherever host_s falls in it. */
static int enter_window(struct digest *digest, struct cursor *cursor, double host_s,
                        struct rig_err *err)
{
    const struct digest_segment *window = &digest->layout->windows[cursor->window];
    cursor->start_s = window->start_s;
    cursor->rate = digest->layout->rate;
    cursor->cycle = cursor->cycle_s = 0;
    if (window->bins == 0)
        return enter_none(cursor, window->start_s, window->end_s);
    if (window->period_s > 0)
        find_cycle(digest, window, cursor, host_s);
    if (cursor->cycle < window->skipped_cycles)
        return enter_none(
            cursor, window->start_s,
            fmin(cycle_start_s(digest, window, window->skipped_cycles), window->end_s));
    double since_s = (host_s - window->start_s) * digest->layout->rate - cursor->cycle_s;
    uint32_t at = digest_bin_at(digest->layout, window, since_s);
    while (at + 1 < window->bins && host_s >= bin_end_s(digest, cursor, at))
        at++;
    while (at > 0 && host_s < bin_end_s(digest, cursor, at - 1))
        at--;
    cursor->at = at;
    return enter_bin(digest, cursor, host_s, bin_end_s(digest, cursor, at), err);
}

/* host_s is where the cursor's bin ends, or soon behind: tries the next bins. *done is
 * false where it has to be looked for. */
static int advance(struct digest *digest, struct cursor *cursor, double host_s, bool *done,
                   struct rig_err *err)
{
    const struct digest_segment *window = &digest->layout->windows[cursor->window];
    double end_s = cursor->to_s;
    *done = false;
    if (!cursor->page || host_s >= window->end_s)
        return RIG_OK;
    for (int step = 0; step < NEAR_BINS && cursor->at + 1 < window->bins; step++) {
        double from_s = end_s;
        end_s = bin_end_s(digest, cursor, ++cursor->at);
        if (host_s < end_s) {
            *done = true;
            return enter_bin(digest, cursor, from_s, end_s, err);
        }
    }
    return RIG_OK;
}

/* Puts the cursor where host_s is. */
static int seek(struct digest *digest, struct cursor *cursor, double host_s, struct rig_err *err)
{
    const struct digest_layout *layout = digest->layout;
    bool inside = false;
    if (host_s >= cursor->to_s) {
        int code = advance(digest, cursor, host_s, &inside, err);
        if (code || inside)
            return code;
    }
    for (size_t step = 0; step < NEAR_WINDOWS && cursor->window + step < layout->window_count;
         step++) {
        const struct digest_segment *window = &layout->windows[cursor->window + step];
        if (host_s >= window->start_s && host_s < window->end_s) {
            cursor->window += step;
            return enter_window(digest, cursor, host_s, err);
        }
    }
    size_t at = digest_window_at(layout, host_s, &inside);
    if (inside) {
        cursor->window = at;
        return enter_window(digest, cursor, host_s, err);
    }
    cursor->window = at > 0 ? at - 1 : 0;
    return enter_none(cursor, at > 0 ? layout->windows[at - 1].end_s : -INFINITY,
                      at < layout->window_count ? layout->windows[at].start_s : INFINITY);
}

/* ---- what is added ---- */

/* Some of the values are missing, or there is no origin yet. */
static void add_gappy(struct channel_bins *bins, size_t bin, double *origin, const double values[],
                      size_t n, uint64_t *missing)
{
    for (size_t i = 0; i < n; i++) {
        if (!isfinite(values[i])) {
            ++*missing;
            continue;
        }
        if (isnan(*origin))
            *origin = values[i];
        double off = values[i] - *origin;
        bins->sum[bin] += off;
        bins->square_sum[bin] += off * off;
        bins->n[bin]++;
    }
}

/* Four sums at a time, since one would wait for its own last addition. */
static void add_values(struct channel_bins *bins, size_t bin, double *origin, const double values[],
                       size_t n, uint64_t *missing)
{
    double sum[4] = {0}, square_sum[4] = {0}, from = *origin;
    size_t i = 0;
    for (; i + 4 <= n; i += 4)
        for (size_t k = 0; k < 4; k++) {
            double off = values[i + k] - from;
            sum[k] += off;
            square_sum[k] += off * off;
        }
    for (; i < n; i++) {
        double off = values[i] - from;
        sum[0] += off;
        square_sum[0] += off * off;
    }
    double squares = (square_sum[0] + square_sum[1]) + (square_sum[2] + square_sum[3]);
    if (!isfinite(squares)) {
        add_gappy(bins, bin, origin, values, n, missing);
        return;
    }
    bins->sum[bin] += (sum[0] + sum[1]) + (sum[2] + sum[3]);
    bins->square_sum[bin] += squares;
    bins->n[bin] += (uint32_t)n;
}

static double sum_of_times(const struct cursor *cursor, const double host_s[], size_t n)
{
    double sum[4] = {0};
    size_t i = 0;
    for (; i + 4 <= n; i += 4)
        for (size_t k = 0; k < 4; k++)
            sum[k] += host_s[i + k] - cursor->start_s;
    for (; i < n; i++)
        sum[0] += host_s[i] - cursor->start_s;
    return ((sum[0] + sum[1]) + (sum[2] + sum[3])) * cursor->rate - (double)n * cursor->cycle_s;
}

/* How many of the rows from the first on the cursor's stretch holds; the first it does. */
static size_t run_of(const struct cursor *cursor, const double host_s[], size_t rows)
{
    size_t n = 1;
    while (n < rows && host_s[n] >= cursor->from_s && host_s[n] < cursor->to_s)
        n++;
    return n;
}

int digest_add_rows(struct digest *digest, const double host_s[], const double *const channels[],
                    size_t rows, struct rig_err *err)
{
    struct cursor *cursor = &digest->cursor;
    size_t n = 1;
    for (size_t r = 0; r < rows; r += n) {
        n = 1;
        if (!isfinite(host_s[r])) {
            digest->unused++;
            continue;
        }
        if (!(host_s[r] >= cursor->from_s && host_s[r] < cursor->to_s)) {
            int code = seek(digest, cursor, host_s[r], err);
            if (code) {
                *cursor = (struct cursor){0};
                return code;
            }
        }
        n = run_of(cursor, host_s + r, rows - r);
        struct page *page = cursor->page;
        if (!page) {
            digest->unused += n;
            continue;
        }
        page->time_sum[cursor->bin] += sum_of_times(cursor, host_s + r, n);
        page->n[cursor->bin] += (uint32_t)n;
        digest->used += n;
        for (size_t c = 0; c < digest->channels; c++)
            add_values(&page->channels[c], cursor->bin, &digest->origin[c], channels[c] + r, n,
                       &digest->missing[c]);
    }
    return RIG_OK;
}

bool digest_full(const struct digest *part)
{
    return part->taken_count * part->page_bytes >= PART_BYTES;
}

/* ---- merging ---- */

/* The same sums about an origin that lies `shift` lower. */
static void shift_origin(struct channel_bins *bins, double shift)
{
    for (size_t b = 0; b < PAGE_BINS; b++) {
        bins->square_sum[b] += 2 * shift * bins->sum[b] + bins->n[b] * shift * shift;
        bins->sum[b] += bins->n[b] * shift;
    }
}

static void add_page(struct page *into, const struct page *from, size_t channels)
{
    for (size_t b = 0; b < PAGE_BINS; b++) {
        into->time_sum[b] += from->time_sum[b];
        into->n[b] += from->n[b];
    }
    for (size_t c = 0; c < channels; c++)
        for (size_t b = 0; b < PAGE_BINS; b++) {
            into->channels[c].sum[b] += from->channels[c].sum[b];
            into->channels[c].square_sum[b] += from->channels[c].square_sum[b];
            into->channels[c].n[b] += from->channels[c].n[b];
        }
}

void digest_merge(struct digest *into, struct digest *from)
{
    for (size_t c = 0; c < into->channels; c++)
        if (isnan(into->origin[c]))
            into->origin[c] = from->origin[c];
    for (size_t i = 0; i < from->taken_count; i++) {
        size_t number = from->taken[i];
        struct page *page = from->pages[number];
        for (size_t c = 0; c < into->channels; c++)
            if (!isnan(from->origin[c]))
                shift_origin(&page->channels[c], from->origin[c] - into->origin[c]);
        if (into->pages[number]) {
            add_page(into->pages[number], page, into->channels);
            free(page);
        } else {
            into->pages[number] = page;
            into->taken[into->taken_count++] = number;
        }
        from->pages[number] = NULL;
    }
    for (size_t c = 0; c < into->channels; c++) {
        into->missing[c] += from->missing[c];
        from->missing[c] = 0;
    }
    into->used += from->used;
    into->unused += from->unused;
    from->taken_count = 0;
    from->used = from->unused = 0;
    from->cursor = (struct cursor){0};
    for (size_t c = 0; c < from->channels; c++)
        from->origin[c] = NAN;
}
