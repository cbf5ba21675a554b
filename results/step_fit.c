/* SPDX-License-Identifier: GPL-3.0-or-later
 * The nonlinear fits of a step. The two levels are linear and are solved for at every
 * trial (variable projection, Golub & Pereyra 1973), so that only dead time, time constant and
 * shape are searched for; the covariance at the end is of all parameters. */
#include "results/step_private.h"

#include <math.h>
#include <string.h>

struct response_model step_model(enum response_kind kind, bool no_tau, const double p[])
{
    struct response_model model = {kind, p[STEP_DEAD], 0, 0, 1};
    if (no_tau)
        return model;
    model.tau_s = exp(p[STEP_TAU]);
    if (kind == RESPONSE_TWO_TIME_CONSTANTS)
        model.tau2_s = exp(p[STEP_SHAPE]);
    if (kind == RESPONSE_STRETCHED)
        model.beta = p[STEP_SHAPE];
    return model;
}

void step_answer(struct step_job *job, const struct response_model *model)
{
    response_set(&job->response, model);
    for (size_t i = 0; i < job->n; i++)
        job->answer[i] =
            (response_mean(&job->response, job->samples[i].t_s, job->samples[i].width_s) -
             job->settled) /
            job->height;
}

static bool in_range(const struct step_job *job, const double p[])
{
    if (!(fabs(p[STEP_DEAD]) < 1e6) || (!job->no_tau && !(fabs(p[STEP_TAU]) < 30)))
        return false;
    if (job->kind == RESPONSE_STRETCHED)
        return p[STEP_SHAPE] > 0.12 && p[STEP_SHAPE] < 4.5;
    return job->kind != RESPONSE_TWO_TIME_CONSTANTS || fabs(p[STEP_SHAPE]) < 30;
}

static void fill_residuals(const struct step_job *job, const double p[], double residual[])
{
    size_t out = 0;
    for (size_t i = 0; i < job->n; i++)
        if (job->use[i])
            residual[out++] =
                sqrt(job->samples[i].weight) *
                (p[STEP_INITIAL] + (p[STEP_FINAL] - p[STEP_INITIAL]) * job->answer[i] -
                 job->samples[i].value);
}

/* All parameters. */
static int residuals(void *context, const double p[], double residual[])
{
    struct step_job *job = context;
    if (!in_range(job, p))
        return 1;
    struct response_model model = step_model(job->kind, job->no_tau, p);
    step_answer(job, &model);
    fill_residuals(job, p, residual);
    return 0;
}

/* Dead time, time constant and shape only, the levels as they suit best. */
static int projected(void *context, const double q[], double residual[])
{
    struct step_job *job = context;
    double p[STEP_PARAMETER_LIMIT] = {0};
    size_t count = job->no_tau ? 1 : job->kind == RESPONSE_FIRST_ORDER ? 2 : 3;
    memcpy(p + STEP_DEAD, q, count * sizeof p[0]);
    if (!in_range(job, p))
        return 1;
    struct response_model model = step_model(job->kind, job->no_tau, p);
    if (!isfinite(step_levels(job, &model, &p[STEP_INITIAL], &p[STEP_FINAL])))
        return 1;
    fill_residuals(job, p, residual);
    return 0;
}

/* From the starts used here a minimum that is one is found in about ten steps; what takes more
 * is creeping along a valley of parameters that can't be told apart. That matters most for the
 * models with a shape. */
enum { ITERATION_LIMIT = 80, SHAPE_ITERATION_LIMIT = 30, START_LIMIT = 3 };

static int minimise(struct step_job *job, enum response_kind kind, bool no_tau,
                    const double start[], struct nonlinear_fit *fit)
{
    job->kind = kind;
    job->no_tau = no_tau;
    size_t p = kind == RESPONSE_FIRST_ORDER ? (no_tau ? 3 : 4) : 5;
    const double typical[STEP_PARAMETER_LIMIT] = {1, 1, job->spacing_s, 1, 1};
    struct nonlinear_problem problem = {.n = job->used,
                                        .p = p - 2,
                                        .residuals = projected,
                                        .context = job,
                                        .typical = typical + STEP_DEAD,
                                        .iteration_limit =
                                            p == 5 ? SHAPE_ITERATION_LIMIT : ITERATION_LIMIT,
                                        .tolerance = 1e-4,
                                        .flat = 1e-8,
                                        .quick = true};
    int code = nonlinear_minimise(fit, &problem, start + STEP_DEAD, NULL);
    if (code)
        return code;
    double full[STEP_PARAMETER_LIMIT] = {0};
    memcpy(full + STEP_DEAD, fit->parameters, (p - 2) * sizeof full[0]);
    struct response_model model = step_model(kind, no_tau, full);
    step_levels(job, &model, &full[STEP_INITIAL], &full[STEP_FINAL]);
    size_t iterations = fit->iterations;
    double scale = fmax(fabs(full[STEP_FINAL] - full[STEP_INITIAL]), 1e-12);
    const double full_typical[STEP_PARAMETER_LIMIT] = {scale, scale, job->spacing_s, 1, 1};
    problem.p = p;
    problem.residuals = residuals;
    problem.typical = full_typical;
    code = nonlinear_describe(fit, &problem, full, NULL);
    fit->iterations = iterations;
    return code;
}

