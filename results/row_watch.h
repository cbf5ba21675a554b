/* SPDX-License-Identifier: GPL-3.0-or-later
 * Rows that are missing or come twice, from the times alone. Pure. */
#ifndef RESULTS_ROW_WATCH_H
#define RESULTS_ROW_WATCH_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum { ROW_WATCH_GAPS = 64 };

/* Between the last row before it and the first behind it, host time; `missing_s`, by the board's
 * clock where there is one, is how much longer that was than the usual distance. */
struct row_gap {
    double from_s, to_s, missing_s;
};

struct row_watch {
    bool clocked;                        /* judged by the board's clock: late rows aren't missing */
    double usual_s, limit_s;             /* distance of rows; from which on it is a gap */
    double first_s, last_s, last_host_s; /* of the clock judged by; NaN: no row yet */
    double first_host_s;
    uint64_t rows, repeated; /* repeated: with the time of the row before */
    uint64_t gap_count;
    double missing_s;
    struct row_gap longest;
    struct row_gap gaps[ROW_WATCH_GAPS]; /* the first ones */
};

/* usual_s: NaN where it is not known; then nothing is a gap. A gap is ten times that, and a quarter
 * of a second at least (common practice, no source). */
void row_watch_begin(struct row_watch *watch, double usual_s, bool clocked);
/* clock_s: NULL where not clocked. Rows without a time are passed over; time that steps back is no
 * gap. */
void row_watch_add(struct row_watch *watch, const double host_s[], const double clock_s[],
                   size_t rows);
/* Adds what follows in the file; `next` is empty then. */
void row_watch_merge(struct row_watch *watch, struct row_watch *next);

#endif
