/* SPDX-License-Identifier: GPL-3.0-or-later
 * How good the rows' time stamps are, from the rows themselves: with a clock of the board's by how
 * much each row comes later than the quickest ones, without one how evenly rows follow one
 * another. In stretches of time, so that memory doesn't grow. Pure. */
#ifndef RESULTS_STAMPS_H
#define RESULTS_STAMPS_H

#include "base/err.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum { STAMP_STRETCHES = 400 };

/* Of one stretch, of what is looked at: host less device time, or the time since the row before. */
struct stamp_stretch {
    uint64_t rows;
    double sum, low, high;
};

struct stamps {
    bool clocked;
    double width_s;         /* of a stretch, > 0 */
    double first_s, last_s; /* times of the first and last row; NaN: none */
    struct stamp_stretch stretches[STAMP_STRETCHES];
};

/* span_s: what the recording lasts, about; rows after that count to the last stretch. */
void stamps_begin(struct stamps *stamps, bool clocked, double span_s);
/* device_s: NULL where not clocked. NaN rows are passed over. */
void stamps_add(struct stamps *stamps, const double host_s[], const double device_s[], size_t rows);
/* Adds what follows in the file; `next` is empty then. */
void stamps_merge(struct stamps *stamps, struct stamps *next);

struct stamp_quality {
    size_t count;                    /* stretches with rows, in order of time */
    double t_s[STAMP_STRETCHES];     /* their middles */
    double mean_s[STAMP_STRETCHES];  /* clocked: how late over the quickest; else mean distance */
    double worst_s[STAMP_STRETCHES]; /* largest of either */
    double mean_of_all_s, worst_of_all_s;
    double skew_ppm; /* of the board's clock against the host's; NaN: not clocked */
};

/* Clocked: the quickest rows lie on a straight line under all stretches' least ones (lower
 * convex hull, the edge under the middle). RIG_EUNKNOWABLE with the reason: fewer than three
 * stretches; the board's clock jumped by more than ten seconds. */
int stamps_quality(struct stamp_quality *quality, const struct stamps *stamps, struct rig_err *err);

#endif
