/* SPDX-License-Identifier: GPL-3.0-or-later
 * When the rows of a source were sampled, by the board's own clock: lower envelope of their
 * arrivals over a sliding window (results/board_clock.h), from a sample of the rows, as pieces of
 * straight lines in host time. Late arrivals (a USB adapter's timer, a busy host) then don't
 * matter; what every line needs at least stays, and can't be seen. Pure. */
#ifndef RESULTS_ROW_TIMES_H
#define RESULTS_ROW_TIMES_H

#include "base/err.h"
#include "results/board_clock.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct row_knot {
    double host_s, gap_s,
        skew;         /* host - device of the quickest rows; how it grows with host time */
    double span_s;    /* of the rows that it is of */
    uint32_t segment; /* of the board's clock between restarts */
};

/* Zero-initialise; freed with row_times_free. */
struct row_times {
    struct row_knot *knots;
    size_t count, room;
    struct board_clock clock;
    uint32_t segment;
    uint64_t restarts;          /* of the board's clock */
    uint64_t pieces;            /* calls of row_times_add */
    double delay_s, delay_sd_s; /* of the sampled rows, above the quickest */
    double u_s;                 /* standard uncertainty of the line */
    bool begun;
};

void row_times_free(struct row_times *times);

/* Rows that follow one another, in order of the file: some hundred at once; gaps between calls
 * are fine. A step of all rows of a call by more than 50 ms against those before is a restart
 * of the board's clock. */
int row_times_add(struct row_times *times, const double host_s[], const double device_s[],
                  size_t rows, struct rig_err *err);
/* Once all are there. count_s: what the board's clock counts in. `count` is 0, and rows keep their
 * arrivals, where these scatter less than the clock's counts would make them, where the clock
 * starts anew all the time, or without three rows. */
void row_times_finish(struct row_times *times, double count_s);

/* When each row was sampled and the line's least delay had passed, on the host's clock. Where the
 * board's clock says nothing that fits (NaN; the moments of a restart; a row that would come before
 * it was sent, or five seconds late) its arrival. placed may be host_s itself. */
void row_times_place(const struct row_times *times, const double host_s[], const double device_s[],
                     size_t rows, double placed_s[]);

#endif