/* Relative uncertainty of a time constant, that is the uncertainty of its logarithm. */
static bool well_known(const struct nonlinear_fit *fit, size_t k, double limit)
{
    return nonlinear_standard_uncertainty(fit, k) < limit;
}

/* The best of some starts with one model; false when none ends in a minimum. */
static bool try_starts(struct step_job *job, enum response_kind kind, bool no_tau,
                       const double starts[][STEP_PARAMETER_LIMIT], size_t count,
                       struct nonlinear_fit *best)
{
    bool found = false;
    for (size_t i = 0; i < count; i++) {
        struct nonlinear_fit fit;
        if (minimise(job, kind, no_tau, starts[i], &fit) || !fit.determined)
            continue;
        if (!found || fit.sum_of_squares < best->sum_of_squares)
            *best = fit;
        found = true;
    }
    return found;
}

bool step_fit_first_order(struct step_job *job, const struct step_candidate candidates[],
                          size_t count, struct nonlinear_fit *fit, bool *no_tau)
{
    double starts[STEP_CANDIDATE_LIMIT][STEP_PARAMETER_LIMIT];
    for (size_t i = 0; i < count; i++)
        memcpy(starts[i], candidates[i].p, sizeof starts[0]);
    *no_tau = false;
    /* The starts were compared before: the best one's minimum is taken when the parameters
     * can be told apart there, else all are run. */
    bool found = try_starts(job, RESPONSE_FIRST_ORDER, false, starts, 1, fit);
    if (!found || !well_known(fit, STEP_TAU, 1))
        found = try_starts(job, RESPONSE_FIRST_ORDER, false, starts,
                           found && count > START_LIMIT ? START_LIMIT : count, fit);
    if (found && well_known(fit, STEP_TAU, 1) &&
        exp(fit->parameters[STEP_TAU]) > 0.1 * job->spacing_s)
        return true;
    for (size_t i = 0; i < count; i++)
        starts[i][STEP_DEAD] += exp(starts[i][STEP_TAU]);
    struct nonlinear_fit only_dead;
    if (!try_starts(job, RESPONSE_FIRST_ORDER, true, starts,
                    count > START_LIMIT ? START_LIMIT : count, &only_dead))
        return found;
    /* Badly known because slow, not because fast: then dead time alone fits worse. */
    if (found && exp(fit->parameters[STEP_TAU]) > 0.1 * job->spacing_s &&
        nonlinear_aicc(job->used, only_dead.p, only_dead.sum_of_squares) >
            nonlinear_aicc(job->used, fit->p, fit->sum_of_squares) + 2)
        return true;
    *no_tau = true;
    *fit = only_dead;
    return true;
}

/* ---- other models ---- */

static double dot(const double a[], const double b[], size_t n)
{
    double sum = 0;
    for (size_t i = 0; i < n; i++)
        sum += a[i] * b[i];
    return sum;
}

/* Takes the first `count` columns (orthonormal) out of x. Returns the length left. */
static double take_out(double x[], const double columns[], size_t count, size_t n)
{
    for (int twice = 0; twice < 2; twice++) /* again, for the rounding of the first time */
        for (size_t k = 0; k < count; k++) {
            double along = dot(x, columns + k * n, n);
            for (size_t i = 0; i < n; i++)
                x[i] -= along * columns[k * n + i];
        }
    return sqrt(dot(x, x, n));
}

/* By how much a move from the first-order fit towards a model of this shape could lower
 * n ln(rss), all other parameters following along: the share of the residuals that lies in
 * that direction and in no other. The shape keeps the mean lag, and of the cascade the
 * spread, so that the direction is short of what the others do anyway. */
