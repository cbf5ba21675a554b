/* SPDX-License-Identifier: GPL-3.0-or-later
 * A board's clock against the host's: offset and skew from arrival times, over a
 * sliding window. Pure and of fixed size; lines are added one by one.
 *
 * A line arrives at host = offset + (1 + skew) device + delay, and no delay is negative.
 * So the line sought lies below all points (device, host - device), and as near to them
 * as can be: the one with the least sum of delays is the edge of the points' lower convex
 * hull above or below their mean. Source: S. B. Moon, P. Skelly, D. Towsley, "Estimation and
 * removal of clock skew from network delay measurements", IEEE INFOCOM 1999.
 *
 * What all lines need at least (the line's own length on the wire, a USB adapter's
 * timer) can't be seen this way and stays in the offset. */
#ifndef RESULTS_BOARD_CLOCK_H
#define RESULTS_BOARD_CLOCK_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum { BOARD_CLOCK_BLOCKS = 60, BOARD_CLOCK_HULL = 24 };

struct board_clock_point {
    double device_s, gap_s; /* gap = host - device */
};

/* Opaque in use; here so that it can lie in its owner's memory (25 kB). */
struct board_clock {
    double window_s, base_device_s, base_gap_s; /* sums are taken from the base */
    double last_device_s;
    bool any;
    uint64_t restarts;
    struct board_clock_block {
        int64_t slot; /* device time / length of a block */
        size_t hull_count;
        struct board_clock_point hull[BOARD_CLOCK_HULL];
        double n, x, y, xx, xy, yy;
    } blocks[BOARD_CLOCK_BLOCKS];
    size_t first, count; /* of the blocks in use */
};

struct board_clock_fit {
    double reference_device_s;       /* in the middle of the window's lines */
    double gap_s;                    /* host - device there, without delay */
    double skew;                     /* host seconds a device second, less one; > 0: board slow */
    double gap_u_s, skew_u;          /* standard uncertainties, from how far the lowest points of
                                        pieces of the window lie above the line */
    double delay_mean_s, delay_sd_s; /* of the lines, above the quickest */
    double lines, span_s;
};

/* window_s > 0: lines older than this (by the board's clock) are forgotten, in steps of
 * a sixtieth of it. */
void board_clock_init(struct board_clock *clock, double window_s);

/* One line: when it arrived and what its clock said (seconds, wraps taken out). Values
 * that are not finite are passed over. A clock that steps back, or forward by more than
 * the window while the host's did not, was set anew: all before is forgotten. */
void board_clock_add(struct board_clock *clock, double host_s, double device_s);

/* Times that all was forgotten. */
uint64_t board_clock_restarts(const struct board_clock *clock);

/* False, with *fit untouched: fewer than three lines or no span of time yet. */
bool board_clock_fit(const struct board_clock *clock, struct board_clock_fit *fit);

/* Host time at which the board's clock said device_s. */
double board_clock_host_s(const struct board_clock_fit *fit, double device_s);

#endif
