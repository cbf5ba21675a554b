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
    double *columns;              /* scratch: 6 n */
    size_t n, used;
    double settled, height; /* of the motion */
    double move_start_s, move_end_s;
    double spacing_s;        /* of the samples around the step */
    enum response_kind kind; /* that residuals are worked out for */
    bool no_tau;             /* dead time only */
};

struct step_candidate {
    double p[STEP_PARAMETER_LIMIT], squares;
};
enum { STEP_CANDIDATE_LIMIT = 16 };

/* Model of a vector of parameters: initial, final, dead time, log tau, then log tau2 or
 * beta. */
struct response_model step_model(enum response_kind kind, bool no_tau, const double parameters[]);
/* Fills job->answer. */
void step_answer(struct step_job *job, const struct response_model *model);
/* The levels that suit a model best (linear), and the sum of squares that is left; INFINITY
 * when the values can't tell the levels apart. Fills job->answer. */
double step_levels(struct step_job *job, const struct response_model *model, double *initial,
                   double *final);

/* Dead time and time constant; dead time alone (no_tau) where the values are too far apart for
 * both. false: no minimum. The fit's parameters are those of step_model. */
bool step_fit_first_order(struct step_job *job, const struct step_candidate candidates[],
                          size_t count, struct nonlinear_fit *fit, bool *no_tau);
/* Another model, from the first-order fit. false: it can't lower AICc by about a third of the
 * margin (judged by the slope of the residuals along it, without a fit), or it has no
 * minimum, or its parameters can't be told apart. */
bool step_fit_kind(struct step_job *job, enum response_kind kind, const struct nonlinear_fit *first,
                   double margin, struct nonlinear_fit *fit);

/* Dead times and time constants worth starting from, best first, into
 * candidates[STEP_CANDIDATE_LIMIT]. Returns how many. scratch: 2 n doubles. */
size_t step_find_starts(struct step_job *job, struct step_candidate candidates[], bool robust,
                        double scratch[]);
/* Marks anew which values are wild against job->answer and these levels. Returns whether
 * anything changed. scratch: 2 n doubles, the first n are the weighted distances then. */
bool step_mark_wild(struct step_job *job, double initial, double final, double scratch[]);

/* Fills the quantities that follow from model and covariance. */
void step_derive(struct step_fit *fit);
/* Fills area_lag_s or area_reason; the model only says where the answer has settled.
 * widen: factor on the noise for its autocorrelation. */
void step_area(struct step_fit *fit, struct step_job *job, double widen);

#endif
