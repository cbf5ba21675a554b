/* SPDX-License-Identifier: GPL-3.0-or-later
 * One cell of a recording to a number, fast. Numbers of a column look alike: as many
 * digits, the point in the same place. So a column keeps the layouts of its last cells and
 * tries them on the next: sixteen bytes at once are compared with a layout, and are then
 * digits whose weights are known. What fits none is read digit by digit, and its layout
 * kept. For processors with SSE2, which are all of x86-64; others read digit by digit.
 * Private to recording_parse.c. Pure. */
#ifndef RESULTS_RECORDING_LAYOUT_H
#define RESULTS_RECORDING_LAYOUT_H

#include "results/recording_cell.h"

#include <emmintrin.h>

#include <math.h>
#include <stdalign.h>

enum {
    LAYOUT_BYTES = 16,  /* of a cell with its end, at most */
    LAYOUT_SHORT = 8,   /* up to here half the work is enough */
    LAYOUT_REACH = 24,  /* from a cell's start: no plain cell with its end is longer */
    LAYOUT_COUNT = 4,   /* kept a column */
    LAYOUT_LESSONS = 32 /* in a batch, then the column has no layouts worth looking for */
};

struct cell_layout {
    alignas(16) uint8_t fixed[LAYOUT_BYTES]; /* '0' for any digit, else the byte itself */
    uint8_t off_limit[LAYOUT_BYTES]; /* how far it may be off: 9, 0, or 255 behind the end */
    int16_t weight[LAYOUT_BYTES];    /* of a digit in its group of four bytes */
    double group_weight[LAYOUT_BYTES / 4];
    double divisor; /* +-10^decimals; NaN for an empty cell */
    size_t total;   /* bytes, with the end */
};

struct cell_column {
    struct cell_layout layouts[LAYOUT_COUNT];
    const struct cell_layout *recent; /* one of them */
    unsigned oldest, lessons;
};

static inline __m128i layout_load(const void *at)
{
    return _mm_load_si128((const __m128i *)at);
}

/* Groups of four digits from sixteen bytes that are 0 to 9, or of no weight. */
static inline __m128i layout_groups(__m128i digits, const struct cell_layout *layout)
{
    const __m128i zero = _mm_setzero_si128(), one = _mm_set1_epi16(1);
    __m128i low = _mm_madd_epi16(_mm_unpacklo_epi8(digits, zero), layout_load(layout->weight));
    __m128i high = _mm_madd_epi16(_mm_unpackhi_epi8(digits, zero), layout_load(layout->weight + 8));
    return _mm_madd_epi16(_mm_packs_epi32(low, high), one);
}

/* Whether the cell at `at` looks like this; then its value. LAYOUT_BYTES are there. */
static inline bool cell_fits(const char *at, const struct cell_layout *layout, double *value)
{
    const __m128i bytes = _mm_loadu_si128((const __m128i *)(const void *)at);
    const __m128i off = _mm_xor_si128(bytes, layout_load(layout->fixed));
    const __m128i beyond = _mm_subs_epu8(off, layout_load(layout->off_limit));
    if (_mm_movemask_epi8(_mm_cmpeq_epi8(beyond, _mm_setzero_si128())) != 0xFFFF)
        return false;
    /* Whole numbers below 2^53 all the way, so exact; then rounded once, so correctly. */
    __m128i groups = layout_groups(off, layout);
    __m128d sum = _mm_mul_pd(_mm_cvtepi32_pd(groups), _mm_loadu_pd(layout->group_weight));
    if (layout->total > LAYOUT_SHORT) {
        groups = _mm_unpackhi_epi64(groups, groups);
        sum = _mm_add_pd(
            sum, _mm_mul_pd(_mm_cvtepi32_pd(groups), _mm_loadu_pd(layout->group_weight + 2)));
    }
    *value = _mm_cvtsd_f64(_mm_add_sd(sum, _mm_unpackhi_pd(sum, sum))) / layout->divisor;
    return true;
}

/* Keeps the layout of a plain or empty cell with its end: total bytes from `at`. */
static inline void cell_learn(struct cell_column *column, const char *at, size_t size, size_t total)
{
    if (total > LAYOUT_BYTES)
        return;
    struct cell_layout *layout = &column->layouts[column->oldest];
    column->oldest = (column->oldest + 1) % LAYOUT_COUNT;
    column->recent = layout;
    column->lessons++;
    memset(layout, 0, sizeof *layout);
    layout->total = total;
    bool behind_point = false;
    size_t decimals = 0;
    double weight = 1; /* from the last digit to the first */
    for (size_t i = LAYOUT_BYTES; i-- > 0;) {
        double *group = &layout->group_weight[i / 4];
        bool is_digit = i < size && cell_digit(at + i) < 10;
        if (i >= total) {
            layout->off_limit[i] = 255;
            continue;
        }
        layout->fixed[i] = is_digit ? '0' : (uint8_t)at[i];
        if (!is_digit)
            continue;
        layout->off_limit[i] = 9;
        if (*group == 0)
            *group = weight;
        layout->weight[i] = (int16_t)(weight / *group);
        weight *= 10;
    }
    for (size_t i = 0; i < size; i++) {
        decimals += behind_point;
        behind_point = behind_point || at[i] == '.';
    }
    layout->divisor = size == 0 ? (double)NAN : cell_powers[decimals];
    if (size > 0 && *at == '-')
        layout->divisor = -layout->divisor;
}

/* Any cell will do to begin with. */
static inline void cell_column_open(struct cell_column *column, bool last)
{
    column->oldest = 0;
    for (size_t i = 0; i < LAYOUT_COUNT; i++)
        cell_learn(column, last ? "0\n" : "0,", 1, 2);
    column->lessons = 0;
}

/* A cell that isn't as the one before it. Where the next one begins, or NULL when it isn't
 * plain. */
__attribute__((noinline)) /* else the usual way becomes slower by a third */
static const char *
cell_other(struct cell_column *column, const char *at, bool first, bool last, double *value)
{
    bool looks = column->lessons < LAYOUT_LESSONS;
    for (size_t i = 0; i < LAYOUT_COUNT && looks; i++)
        if (cell_fits(at, &column->layouts[i], value)) {
            column->recent = &column->layouts[i];
            return at + column->recent->total;
        }
    const char *end = cell_end(at, last) && !first ? at : cell_plain(at, value);
    size_t more = end ? cell_end(end, last) : 0;
    if (!more)
        return NULL;
    if (end == at)
        *value = NAN;
    if (looks)
        cell_learn(column, at, (size_t)(end - at), (size_t)(end - at) + more);
    return end + more;
}

/* A whole line of plain numbers into a row of cells, by their layouts; where the next line
 * starts, or NULL. LAYOUT_REACH bytes for each column may be looked at. */
static inline const char *line_by_layouts(struct cell_column columns[], size_t count,
                                          const char *at, double *cells)
{
    struct cell_column *column = columns, *end = columns + count;
    do {
        const struct cell_layout *layout = column->recent;
        if (cell_fits(at, layout, cells))
            at += layout->total;
        else if (!(at = cell_other(column, at, column == columns, column + 1 == end, cells)))
            return NULL;
        cells += PARSE_BATCH_ROWS;
    } while (++column < end);
    return at;
}

#endif
