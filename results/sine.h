/* SPDX-License-Identifier: GPL-3.0-or-later
 * Least-squares fits of a sine with its harmonics, to readings or to means of bins
 * (IEEE 1057: three parameters at a known frequency, four with the frequency). And
 * the gain and phase of one signal against another. Knows nothing of depth. Pure.
 *
 * Model: mean + sum over k of A_k cos(2 pi k f t + phase_k). Noise is taken as white:
 * readings a bin count as its weight. Checked with tests/reference/sine and against the
 * Cramer-Rao bounds. */
#ifndef RESULTS_SINE_H
#define RESULTS_SINE_H

#include "base/err.h"
#include "results/sample.h"

#include <stddef.h>

enum { SINE_HARMONIC_LIMIT = 9 };

struct sine_component {
    double cosine, sine; /* A0, B0: cosine cos(wt) + sine sin(wt) */
    double amplitude;    /* >= 0 */
    double phase_rad;    /* of amplitude cos(wt + phase): atan2(-sine, cosine) */
    double amplitude_u, phase_u;
};

struct sine_fit {
    double frequency_hz, frequency_u; /* frequency_u 0 where it was given */
    double mean, mean_u;
    size_t harmonics;                                     /* components fitted, 1: the sine alone */
    struct sine_component component[SINE_HARMONIC_LIMIT]; /* [0] is the fundamental */
    /* Of cosine, sine, mean and frequency (Hz), of the fundamental. */
    double covariance[4][4];
    /* sqrt(sum of the harmonics' powers / the fundamental's), the noise's share of the
     * powers taken off; 0 where noise is all there is; NaN with harmonics 1. */
    double distortion, distortion_u;
    double residual_rms; /* sqrt(weighted mean of squares), IEEE 1057 */
    double residual_sd;  /* of a value of weight 1 */
    double degrees_of_freedom;
    size_t n;
};

/* Frequency known. harmonics: 1 to SINE_HARMONIC_LIMIT. frequency_hz > 0, samples finite,
 * weights > 0. Bins are taken as averages over their width: no sag of the amplitude is
 * left. fit: untouched on error.
 * Returns 0; RIG_EUNKNOWABLE with the reason: too few values, times that don't tell the
 * components apart; RIG_EINPUT (not finite); RIG_EMEMORY. */
int sine_fit(struct sine_fit *fit, const struct sample samples[], size_t n, double frequency_hz,
             size_t harmonics, struct rig_err *err);

/* Frequency near frequency_hz, within a third of a cycle over the samples' span (further off
 * RIG_EUNKNOWABLE says so). For samples in true order of time, never for folded phases. */
int sine_fit_frequency(struct sine_fit *fit, const struct sample samples[], size_t n,
                       double frequency_hz, size_t harmonics, struct rig_err *err);

/* Output against input at one frequency. */
struct sine_ratio {
    double frequency_hz;
    double gain, gain_u;
    double phase_rad, phase_u; /* output less input, -pi to pi; < 0: the output is late */
    double lag_s, lag_u;       /* -phase/(2 pi f), > 0: the output is late */
    double degrees_of_freedom;
};

/* input_is_exact: the input is a known motion, whose fit has no noise. Otherwise both
 * uncertainties are combined. RIG_EUNKNOWABLE: an amplitude below five times its
 * uncertainty, or fits at different frequencies. */
int sine_compare(struct sine_ratio *ratio, const struct sine_fit *output,
                 const struct sine_fit *input, int input_is_exact, struct rig_err *err);

/* An angle into (-pi, pi]. */
double sine_wrap(double angle_rad);

#endif
