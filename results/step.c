/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "results/step_private.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

/* Fewer can't give four parameters and an idea of the noise. */
enum { SAMPLES_LEAST = 8 };
static const double usual_margin = 6;
/* A step has to stand this many of its standard uncertainties out of the noise. */
static const double height_least = 8;
/* And this much of the answer has to be seen. */
static const double answered_least = 0.7;

static double neighbour_correlation(const struct step_job *job, const double residual[])
{
    double products = 0, squares = 0, last = NAN;
    for (size_t i = 0; i < job->n; i++) {
        if (!job->use[i])
            continue;
        double e = sqrt(job->samples[i].weight) * residual[i];
        squares += e * e;
        products += isnan(last) ? 0 : e * last;
        last = e;
    }
    return squares > 0 ? products / squares : 0;
}

static void take(struct step_fit *fit, struct step_job *job, const struct nonlinear_fit *best,
                 enum response_kind kind, bool no_tau, double residual[])
{
    fit->kind = kind;
    fit->resolved = !no_tau;
    fit->model = step_model(kind, no_tau, best->parameters);
    fit->parameter_count = best->p;
    fit->dof = best->degrees_of_freedom;
    fit->residual_sd = sqrt(best->sum_of_squares / fit->dof);
    fit->used = job->used;
    fit->left_out = job->n - job->used;
    fit->initial.value = best->parameters[STEP_INITIAL];
    fit->final.value = best->parameters[STEP_FINAL];
    step_answer(job, &fit->model);
    for (size_t i = 0; i < job->n; i++)
        residual[i] = job->samples[i].value - fit->initial.value -
                      (fit->final.value - fit->initial.value) * job->answer[i];
    double r = neighbour_correlation(job, residual);
    fit->autocorrelation = r;
    double widen = 1; /* variance of a mean of a first-order autoregressive noise */
    if (r > 3 / sqrt((double)job->used)) {
        widen = sqrt((1 + fmin(r, 0.98)) / (1 - fmin(r, 0.98)));
        snprintf(fit->note, sizeof fit->note,
                 "neighbouring residuals are alike (correlation %.2f): the model leaves something "
                 "over, or the noise is slow; uncertainties are widened %.2g times",
                 r, widen);
    }
    double scale[STEP_PARAMETER_LIMIT] = {1, 1, 1, fit->model.tau_s, 1};
    if (kind == RESPONSE_TWO_TIME_CONSTANTS)
        scale[STEP_SHAPE] = fit->model.tau2_s;
    double variance = fit->residual_sd * fit->residual_sd * widen * widen;
    for (size_t k = 0; k < best->p; k++)
        for (size_t l = 0; l < best->p; l++)
            fit->covariance[k][l] = variance * best->inverse[k][l] * scale[k] * scale[l];
    if (no_tau)
        snprintf(fit->note, sizeof fit->note,
                 "the answer is faster than the values are apart (%.3g s): dead time and time "
                 "constant can't be told apart, only the mean lag is known",
                 job->spacing_s);
    step_derive(fit);
    step_area(fit, job, widen);
    for (size_t i = 0; i < job->n; i++)
        if (!job->use[i])
            residual[i] = NAN;
}

static int judge(const struct step_fit *fit, const struct step_job *job, struct rig_err *err)
{
    double rest = job->samples[job->n - 1].t_s - job->move_start_s;
    /* Levels that were never near each other's end are the model's invention. */
    if (!(job->answer[job->n - 1] > answered_least))
        return rig_fail(err, RIG_EUNKNOWABLE,
                        "the values end %.3g s after the step began, when the answer is only "
                        "%.0f %% done; a longer hold would tell",
                        rest, 100 * job->answer[job->n - 1]);
    double height = fit->final.value - fit->initial.value;
    double u =
        sqrt(fmax(0, fit->covariance[0][0] + fit->covariance[1][1] - 2 * fit->covariance[0][1]));
    if (!(fabs(height) > height_least * u))
        return rig_fail(err, RIG_EUNKNOWABLE,
                        "the step of %.3g is too small against the noise: its uncertainty is "
                        "%.2g, and %.2g would do",
                        fabs(height), u, fabs(height) / height_least);
    if (!fit->resolved && fit->autocorrelation > 3 / sqrt((double)job->used) + 0.1)
        return rig_fail(err, RIG_EUNKNOWABLE,
                        "no dead time and time constant fit the %.3g s after the step", rest);
    if (!(fit->mean_lag_s.u < rest / 4) || !(fit->mean_lag_s.value < 4 * rest))
        return rig_fail(err, RIG_EUNKNOWABLE,
                        "the %.3g s after the step tell nothing of the lag: a longer hold would",
                        rest);
    return 0;
}

