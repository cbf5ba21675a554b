/* SPDX-License-Identifier: GPL-3.0-or-later
 * Frequency response: gain and phase at several frequencies to dead time, time constant,
 * bandwidth and the mean lag at zero frequency. Works on what sine_compare gives. Pure.
 *
 * Model: gain K / sqrt(1 + (w tau)^2), phase -w dead - atan(w tau) (any control
 * handbook; numbers in tests/reference/test_first_order.c). */
#ifndef RESULTS_FREQUENCY_H
#define RESULTS_FREQUENCY_H

#include "base/err.h"
#include "results/sample.h"
#include "results/sine.h"

#include <stdbool.h>
#include <stddef.h>

enum { FREQUENCY_TEXT_SIZE = 256 };

struct frequency_options {
    double sample_interval_s; /* between readings; frequencies from a quarter of the sampling
                                 rate on are left out (the reading is not followed any more);
                                 0 or NaN: not known */
    double gain_at_rest;      /* where it is known; 0 or NaN: found by the model */
    double common_time_u_s;   /* standard uncertainty of the time tie that all frequencies share */
    double longest_lag_s;     /* the longer one of rising and falling water; 0 or NaN: not known,
                                 then up to twice the mean */
};

struct frequency_fit {
    size_t points;        /* used */
    size_t left_out;      /* beyond the sampling rate */
    struct estimate gain; /* K, at rest */
    struct estimate dead_s, tau_s;
    struct estimate mean_lag_s; /* of the model at zero frequency: dead + tau */
    double chi_squared;
    double degrees_of_freedom;
    double p;                     /* chance of so large a chi-squared when the model is right */
    bool fits;                    /* p >= 0.01 */
    double birge;                 /* uncertainties were widened by this, >= 1: sqrt(chi2/dof) where
                                     the model does not fit */
    struct estimate bandwidth_hz; /* where the model's gain is K/sqrt(2) */
    struct estimate bandwidth_seen_hz; /* where the measured gains pass that, interpolated with
                                          1/gain^2 as a line in w^2 and less 1 as a power of w;
                                          NaN with bandwidth_reason */
    double bandwidth_drawn_hz;         /* half of what lies open between two interpolations */
    char bandwidth_reason[FREQUENCY_TEXT_SIZE];
    struct estimate low_lag_s; /* without the model: phase/w of the two lowest frequencies, drawn
                                  to zero frequency; NaN when the lowest is not low enough (half a
                                  radian) or the second too high to draw from */
    double low_lag_drawn_s;    /* half of what the way to zero leaves open */
    char note[FREQUENCY_TEXT_SIZE]; /* "" or what the reader must know */
};

/* ratios: any order; several at one frequency (repeats) are allowed. Phases are unwrapped
 * upwards from the lowest frequency, whose own phase has to lie within half a turn.
 * unwrapped_rad: n phases in the caller's order, NULL if not wanted (NaN where left out).
 * fit: untouched on error. Returns 0; RIG_EUNKNOWABLE: fewer than two different frequencies
 * below a quarter of the sampling rate, or no minimum; RIG_EINPUT: not finite. */
int frequency_estimate(struct frequency_fit *fit, const struct sine_ratio ratios[], size_t n,
                       const struct frequency_options *options, double unwrapped_rad[],
                       struct rig_err *err);

#endif
