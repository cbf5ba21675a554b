/* SPDX-License-Identifier: GPL-3.0-or-later
 * What came out of a digest: counts of rows, and the points of a segment. */
#include "results/digest_parts.h"

#include <math.h>

uint64_t digest_rows_used(const struct digest *digest)
{
    return digest->used;
}

uint64_t digest_rows_unused(const struct digest *digest)
{
    return digest->unused;
}

uint64_t digest_rows_missing(const struct digest *digest, size_t channel)
{
    return digest->missing[channel];
}

/* The windows of a segment, `count` in a row: several of a sine. */
static const struct digest_segment *windows_of(const struct digest *digest, size_t segment,
                                               size_t *count)
{
    const struct digest_layout *layout = digest->layout;
    *count = 0;
    if (segment >= layout->segments || layout->window_of[segment] == UINT32_MAX)
        return NULL;
    size_t first = layout->window_of[segment], end = first;
    while (end < layout->window_count && layout->windows[end].segment == segment)
        end++;
    *count = end - first;
    return &layout->windows[first];
}

size_t digest_bin_count(const struct digest *digest, size_t segment)
{
    size_t count, bins = 0;
    const struct digest_segment *window = windows_of(digest, segment, &count);
    for (size_t i = 0; i < count; i++)
        bins += window[i].bins;
    return bins;
}

static size_t points_of(const struct digest *digest, const struct digest_segment *window,
                        size_t channel, struct digest_point points[])
{
    size_t count = 0;
    double begin_s = 0;
    for (uint32_t i = 0; i < window->bins; i++) {
        size_t bin = window->first_bin + i, b = bin % PAGE_BINS;
        const struct page *page = digest->pages[bin / PAGE_BINS];
        double end_s = digest_bin_end(digest->layout, window, i);
        double width_s = end_s - begin_s;
        begin_s = end_s;
        if (!page || page->channels[channel].n[b] == 0)
            continue;
        const struct channel_bins *bins = &page->channels[channel];
        double n = bins->n[b], mean = bins->sum[b] / n;
        points[count++] = (struct digest_point){
            .t_s = page->time_sum[b] / page->n[b],
            .cycle_s = window->cycle_s,
            .width_s = width_s,
            .mean = mean + digest->origin[channel],
            .variance = n > 1 ? fmax(0, (bins->square_sum[b] - n * mean * mean) / (n - 1)) : 0,
            .n = n,
        };
    }
    return count;
}

size_t digest_points(const struct digest *digest, size_t segment, size_t channel,
                     struct digest_point points[])
{
    size_t windows, count = 0;
    const struct digest_segment *window = windows_of(digest, segment, &windows);
    for (size_t i = 0; i < windows && channel < digest->channels; i++)
        count += points_of(digest, &window[i], channel, points + count);
    return count;
}

bool digest_window(const struct digest *digest, size_t segment, double *host_start_s,
                   double *host_end_s)
{
    size_t count;
    const struct digest_segment *window = windows_of(digest, segment, &count);
    if (!window)
        return false;
    *host_start_s = window->start_s;
    *host_end_s = window[count - 1].end_s;
    return true;
}

/* All rows of the bin bear one value, but for rounding. */
static bool is_flat(const struct channel_bins *bins, size_t b)
{
    double n = bins->n[b], mean = bins->sum[b] / n;
    return n >= 3 && bins->square_sum[b] / n - mean * mean <= 1e-12 * mean * mean;
}

size_t digest_flat_bins(const struct digest *digest, size_t channel, int side, double *level)
{
    double most = -INFINITY;
    size_t flat = 0;
    for (size_t i = 0; i < digest->taken_count; i++) {
        const struct channel_bins *bins = &digest->pages[digest->taken[i]]->channels[channel];
        for (size_t b = 0; b < PAGE_BINS; b++) {
            double mean = bins->n[b] ? side * bins->sum[b] / bins->n[b] : -INFINITY;
            double near = 1e-9 * fabs(mean);
            if (!bins->n[b] || mean < most - near)
                continue;
            if (mean > most + near)
                flat = 0;
            most = fmax(most, mean);
            flat += is_flat(bins, b);
        }
    }
    *level = digest->origin[channel] + side * most;
    return flat;
}
