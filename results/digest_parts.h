/* SPDX-License-Identifier: GPL-3.0-or-later
 * Private to results/digest*.c: when the segments really ran, and their bins. */
#ifndef RESULTS_DIGEST_PARTS_H
#define RESULTS_DIGEST_PARTS_H

#include "results/digest.h"

/* A segment that was run, or of a sine a group of its cycles, one window after another. Windows
 * ascend and don't overlap. Small: a night of short strokes has some hundred thousand. */
struct digest_segment {
    double start_s, end_s; /* host time */
    double fine_s;         /* width of a uniform bin, or of a hold's first ones */
    double even_s;         /* width of a long hold's bins from number `even_from` on */
    double period_s;       /* of a sine, else 0 */
    double cycle_s;        /* of a sine: since the segment's start to the middle one that counts */
    uint32_t first_bin;    /* of the whole digest */
    uint32_t bins;
    uint32_t segment;        /* of the plan */
    uint32_t even_from;      /* at least DIGEST_HOLD_BINS: no bins are even */
    uint32_t skipped_cycles; /* of a sine: its first ones, in which the response settles */
    bool hold;
};

/* Written once by digest_layout_make, then only read: by all parts at the same time. */
struct digest_layout {
    size_t segments; /* of the plan */
    double rate;     /* plan seconds a host second */
    struct digest_segment *windows;
    size_t window_count;
    uint32_t *window_of; /* segment -> its first window; UINT32_MAX: not run */
    size_t bins;         /* of all windows */
    double *growth;      /* growth[k]: how much wider than at its knee the hold's bin k is */
};

/* ---- the sums ---- */

enum { PAGE_BINS = 32 };

struct channel_bins {
    double sum[PAGE_BINS], square_sum[PAGE_BINS]; /* of value - origin */
    uint32_t n[PAGE_BINS];
};

struct page {
    double time_sum[PAGE_BINS];
    uint32_t n[PAGE_BINS];
    struct channel_bins channels[];
};

/* A stretch of host time in which nothing changes but the values: a bin, or a time in
 * which rows fall into none. */
struct cursor {
    double from_s, to_s;           /* host time; empty at first */
    struct page *page;             /* NULL: no bin */
    size_t bin;                    /* within the page */
    double start_s, rate, cycle_s; /* t = (host_s - start_s) rate - cycle_s */
    size_t window;
    uint32_t at; /* bin of the window */
    double cycle;
};

struct digest {
    struct digest_layout *layout;
    bool owns_layout;
    size_t channels, page_count, page_bytes;
    struct page **pages; /* page_count of them, NULL where no row has come */
    size_t *taken;       /* numbers of those that aren't NULL, in the order in which they came */
    size_t taken_count;
    double *origin;    /* one a channel: first finite value, keeps the squares small */
    uint64_t *missing; /* one a channel: rows in a bin without a value */
    uint64_t used, unused;
    struct cursor cursor;
};

/* ---- the layout ---- */

int digest_layout_make(struct digest_layout *layout, const struct plan *plan,
                       const struct timeline *timeline, double row_interval_s, double late_s,
                       size_t bin_size, size_t memory_limit, struct rig_err *err);
void digest_layout_free(struct digest_layout *layout);

/* The window that holds host_s, or the number of those that end before it, with
 * *inside false. */
size_t digest_window_at(const struct digest_layout *layout, double host_s, bool *inside);

/* The upper edge of a bin, since the segment's (a sine: the cycle's) start, plan time. */
double digest_bin_end(const struct digest_layout *layout, const struct digest_segment *window,
                      uint32_t bin);
/* The bin that holds t_s, of the same time; next to an edge perhaps its neighbour. */
uint32_t digest_bin_at(const struct digest_layout *layout, const struct digest_segment *window,
                       double t_s);

#endif