static int fit_job(struct step_fit *out, struct step_job *job, const struct step_options *options,
                   double residual[], double scratch[], struct rig_err *err)
{
    struct step_candidate candidates[STEP_CANDIDATE_LIMIT];
    struct step_fit fit = {0};
    struct nonlinear_fit best = {0}, other;
    bool no_tau = false;
    size_t count = step_find_starts(job, candidates, options->robust, scratch);
    if (count == 0)
        return rig_fail(err, RIG_EUNKNOWABLE, "no values from both before and after the step");
    for (int round = 0; round < 8; round++) {
        if (options->robust) {
            struct response_model model;
            if (round == 0) {
                model = step_model(RESPONSE_FIRST_ORDER, false, candidates[0].p);
                step_answer(job, &model);
                step_mark_wild(job, candidates[0].p[0], candidates[0].p[1], scratch);
            } else {
                model = step_model(RESPONSE_FIRST_ORDER, no_tau, best.parameters);
                step_answer(job, &model);
                if (!step_mark_wild(job, best.parameters[0], best.parameters[1], scratch))
                    break;
            }
        } else if (round > 0) {
            break;
        }
        if (job->used < SAMPLES_LEAST)
            return rig_fail(err, RIG_EUNKNOWABLE, "too many wild values to fit a step");
        if (!step_fit_first_order(job, candidates, count, &best, &no_tau))
            return rig_fail(err, RIG_EUNKNOWABLE,
                            "no answer to the step is found in the values: too small against "
                            "the noise, or too few values");
    }
    enum response_kind kind = RESPONSE_FIRST_ORDER;
    struct nonlinear_fit first = best;
    double margin = options->aicc_margin > 0 ? options->aicc_margin : usual_margin;
    unsigned kinds = options->kinds ? options->kinds : ~0u;
    for (int k = 0; k < RESPONSE_KIND_COUNT; k++)
        fit.aicc[k] = NAN;
    fit.aicc[RESPONSE_FIRST_ORDER] = nonlinear_aicc(job->used, first.p, first.sum_of_squares);
    bool forced = !(kinds & 1u << RESPONSE_FIRST_ORDER);
    for (int k = 1; k < RESPONSE_KIND_COUNT && !no_tau; k++) {
        if (!(kinds & 1u << k) || job->used < SAMPLES_LEAST + 1 ||
            !step_fit_kind(job, (enum response_kind)k, &first, margin, &other))
            continue;
        fit.aicc[k] = nonlinear_aicc(job->used, other.p, other.sum_of_squares);
        bool better = kind == RESPONSE_FIRST_ORDER ? forced || fit.aicc[k] < fit.aicc[kind] - margin
                                                   : fit.aicc[k] < fit.aicc[kind];
        if (better) {
            kind = (enum response_kind)k;
            best = other;
        }
    }
    take(&fit, job, &best, kind, no_tau, residual);
    int code = judge(&fit, job, err);
    if (!code)
        *out = fit;
    return code;
}

struct indexed {
    struct sample sample;
    size_t index;
};

static int by_time(const void *a, const void *b)
{
    const struct indexed *x = a, *y = b;
    if (x->sample.t_s != y->sample.t_s)
        return x->sample.t_s > y->sample.t_s ? 1 : -1;
    return (x->index > y->index) - (x->index < y->index);
}

