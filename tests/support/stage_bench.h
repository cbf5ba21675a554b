/* SPDX-License-Identifier: GPL-3.0-or-later
 * Strokes with known start times, and what a reference and a trip on the stage would have sent,
 * straight into memory: for tests of what ties the clocks. All of it is made here. */
#ifndef TESTS_STAGE_BENCH_H
#define TESTS_STAGE_BENCH_H

#include "motion/plan.h"
#include "results/recording.h"

#include <gsl/gsl_rng.h>

/* The truth of one bench, and what a channel on its stage sent. */
struct stage_bench {
    const struct plan *plan;
    struct rig_axis axis;
    double delay_s, delay_sd_s, end_s, end_sd_s, skew, backlash_mm;
    double interval_s, line_s, jitter_s; /* of the rows; constant and random delay of a line */
    double low_s, high_s;                /* what the rig file says of it */
    double gain, bend, noise, step;      /* of a reference; bend: mm in the middle */
    double trip_mm, said_mm, bounce_s;
    double *start_s; /* true */
    struct stroke_row *rows;
    size_t row_count, seen_count;
    double *t_s, *reference, *trip;
};

/* Drawn at random, within what `axis` and itself say of it; or one that is easy to tie. */
struct stage_bench stage_bench_draw(const struct plan *plan, const struct rig_axis *axis,
                                    gsl_rng *random);
struct stage_bench stage_bench_quiet(const struct plan *plan, const struct rig_axis *axis);
/* Fills start_s and rows. */
void stage_bench_run(struct stage_bench *bench, gsl_rng *random);
/* After that: fills t_s, reference and trip. */
void stage_bench_see(struct stage_bench *bench, gsl_rng *random);
void stage_bench_free(struct stage_bench *bench);

/* How errors lie to what is stated of them. */
struct tally {
    double n, covered, sum2, stated2;
};
void tally_count(struct tally *tally, double error, double stated);
double tally_ratio(const struct tally *tally); /* root mean square of either, error over stated */

/* Ramps at four speeds and two steps. */
extern const char stage_bench_speeds[];

#endif
