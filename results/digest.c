/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "results/digest.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Holds: bins of the finest width until the growing ones (3 % of the time since the
 * start) are wider. */
static const double hold_growth = 0.03;

struct channel_sum {
    double sum, square_sum; /* of value - origin */
    uint32_t n;
};

struct bin {
    double time_sum;
    uint32_t n;
};

struct window {
    double host_start_s, host_end_s; /* NaN: not run */
    double rate;                     /* plan seconds a host second */
    size_t first_bin;
    uint32_t bins;
    float fine_s; /* width of a uniform bin, or of a hold's first ones */
};

struct digest {
    const struct plan *plan;
    size_t channels, segments, bins;
    struct window *windows;
    struct bin *bin;
    struct channel_sum *sums; /* bins x channels */
    double *origin;           /* one a channel: first finite value, keeps the squares small */
    uint64_t used, unused;
    /* where the last row fell */
    size_t segment;
    uint32_t at;
    double begin_s, edge_s; /* of bin `at`, since the segment's start; edge < 0: unknown */
};

static bool is_hold(const struct plan_segment *segment)
{
    return segment->kind == SEGMENT_HOLD || segment->kind == SEGMENT_STAIR_HOLD;
}

static double period_of(const struct plan *plan, const struct plan_segment *segment)
{
    const struct plan_family *family = &plan_families(plan)[segment->family];
    return family->frequency_hz > 0 ? 1 / family->frequency_hz : NAN;
}

/* Number of fine bins before growing ones take over. */
static double hold_knee(double fine_s)
{
    return ceil(1 / hold_growth) * fine_s;
}

static uint32_t hold_bins(double duration_s, double fine_s)
{
    double knee_s = hold_knee(fine_s);
    if (duration_s <= knee_s)
        return (uint32_t)ceil(duration_s / fine_s + 1);
    return (uint32_t)(ceil(1 / hold_growth) + ceil(log(duration_s / knee_s) / log1p(hold_growth)) +
                      1);
}

static double hold_edge(double fine_s, uint32_t bin)
{
    uint32_t fine_bins = (uint32_t)ceil(1 / hold_growth);
    if (bin < fine_bins)
        return fine_s * (bin + 1);
    return hold_knee(fine_s) * pow(1 + hold_growth, bin + 1 - fine_bins);
}

static void lay_out(struct digest *digest, double row_interval_s, double coarseness)
{
    const struct plan_segment *segments = plan_segments(digest->plan);
    double finest_s = fmax(isfinite(row_interval_s) ? row_interval_s : 0.01, 0.001) * coarseness;
    digest->bins = 0;
    for (size_t i = 0; i < digest->segments; i++) {
        struct window *window = &digest->windows[i];
        const struct plan_segment *segment = &segments[i];
        double duration_s = segment->duration_s;
        double bins = 0, limit = 0;
        if (isfinite(window->host_start_s) && duration_s > 0)
            switch (segment->kind) {
            case SEGMENT_LEAD:
            case SEGMENT_PARK:
                break;
            case SEGMENT_SINE:
                duration_s = period_of(digest->plan, segment);
                limit = DIGEST_SINE_BINS;
                break;
            case SEGMENT_FOLLOW:
                limit = DIGEST_FOLLOW_BINS;
                break;
            default:
                limit = is_hold(segment) ? DIGEST_HOLD_BINS : DIGEST_MOVE_BINS;
            }
        double fine_s = finest_s;
        if (limit > 0 && is_hold(segment)) {
            while ((bins = hold_bins(duration_s, fine_s)) > limit)
                fine_s *= 1.5;
        } else if (limit > 0) {
            bins = fmin(fmax(floor(limit / coarseness), 4), fmax(ceil(duration_s / finest_s), 1));
            fine_s = duration_s / bins;
        }
        window->first_bin = digest->bins;
        window->bins = (uint32_t)bins;
        window->fine_s = (float)fine_s;
        digest->bins += window->bins;
    }
}

static void find_windows(struct digest *digest, const struct timeline *timeline)
{
    const struct plan_segment *segments = plan_segments(digest->plan);
    for (size_t i = 0; i < digest->segments; i++) {
        struct window *window = &digest->windows[i];
        window->rate = 1 / (1 + timeline->skew);
        if (!timeline_window(timeline, &segments[i], &window->host_start_s, &window->host_end_s))
            window->host_start_s = window->host_end_s = NAN;
    }
}

