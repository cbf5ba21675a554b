/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "results/row_watch.h"

#include <math.h>
#include <string.h>

void row_watch_begin(struct row_watch *watch, double usual_s, bool clocked)
{
    *watch = (struct row_watch){.clocked = clocked,
                                .usual_s = usual_s,
                                .limit_s = usual_s > 0 ? fmax(10 * usual_s, 0.25) : INFINITY,
                                .first_s = NAN,
                                .last_s = NAN,
                                .first_host_s = NAN,
                                .last_host_s = NAN};
}

static void add_gap(struct row_watch *watch, const struct row_gap *gap)
{
    if (watch->gap_count < ROW_WATCH_GAPS)
        watch->gaps[watch->gap_count] = *gap;
    watch->gap_count++;
    watch->missing_s += gap->missing_s;
    if (gap->missing_s > watch->longest.missing_s)
        watch->longest = *gap;
}

static void follow(struct row_watch *watch, double host_s, double clock_s)
{
    double apart_s = clock_s - watch->last_s;
    watch->repeated += apart_s == 0;
    if (apart_s > watch->limit_s)
        add_gap(watch, &(struct row_gap){watch->last_host_s, host_s, apart_s - watch->usual_s});
}

static uint64_t bits_of(double value)
{
    uint64_t bits;
    memcpy(&bits, &value, sizeof bits);
    return bits;
}

/* All rows follow one another as they should, which nearly all do: told without a branch, so that
 * it takes next to no time. Doubles above 0 are in the order of their bits as whole numbers, NaN
 * beyond all of them; below 0 and 0 itself less 1 have the highest bit. */
static bool all_follow(const double t_s[], size_t rows, double last_s, double limit_s)
{
    uint64_t most = bits_of(limit_s), odd = 0;
    for (size_t r = 1; r < rows; r++) {
        uint64_t apart = bits_of(t_s[r] - t_s[r - 1]);
        odd |= apart | (apart - 1) | (most - apart);
    }
    return !(odd >> 63) && t_s[0] - last_s > 0 && t_s[0] - last_s <= limit_s;
}

void row_watch_add(struct row_watch *watch, const double host_s[], const double clock_s[],
                   size_t rows)
{
    const double *judged = watch->clocked ? clock_s : host_s;
    double last_s = watch->last_s;
    size_t last = rows; /* the latest row that counts; `rows`: none of these */
    watch->rows += rows;
    if (rows && all_follow(judged, rows, last_s, watch->limit_s)) {
        watch->last_s = judged[rows - 1];
        watch->last_host_s = host_s[rows - 1];
        return;
    }
    for (size_t r = 0; r < rows; r++) {
        double apart_s = judged[r] - last_s;
        if (apart_s > 0 && apart_s <= watch->limit_s) { /* nearly all */
            last_s = judged[r];
            last = r;
            continue;
        }
        if (isnan(host_s[r]) || isnan(judged[r]))
            continue;
        if (isnan(watch->first_s)) {
            watch->first_s = judged[r];
            watch->first_host_s = host_s[r];
        }
        watch->last_s = last_s;
        watch->last_host_s = last < rows ? host_s[last] : watch->last_host_s;
        follow(watch, host_s[r], judged[r]);
        last_s = judged[r];
        last = r;
    }
    watch->last_s = last_s;
    if (last < rows)
        watch->last_host_s = host_s[last];
}

void row_watch_merge(struct row_watch *watch, struct row_watch *next)
{
    if (!isnan(next->first_s)) {
        if (isnan(watch->first_s)) {
            watch->first_s = next->first_s;
            watch->first_host_s = next->first_host_s;
        } else
            follow(watch, next->first_host_s, next->first_s);
        for (uint64_t i = 0; i < next->gap_count && i < ROW_WATCH_GAPS; i++)
            if (watch->gap_count + i < ROW_WATCH_GAPS)
                watch->gaps[watch->gap_count + i] = next->gaps[i];
        if (next->longest.missing_s > watch->longest.missing_s)
            watch->longest = next->longest;
        watch->gap_count += next->gap_count;
        watch->missing_s += next->missing_s;
        watch->repeated += next->repeated;
        watch->last_s = next->last_s;
        watch->last_host_s = next->last_host_s;
    }
    watch->rows += next->rows;
    row_watch_begin(next, next->usual_s, next->clocked);
}