static double hoped_for(struct step_job *job, enum response_kind kind, double shape,
                        const struct nonlinear_fit *first, double columns[])
{
    size_t n = job->used;
    double *e = columns + 4 * n, *towards = columns + 5 * n;
    double p[STEP_PARAMETER_LIMIT];
    memcpy(p, first->parameters, sizeof p);
    double tau = exp(p[STEP_TAU]), tau_new, shift = 0;
    job->kind = kind;
    p[STEP_SHAPE] = shape;
    if (kind == RESPONSE_TWO_TIME_CONSTANTS) {
        tau_new = tau / sqrt(1 + shape * shape);
        shift = tau - tau_new * (1 + shape);
        p[STEP_SHAPE] = log(shape * tau_new);
    } else {
        tau_new = tau / tgamma(1 + 1 / shape);
    }
    p[STEP_TAU] = log(tau_new);
    p[STEP_DEAD] += shift;
    if (residuals(job, p, towards))
        return 0;
    for (size_t i = 0; i < n; i++)
        towards[i] -= e[i];
    double whole = sqrt(dot(towards, towards, n)), left = take_out(towards, columns, 4, n);
    if (!(left > 1e-6 * whole) || !(left > 0))
        return 0;
    double along = -dot(e, towards, n) / left;
    if (kind == RESPONSE_TWO_TIME_CONSTANTS && along < 0)
        return 0; /* only a second time constant below 0 would help */
    return -(double)n * log1p(-fmin(along * along / dot(e, e, n), 1 - 1e-12));
}

static bool worth_trying(struct step_job *job, enum response_kind kind,
                         const struct nonlinear_fit *first, double margin)
{
    size_t n = job->used;
    double *columns = job->columns, *e = columns + 4 * n, *low = columns + 5 * n;
    double p[STEP_PARAMETER_LIMIT];
    memcpy(p, first->parameters, sizeof p);
    job->kind = RESPONSE_FIRST_ORDER;
    job->no_tau = false;
    const double step[4] = {1e-3 * (p[1] - p[0]), 1e-3 * (p[1] - p[0]), 1e-3 * exp(p[STEP_TAU]),
                            1e-3};
    for (size_t k = 0; k < 4; k++) {
        double at = p[k];
        p[k] = at + step[k];
        residuals(job, p, columns + k * n);
        p[k] = at - step[k];
        residuals(job, p, low);
        p[k] = at;
        for (size_t i = 0; i < n; i++)
            columns[k * n + i] -= low[i];
        double length = take_out(columns + k * n, columns, k, n);
        if (!(length > 0))
            return true;
        for (size_t i = 0; i < n; i++)
            columns[k * n + i] /= length;
    }
    residuals(job, p, e);
    const double cascades[] = {0.15, 0.5, 1}, exponents[] = {0.8, 1.2};
    bool cascade = kind == RESPONSE_TWO_TIME_CONSTANTS;
    double best = 0;
    for (size_t i = 0; i < (cascade ? 3u : 2u); i++)
        best =
            fmax(best, hoped_for(job, kind, cascade ? cascades[i] : exponents[i], first, columns));
    return best > margin / 3;
}

bool step_fit_kind(struct step_job *job, enum response_kind kind, const struct nonlinear_fit *first,
                   double margin, struct nonlinear_fit *fit)
{
    if (!worth_trying(job, kind, first, margin))
        return false;
    double starts[2][STEP_PARAMETER_LIMIT];
    double dead = first->parameters[STEP_DEAD], tau = exp(first->parameters[STEP_TAU]);
    for (size_t i = 0; i < 2; i++)
        memcpy(starts[i], first->parameters, sizeof starts[i]);
    if (kind == RESPONSE_STRETCHED) {
        starts[0][STEP_SHAPE] = 0.85;
        starts[1][STEP_SHAPE] = 1.2; /* this fit is the slow one: the second only at need */
        return (try_starts(job, kind, false, starts, 1, fit) ||
                try_starts(job, kind, false, starts + 1, 1, fit)) &&
               well_known(fit, STEP_SHAPE, 0.3);
    }
    starts[0][STEP_DEAD] = dead - 0.2 * tau; /* nearly the first-order fit */
    starts[0][STEP_TAU] = log(0.9 * tau);
    starts[0][STEP_SHAPE] = log(0.25 * tau);
    starts[1][STEP_DEAD] = dead - 0.4 * tau; /* two alike */
    starts[1][STEP_TAU] = log(0.75 * tau);
    starts[1][STEP_SHAPE] = log(0.55 * tau);
    return try_starts(job, kind, false, starts, 2, fit) && well_known(fit, STEP_TAU, 0.5) &&
           well_known(fit, STEP_SHAPE, 0.5);
}
