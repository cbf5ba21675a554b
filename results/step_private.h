/* SPDX-License-Identifier: GPL-3.0-or-later
 * Shared by the parts of results/step; nobody else includes it. */
#ifndef RESULTS_STEP_PRIVATE_H
#define RESULTS_STEP_PRIVATE_H

#include "results/step.h"

/* A step on the way to its fit. */
struct step_job {
    struct response response;
    const struct sample *samples; /* in order of time */
    bool *use;                    /* false: taken as wild */
    double *answer;               /* scratch: response, 0 before the step, 1 after it */
    size_t n, used;
    double settled, height; /* of the motion */
    double move_start_s, move_end_s;
    double spacing_s;        /* of the samples around the step */
    enum response_kind kind; /* that residuals are worked out for */
    bool no_tau;             /* dead time only */
};

/* Model of a vector of parameters: initial, final, dead time, log tau, then log tau2 or
 * beta. */
struct response_model step_model(enum response_kind kind, bool no_tau, const double parameters[]);
/* Fills job->answer. */
void step_answer(struct step_job *job, const struct response_model *model);

/* Fills the quantities that follow from model and covariance. */
void step_derive(struct step_fit *fit);
/* Fills area_lag_s or area_reason; the model only says where the answer has settled.
 * widen: factor on the noise for its autocorrelation. */
void step_area(struct step_fit *fit, struct step_job *job, double widen);

#endif
