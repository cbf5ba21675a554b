/* SPDX-License-Identifier: GPL-3.0-or-later
 * Lag told from hysteresis: a pass at speed v reads late by v times the lag, so the
 * loop's width in depth is W(v) = H + v (L_rise + L_fall). Fits that over the speeds, with
 * the pass as the unit, and tests whether it is a straight line. Pure. */
#ifndef RESULTS_LOOP_H
#define RESULTS_LOOP_H

#include "base/err.h"
#include "results/sample.h"

#include <stdbool.h>
#include <stddef.h>

/* One pair of a rising and a falling pass. */
struct loop_pass {
    double speed_mm_s; /* > 0, of depth, while the loop's width was taken */
    double width_mm;   /* inferred depth falling less rising, mean over the depths used;
                          > 0 where the reading comes late */
};

enum { LOOP_TEXT_SIZE = 256 };

struct loop_fit {
    size_t passes, speeds;
    struct estimate hysteresis_mm; /* H: at rest */
    struct estimate lag_sum_s;     /* L_rise + L_fall */
    double correlation;            /* of the two */
    double residual_sd_mm;         /* of a pass at the mean speed */
    /* Scatter that grows with speed, as that of a start's time does: the variance of a pass is
     * taken as residual_sd^2 (1 + (r v)^2)/(1 + (r v_mean)^2). 0: the same at all speeds. */
    double scatter_per_speed; /* r, s/mm */
    /* Straight or not: W = H + S v + C v^(2/3), since a retained film grows as v^(2/3)
     * (Landau-Levich-Derjaguin). */
    bool checked;     /* false: two speeds only, nothing tests the line */
    double curvature; /* C, mm (mm/s)^(-2/3); NaN if not checked */
    double curvature_u;
    double curvature_p; /* chance of a C as far from 0 when there is none */
    bool curved;        /* curvature_p < 0.01 */
    struct estimate curved_hysteresis_mm, curved_lag_sum_s; /* of that fit */
    char note[LOOP_TEXT_SIZE];                              /* "" or what the reader must know */
};

/* passes in any order. Speeds within 2 % of one another count as one. common_time_u_s: standard
 * uncertainty of the time tie that all passes share, 0 if none: a late clock widens every
 * loop by 2 v times its error, so it goes into lag_sum (twice) and not into H.
 * Two speeds: numbers, with `checked` false and a note, if passes repeat. One speed, or as many
 * passes as parameters: RIG_EUNKNOWABLE with the reason. RIG_EINPUT: not finite. */
int loop_separate(struct loop_fit *fit, const struct loop_pass passes[], size_t n,
                  double common_time_u_s, struct rig_err *err);

/* One pass in one direction, against the known motion. */
struct loop_offset {
    double speed_mm_s; /* > 0 */
    int direction;     /* +1 rising (immersion grows), -1 falling */
    double offset_mm;  /* inferred less true depth, mean over the depths used */
    double at_s;       /* when, on any clock; all alike: not known */
};

struct loop_directions {
    size_t passes, speeds;
    struct estimate centre_mm; /* of the loop at rest: what the static curve is off by */
    struct estimate hysteresis_mm;
    struct estimate lag_rising_s, lag_falling_s;
    struct estimate lag_difference_s; /* falling less rising: free of the common time error */
    double residual_sd_mm;
    bool checked; /* false: two speeds only */
    char note[LOOP_TEXT_SIZE];
};

/* offset = centre + drift t - direction (H/2 + v L_direction): as passes of one speed follow
 * one another, a drift of water or zero would pass for a difference of the lags. By weighted least
 * squares over the passes with the variance model of loop_separate. Needs both directions at two
 * speeds or more (else RIG_EUNKNOWABLE). common_time_u_s as above; it cancels in lag_difference. */
int loop_by_direction(struct loop_directions *fit, const struct loop_offset offsets[], size_t n,
                      double common_time_u_s, struct rig_err *err);

#endif
