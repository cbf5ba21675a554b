/* SPDX-License-Identifier: GPL-3.0-or-later
 * What the time-domain estimators eat and give: a reading or a mean of readings with
 * its time, and a number with its standard uncertainty. Header only. */
#ifndef RESULTS_SAMPLE_H
#define RESULTS_SAMPLE_H

#include <math.h>
#include <stddef.h>

/* One reading (width_s 0), or the mean of all readings in a stretch of time. */
struct sample {
    double t_s;     /* of the reading; of a mean: mean time of its readings */
    double width_s; /* of the stretch, see sample_of_bin; 0: a single instant */
    double value;
    double weight; /* > 0, proportional to 1/u^2 of the value: number of readings, or 1/u^2 */
};

/* The mean of n readings spread evenly over a bin of this width. n readings a bin/n apart
 * spread as much as a full stretch of width sqrt(1 - 1/n^2) times the bin does (n = 1: an
 * instant), so a model averaged over that has no bias of the order of the bin's width,
 * and none of its square. */
static inline struct sample sample_of_bin(double mean_t_s, double bin_width_s, double mean,
                                          double n)
{
    struct sample sample = {mean_t_s, 0, mean, n};
    if (n > 1)
        sample.width_s = bin_width_s * sqrt(1 - 1 / (n * n));
    return sample;
}

/* A value that is not known is NaN, and whoever gives it says why. */
struct estimate {
    double value;
    double u;   /* standard uncertainty, k = 1 */
    double dof; /* degrees of freedom of u; INFINITY where u was given */
};

#define ESTIMATE_UNKNOWN ((struct estimate){NAN, NAN, NAN})

#endif
