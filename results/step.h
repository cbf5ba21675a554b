/* SPDX-License-Identifier: GPL-3.0-or-later
 * The answer of a link to a step of the stage: a model's response to the motion that
 * the stage really made is fitted to the inferred depth, so that the stage's own finite
 * move is not taken for lag. Terms of IEEE 181. Pure.
 *
 * Parameters are initial and final level, dead time and the model's own. The model is
 * chosen by AICc. The mean lag is also given without any model, as an area. */
#ifndef RESULTS_STEP_H
#define RESULTS_STEP_H

#include "base/err.h"
#include "motion/plan.h"
#include "results/nonlinear.h"
#include "results/response.h"
#include "results/sample.h"

#include <stdbool.h>
#include <stddef.h>

/* Order of the parameters, in the covariance too. */
enum step_parameter {
    STEP_INITIAL,
    STEP_FINAL,
    STEP_DEAD,
    STEP_TAU,
    STEP_SHAPE /* tau2 or beta */
};
enum { STEP_PARAMETER_LIMIT = 5, STEP_TEXT_SIZE = 256 };

struct step_options {
    bool robust;    /* leave out means that a few wild lines have spoilt */
    unsigned kinds; /* bits 1u << enum response_kind that may be chosen; 0: all */
    /* A model of more parameters is taken only when its AICc is lower by more than this. NaN or
     * 0: 6, so that noise alone brings one in less than once in a hundred steps. */
    double aicc_margin;
};

struct step_fit {
    enum response_kind kind;     /* the model chosen */
    struct response_model model; /* its best parameters */
    size_t parameter_count;
    double covariance[STEP_PARAMETER_LIMIT][NONLINEAR_PARAMETER_LIMIT];
    double dof;
    double residual_sd;               /* of a value of weight 1 */
    double autocorrelation;           /* of neighbouring residuals; where it stands out (white noise
                                         hardly gives it), the covariance has been widened for it */
    double aicc[RESPONSE_KIND_COUNT]; /* NaN: not tried, or without a minimum */
    size_t used, left_out;            /* values fitted; taken as wild */

    struct estimate initial, final; /* levels before and after, in the unit of the values */
    struct estimate dead_s, tau_s;
    struct estimate tau2_s, beta; /* NaN in the other models */
    /* All from an ideal step, so free of the stage's own move. */
    struct estimate time_63_s;    /* from the step to 63.2 %, dead time included */
    struct estimate transition_s; /* 10 to 90 % */
    struct estimate settling_s;   /* to 2 %, from the 50 % instant */
    struct estimate mean_lag_s;   /* of the model */
    struct estimate area_lag_s;   /* no model: area between true and inferred depth / height */
    bool resolved;                /* false: faster than the values are apart; only mean_lag_s and
                                     area_lag_s (and the levels) are known */
    char area_reason[STEP_TEXT_SIZE]; /* why area_lag_s is NaN */
    char note[STEP_TEXT_SIZE];        /* "" or what the reader must know */
};

/* pieces: the motion, on the clock of the samples, as for response_open; settled: depth
 * before it. Include the end of the hold before the step (negative times or so): without it the
 * initial level and the dead time lean on one another. samples: inferred depth, any order of
 * time, weights n or 1/u^2; the noise is estimated from the residuals.
 * residual: n doubles for value less model (NaN where left out), or NULL.
 * Times and uncertainties do not contain the tie of the two clocks.
 * fit: untouched on error. Returns 0; RIG_EUNKNOWABLE with the reason (too few values, none
 * after the step, step too small against the noise); RIG_EINPUT (not finite); RIG_EMEMORY. */
int step_estimate(struct step_fit *fit, const struct motion_piece pieces[], size_t piece_count,
                  double settled, const struct sample samples[], size_t n,
                  const struct step_options *options, double residual[], struct rig_err *err);

#endif