struct digest *digest_open(const struct plan *plan, const struct timeline *timeline,
                           size_t channels, double row_interval_s, size_t memory_limit,
                           struct rig_err *err)
{
    struct digest *digest = calloc(1, sizeof *digest);
    if (!digest)
        goto no_memory;
    digest->plan = plan;
    digest->channels = channels;
    digest->segments = plan_segment_count(plan);
    digest->windows = calloc(digest->segments + 1, sizeof *digest->windows);
    digest->origin = calloc(channels + 1, sizeof *digest->origin);
    if (!digest->windows || !digest->origin)
        goto no_memory;
    for (size_t c = 0; c < channels; c++)
        digest->origin[c] = NAN;
    find_windows(digest, timeline);
    size_t bin_size = sizeof *digest->bin + channels * sizeof *digest->sums;
    double coarseness = 1;
    do {
        lay_out(digest, row_interval_s, coarseness);
        coarseness *= 1.4;
    } while (digest->bins * bin_size > memory_limit && coarseness < 64);
    digest->bin = calloc(digest->bins + 1, sizeof *digest->bin);
    digest->sums = calloc(digest->bins * channels + 1, sizeof *digest->sums);
    if (!digest->bin || !digest->sums)
        goto no_memory;
    digest->segment = SIZE_MAX;
    return digest;
no_memory:
    digest_free(digest);
    rig_fail_memory(err, "the digest of a recording");
    return NULL;
}

void digest_free(struct digest *digest)
{
    if (!digest)
        return;
    free(digest->windows);
    free(digest->bin);
    free(digest->sums);
    free(digest->origin);
    free(digest);
}

static bool holds(const struct digest *digest, size_t segment, double host_s)
{
    return segment < digest->segments && host_s >= digest->windows[segment].host_start_s &&
           host_s < digest->windows[segment].host_end_s;
}

/* The segment whose host window holds host_s, or SIZE_MAX. Windows of segments that
 * ran are in order of time; those that did not are NaN and stepped over. */
static size_t segment_of(const struct digest *digest, double host_s)
{
    size_t next = digest->segment == SIZE_MAX ? 0 : digest->segment;
    for (size_t step = 0; step < 8 && next + step < digest->segments; step++) {
        if (holds(digest, next + step, host_s))
            return next + step;
    }
    size_t low = 0, high = digest->segments;
    while (low < high) { /* first segment that starts after host_s */
        size_t middle = low + (high - low) / 2, probe = middle;
        while (probe < high && isnan(digest->windows[probe].host_start_s))
            probe++;
        if (probe < high && digest->windows[probe].host_start_s <= host_s)
            low = probe + 1;
        else
            high = middle;
    }
    while (low > 0 && isnan(digest->windows[low - 1].host_start_s))
        low--;
    if (low == 0 || host_s >= digest->windows[low - 1].host_end_s)
        return SIZE_MAX;
    return low - 1;
}

static uint32_t bin_of(const struct digest *digest, size_t index, double t_s)
{
    const struct window *window = &digest->windows[index];
    double bin;
    double fine_s = (double)window->fine_s;
    if (is_hold(&plan_segments(digest->plan)[index]) && t_s >= hold_knee(fine_s))
        bin = ceil(1 / hold_growth) + floor(log(t_s / hold_knee(fine_s)) / log1p(hold_growth));
    else
        bin = floor(t_s / fine_s);
    return bin < 0 ? 0 : bin >= window->bins ? window->bins - 1 : (uint32_t)bin;
}

static double edge_of(const struct digest *digest, size_t index, uint32_t bin)
{
    const struct window *window = &digest->windows[index];
    if (bin + 1 >= window->bins)
        return INFINITY;
    if (is_hold(&plan_segments(digest->plan)[index]))
        return hold_edge((double)window->fine_s, bin);
    return (double)window->fine_s * (bin + 1);
}

/* Finds the bin for a row; false when it falls into none. */
static bool locate(struct digest *digest, double host_s, double *t_s)
{
    if (!holds(digest, digest->segment, host_s)) {
        size_t found = segment_of(digest, host_s);
        if (found == SIZE_MAX)
            return false;
        digest->segment = found;
        digest->begin_s = 0;
        digest->edge_s = -1;
    }
    const struct window *window = &digest->windows[digest->segment];
    if (window->bins == 0)
        return false;
    double since_s = (host_s - window->host_start_s) * window->rate;
    const struct plan_segment *segment = &plan_segments(digest->plan)[digest->segment];
    if (segment->kind == SEGMENT_SINE) {
        double period_s = period_of(digest->plan, segment);
        if (since_s < period_s && segment->duration_s > 1.5 * period_s)
            return false; /* the response is still finding its cycle */
        *t_s = since_s - period_s * floor(since_s / period_s);
        digest->at = bin_of(digest, digest->segment, *t_s);
        return true;
    }
    *t_s = since_s;
    if (since_s >= digest->begin_s && since_s < digest->edge_s)
        return true;
    if (digest->edge_s > 0 && since_s >= digest->edge_s &&
        since_s < edge_of(digest, digest->segment, digest->at + 1))
        digest->at++;
    else
        digest->at = bin_of(digest, digest->segment, since_s);
    digest->begin_s = digest->at ? edge_of(digest, digest->segment, digest->at - 1) : 0;
    digest->edge_s = edge_of(digest, digest->segment, digest->at);
    return true;
}

