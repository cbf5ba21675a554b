/* SPDX-License-Identifier: GPL-3.0-or-later
 * What a lagging link makes of the motion that the stage really made: the exact
 * answer of three models to a depth that is piecewise cubic in time, starting
 * settled. Also answers to an ideal step, for transition and settling times.
 * Fits nothing. Pure; allocates only in response_open.
 *
 * Models, all of unit static gain, all behind a dead time:
 *   first order         1 / (1 + s tau)
 *   two time constants  1 / ((1 + s tau)(1 + s tau2)): one element after the other,
 *                       as a film of water before a filter. A cascade and not a sum
 *                       of two exponentials: it is what a chain of elements does, needs
 *                       one parameter less, and a long tail, the sum's other use,
 *                       is what the third model is for.
 *   stretched           step response 1 - exp(-(t/tau)^beta); beta < 1 has the long
 *                       tail of a draining film */
#ifndef RESULTS_RESPONSE_H
#define RESULTS_RESPONSE_H

#include "base/err.h"
#include "motion/plan.h"

#include <stddef.h>

enum response_kind {
    RESPONSE_FIRST_ORDER,
    RESPONSE_TWO_TIME_CONSTANTS,
    RESPONSE_STRETCHED,
    RESPONSE_KIND_COUNT
};
/* "dead time and one time constant" ... */
const char *response_kind_name(enum response_kind kind);

struct response_model {
    enum response_kind kind;
    double dead_s; /* a shift in time; below 0 is allowed: a clock may be off */
    double tau_s;  /* >= 0; 0: none */
    double tau2_s; /* RESPONSE_TWO_TIME_CONSTANTS only, >= 0 */
    double beta;   /* RESPONSE_STRETCHED only, 0.1 to 5 */
};

/* Private: one stretch of the input and the states at its start. */
struct response_span {
    double start_s, d, v, a, j; /* input = d + v u + a u^2/2 + j u^3/6, u = t - start_s */
    double jump;                /* of the input at start_s */
    double first, second;       /* outputs of the first and second element at start_s */
};

struct response {
    struct response_span *spans; /* owned */
    size_t count;
    struct response_model model;
    /* Of RESPONSE_STRETCHED only. */
    struct stretched *stretched; /* owned */
    double reach_s;              /* of what came before it e^-28 remains: nothing */
};

/* The input: `settled` before the first piece, and the response has settled to it; then
 * the pieces in order of time (start_s <= end_s <= next start_s); between and after
 * them the input rests where the piece before it ended. Jumps from piece to piece are
 * allowed: an ideal step is one piece that begins at another depth. Copies the pieces.
 * The model is RESPONSE_FIRST_ORDER with all zeros until response_set is called.
 * Returns 0, RIG_EBUG (pieces out of order or not finite) or RIG_EMEMORY; on error
 * nothing is left to free. */
int response_open(struct response *response, const struct motion_piece pieces[], size_t count,
                  double settled, struct rig_err *err);
void response_free(struct response *response);

/* Takes a model and works out the states. Values out of range are moved into it.
 * Cost grows with the number of pieces. */
void response_set(struct response *response, const struct response_model *model);

/* Input and response at a time. NaN for NaN. */
double response_input(const struct response *response, double t_s);
double response_at(const struct response *response, double t_s);
/* Means over [t_s - width_s/2, t_s + width_s/2]; width_s 0 gives the value itself.
 * Exact for the first two models (the integral of a first-order lag's output is the
 * integral of its input less tau times the change of the output); two-point Gauss
 * (fourth order in the width) for the stretched one. */
double response_input_mean(const struct response *response, double t_s, double width_s);
double response_mean(const struct response *response, double t_s, double width_s);

/* Answer to a unit step at t = 0. 0 to 1. */
double response_step(const struct response_model *model, double t_s);
/* Time after an ideal step at which the answer reaches `fraction` (0 < fraction < 1),
 * dead time included. */
double response_step_time(const struct response_model *model, double fraction);
/* First moment of the impulse response: dead_s + tau_s; + tau2_s; or
 * dead_s + tau_s Gamma(1 + 1/beta). */
double response_mean_lag(const struct response_model *model);
/* Terms of IEEE 181: 10-90 % transition duration, and settling to 2 % counted from
 * the 50 % instant. Of one time constant: tau ln 9 and tau ln 25. */
double response_transition(const struct response_model *model);
double response_settling(const struct response_model *model);

#endif
