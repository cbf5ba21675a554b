/* SPDX-License-Identifier: GPL-3.0-or-later
 * Private to results/fit_sine*.c. */
#ifndef RESULTS_FIT_SINE_H
#define RESULTS_FIT_SINE_H

#include "results/fit_parts.h"
#include "results/sine.h"

/* One sine of the profile, as often as it was run. */
struct fit_frequency_row {
    struct sine_ratio ratio;
    struct sine_ratio own; /* the same with a frequency of its own */
    double off, off_u;     /* by how much that is higher than planned, as a share; u NaN: none */
    double distortion;
    double tie_u_s;             /* of its own stroke */
    double queue_u_s;           /* shared with the other sines */
    double play_gain, play_rad; /* what one standard uncertainty of the play changes */
    double curve;               /* relative u of the curve's slope there, 0 where it is nothing */
    double settling;            /* what is left of the first cycles' settling, as a gain, at most */
};

/* All sines that were run, in the order of the plan; the caller frees *rows. Warns of those that
 * are left out. */
int fit_sine_each(struct fit_work *work, struct fit_frequency_row **rows, size_t *count,
                  struct rig_err *err);

/* The inferred depth over a segment's cycles, at its planned frequency. RIG_EUNKNOWABLE: too few
 * readings, or saturated ones. */
int fit_inferred_sine(const struct fit_work *work, size_t segment, struct sine_fit *fit,
                      struct rig_err *err);

/* The longer lag of rising and falling water, by the ramps; 0: they don't tell. */
double fit_sine_longest_lag_s(const struct fit_work *work);

#endif