static int ascending(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

/* When the motion moves, and how far apart the values are about then. */
static void measure(struct step_job *job, const struct motion_piece pieces[], size_t count)
{
    double level = job->settled;
    job->move_start_s = INFINITY;
    job->move_end_s = -INFINITY;
    for (size_t i = 0; i < count; i++) {
        const struct motion_piece *p = &pieces[i];
        bool jump = fabs(p->d0_mm - level) > 1e-9 * (1 + fabs(level));
        bool moves = p->v0_mm_s != 0 || p->a0_mm_s2 != 0 || p->j_mm_s3 != 0;
        if (jump || moves)
            job->move_start_s = fmin(job->move_start_s, p->start_s);
        if (jump)
            job->move_end_s = fmax(job->move_end_s, p->start_s);
        if (moves)
            job->move_end_s = fmax(job->move_end_s, p->end_s);
        if (isfinite(p->end_s))
            level = response_input(&job->response, p->end_s - 1e-12 * (p->end_s - p->start_s));
        else
            level = p->d0_mm;
    }
    job->height = level - job->settled;
    /* the smallest distance that at least a twentieth of the neighbours after the start have */
    size_t after = 0;
    for (size_t i = 1; i < job->n; i++)
        if (job->samples[i].t_s > job->move_start_s)
            job->answer[after++] = job->samples[i].t_s - job->samples[i - 1].t_s;
    qsort(job->answer, after, sizeof *job->answer, ascending);
    job->spacing_s = after ? fmax(job->answer[after / 20], 1e-9) : 1e-9;
}

int step_estimate(struct step_fit *fit, const struct motion_piece pieces[], size_t piece_count,
                  double settled, const struct sample samples[], size_t n,
                  const struct step_options *options, double residual[], struct rig_err *err)
{
    static const struct step_options usual = {false, 0, 0};
    if (n < SAMPLES_LEAST)
        return rig_fail(err, RIG_EUNKNOWABLE, "%zu values are too few for a step; %d would do", n,
                        SAMPLES_LEAST);
    for (size_t i = 0; i < n; i++)
        if (!isfinite(samples[i].t_s + samples[i].value) || !(samples[i].weight > 0) ||
            !isfinite(samples[i].weight) || !(samples[i].width_s >= 0))
            return rig_fail(err, RIG_EINPUT, "value %zu of a step is not finite", i);
    struct step_job job = {.n = n, .used = n, .settled = settled};
    int code = response_open(&job.response, pieces, piece_count, settled, err);
    if (code)
        return code;
    struct indexed *order = malloc(n * sizeof *order);
    struct sample *sorted = malloc(n * sizeof *sorted);
    /* two for starts, residuals, answers, six for the screening of models */
    double *scratch = malloc(10 * n * sizeof *scratch);
    job.use = malloc(n * sizeof *job.use);
    if (!order || !sorted || !scratch || !job.use) {
        code = rig_fail_memory(err, "the fit of a step");
        goto done;
    }
    for (size_t i = 0; i < n; i++)
        order[i] = (struct indexed){samples[i], i};
    qsort(order, n, sizeof *order, by_time);
    for (size_t i = 0; i < n; i++) {
        sorted[i] = order[i].sample;
        job.use[i] = true;
    }
    job.samples = sorted;
    job.answer = scratch + 3 * n;
    job.columns = scratch + 4 * n;
    measure(&job, pieces, piece_count);
    if (!(fabs(job.height) > 0) || !isfinite(job.move_start_s))
        code = rig_fail(err, RIG_EUNKNOWABLE, "the stage made no step: it ends where it began");
    else if (!(sorted[n - 1].t_s > job.move_start_s))
        code = rig_fail(err, RIG_EUNKNOWABLE, "no values from after the start of the step");
    else
        code = fit_job(fit, &job, options ? options : &usual, scratch + 2 * n, scratch, err);
    for (size_t i = 0; i < n && residual && !code; i++)
        residual[order[i].index] = scratch[2 * n + i];
done:
    response_free(&job.response);
    free(order);
    free(sorted);
    free(scratch);
    free(job.use);
    return code;
}