static void add_value(struct digest *digest, size_t bin, size_t channel, double value)
{
    if (!isfinite(value))
        return;
    if (isnan(digest->origin[channel]))
        digest->origin[channel] = value;
    struct channel_sum *sum = &digest->sums[bin * digest->channels + channel];
    double from_origin = value - digest->origin[channel];
    sum->sum += from_origin;
    sum->square_sum += from_origin * from_origin;
    sum->n++;
}

/* Books a row's time; returns its bin, or SIZE_MAX. */
static size_t book(struct digest *digest, double host_s)
{
    double t_s;
    if (!isfinite(host_s) || !locate(digest, host_s, &t_s)) {
        digest->unused++;
        return SIZE_MAX;
    }
    size_t bin = digest->windows[digest->segment].first_bin + digest->at;
    digest->bin[bin].time_sum += t_s;
    digest->bin[bin].n++;
    digest->used++;
    return bin;
}

void digest_add(struct digest *digest, double host_s, const double values[])
{
    size_t bin = book(digest, host_s);
    if (bin == SIZE_MAX)
        return;
    for (size_t c = 0; c < digest->channels; c++)
        add_value(digest, bin, c, values[c]);
}

void digest_add_rows(struct digest *digest, const double host_s[], const double *const channels[],
                     size_t rows)
{
    for (size_t r = 0; r < rows; r++) {
        size_t bin = book(digest, host_s[r]);
        if (bin == SIZE_MAX)
            continue;
        for (size_t c = 0; c < digest->channels; c++)
            add_value(digest, bin, c, channels[c][r]);
    }
}

void digest_merge(struct digest *into, const struct digest *from)
{
    for (size_t b = 0; b < into->bins; b++) {
        into->bin[b].time_sum += from->bin[b].time_sum;
        into->bin[b].n += from->bin[b].n;
    }
    for (size_t c = 0; c < into->channels; c++) {
        if (isnan(from->origin[c]))
            continue;
        if (isnan(into->origin[c]))
            into->origin[c] = from->origin[c];
        double shift = from->origin[c] - into->origin[c];
        for (size_t b = 0; b < into->bins; b++) {
            struct channel_sum *sum = &into->sums[b * into->channels + c];
            const struct channel_sum *other = &from->sums[b * from->channels + c];
            sum->square_sum +=
                other->square_sum + 2 * shift * other->sum + other->n * shift * shift;
            sum->sum += other->sum + other->n * shift;
            sum->n += other->n;
        }
    }
    into->used += from->used;
    into->unused += from->unused;
}

uint64_t digest_rows_used(const struct digest *digest)
{
    return digest->used;
}

uint64_t digest_rows_unused(const struct digest *digest)
{
    return digest->unused;
}

size_t digest_bin_count(const struct digest *digest, size_t segment)
{
    return segment < digest->segments ? digest->windows[segment].bins : 0;
}

size_t digest_points(const struct digest *digest, size_t segment, size_t channel,
                     struct digest_point points[])
{
    size_t count = 0;
    if (segment >= digest->segments || channel >= digest->channels)
        return 0;
    const struct window *window = &digest->windows[segment];
    bool hold = is_hold(&plan_segments(digest->plan)[segment]);
    for (uint32_t i = 0; i < window->bins; i++) {
        size_t b = window->first_bin + i;
        const struct channel_sum *sum = &digest->sums[b * digest->channels + channel];
        if (sum->n == 0)
            continue;
        double mean = sum->sum / sum->n;
        double fine_s = (double)window->fine_s;
        points[count++] = (struct digest_point){
            .t_s = digest->bin[b].time_sum / digest->bin[b].n,
            .width_s = hold && i > 0 ? hold_edge(fine_s, i) - hold_edge(fine_s, i - 1) : fine_s,
            .mean = mean + digest->origin[channel],
            .variance =
                sum->n > 1 ? fmax(0, (sum->square_sum - sum->n * mean * mean) / (sum->n - 1)) : 0,
            .n = sum->n,
        };
    }
    return count;
}

bool digest_window(const struct digest *digest, size_t segment, double *host_start_s,
                   double *host_end_s)
{
    if (segment >= digest->segments || isnan(digest->windows[segment].host_start_s))
        return false;
    *host_start_s = digest->windows[segment].host_start_s;
    *host_end_s = digest->windows[segment].host_end_s;
    return true;
}
