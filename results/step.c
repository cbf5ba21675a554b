/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "results/step_private.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* Fewer can't give four parameters and an idea of the noise. */
enum { SAMPLES_LEAST = 8, CANDIDATE_LIMIT = 16 };
static const double usual_margin = 6;
/* A step has to stand this many of its standard uncertainties out of the noise. */
static const double height_least = 8;
/* Values further than this many robust standard deviations off are wild; of normal noise
 * fewer than one in a million. */
static const double wild_limit = 5;

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

static int residuals(void *context, const double p[], double residual[])
{
    struct step_job *job = context;
    if (fabs(p[STEP_DEAD]) > 1e6 || (!job->no_tau && fabs(p[STEP_TAU]) > 30))
        return 1;
    if (job->kind == RESPONSE_STRETCHED && !(p[STEP_SHAPE] > 0.12 && p[STEP_SHAPE] < 4.5))
        return 1;
    if (job->kind == RESPONSE_TWO_TIME_CONSTANTS && fabs(p[STEP_SHAPE]) > 30)
        return 1;
    struct response_model model = step_model(job->kind, job->no_tau, p);
    step_answer(job, &model);
    size_t out = 0;
    for (size_t i = 0; i < job->n; i++)
        if (job->use[i])
            residual[out++] =
                sqrt(job->samples[i].weight) *
                (p[STEP_INITIAL] + (p[STEP_FINAL] - p[STEP_INITIAL]) * job->answer[i] -
                 job->samples[i].value);
    return 0;
}

/* The levels that suit a model best (linear), and the sum of squares that is left. */
static double best_levels(struct step_job *job, const struct response_model *model, double *initial,
                          double *final)
{
    step_answer(job, model);
    double w = 0, r = 0, rr = 0, y = 0, ry = 0, sum = 0;
    for (size_t i = 0; i < job->n; i++) {
        if (!job->use[i])
            continue;
        double weight = job->samples[i].weight, a = job->answer[i], v = job->samples[i].value;
        w += weight;
        r += weight * a;
        rr += weight * a * a;
        y += weight * v;
        ry += weight * a * v;
    }
    double determinant = w * rr - r * r;
    if (!(determinant > 1e-9 * w * rr))
        return INFINITY;
    *initial = (rr * y - r * ry) / determinant;
    *final = *initial + (w * ry - r * y) / determinant;
    for (size_t i = 0; i < job->n; i++) {
        double error = *initial + (*final - *initial) * job->answer[i] - job->samples[i].value;
        sum += job->use[i] ? job->samples[i].weight * error * error : 0;
    }
    return sum;
}

/* ---- wild values ---- */

static int ascending(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

/* Marks anew which values are wild against job->answer and these levels. Returns whether
 * anything changed. scratch: n doubles. */
static bool mark_wild(struct step_job *job, double initial, double final, double scratch[])
{
    for (size_t i = 0; i < job->n; i++)
        scratch[i] = sqrt(job->samples[i].weight) *
                     fabs(initial + (final - initial) * job->answer[i] - job->samples[i].value);
    double *sorted = scratch + job->n;
    memcpy(sorted, scratch, job->n * sizeof *sorted);
    qsort(sorted, job->n, sizeof *sorted, ascending);
    double sd = sorted[job->n / 2] / 0.674489750196; /* median of |N(0,1)| */
    bool changed = false;
    job->used = 0;
    for (size_t i = 0; i < job->n; i++) {
        bool use = !(scratch[i] > wild_limit * sd) || sd == 0;
        changed |= use != job->use[i];
        job->use[i] = use;
        job->used += use;
    }
    return changed;
}

/* ---- starts ---- */

/* Mean lag from the area between crude levels, values clipped to them: good to a factor. */
static double crude_lag(const struct step_job *job, double scratch[])
{
    size_t ends = job->n / 10 > 3 ? job->n / 10 : 3, first = 0;
    while (first < job->n && job->samples[first].t_s < job->move_start_s)
        first++;
    size_t before = first >= 3 ? first : 3;
    for (size_t i = 0; i < before; i++)
        scratch[i] = job->samples[i].value;
    qsort(scratch, before, sizeof *scratch, ascending);
    double low = scratch[before / 2];
    for (size_t i = 0; i < ends; i++)
        scratch[i] = job->samples[job->n - ends + i].value;
    qsort(scratch, ends, sizeof *scratch, ascending);
    double high = scratch[ends / 2], area = 0, last_s = job->move_start_s;
    for (size_t i = first; i < job->n; i++) {
        const struct sample *sample = &job->samples[i];
        double answer = fmin(fmax((sample->value - low) / (high - low), 0), 1);
        double moved = (response_input(&job->response, sample->t_s) - job->settled) / job->height;
        if (isfinite(answer))
            area += (moved - answer) * (sample->t_s - last_s);
        last_s = sample->t_s;
    }
    return area;
}

struct candidate {
    double p[STEP_PARAMETER_LIMIT], squares;
};

static int by_squares(const void *a, const void *b)
{
    double x = ((const struct candidate *)a)->squares, y = ((const struct candidate *)b)->squares;
    return (x > y) - (x < y);
}

/* Dead times and time constants worth starting from, best first. Returns how many. */
static size_t find_starts(struct step_job *job, struct candidate candidates[], bool robust,
                          double scratch[])
{
    double lag = crude_lag(job, scratch), rest = job->samples[job->n - 1].t_s - job->move_start_s;
    lag = fmin(fmax(lag, job->spacing_s), rest);
    double pairs[CANDIDATE_LIMIT][2];
    size_t count = 0;
    const double shares[] = {1, 0.8, 0.5, 0.2, 0.05};
    for (size_t i = 0; i < 5; i++) {
        pairs[count][0] = lag * (1 - shares[i]);
        pairs[count++][1] = lag * shares[i];
    }
    for (size_t i = 0; i < 4; i++) { /* should the crude lag be nonsense */
        pairs[count][0] = 0;
        pairs[count++][1] = rest * pow(0.2, (double)i + 1);
    }
    size_t out = 0;
    for (size_t i = 0; i < count; i++) {
        struct response_model model = {RESPONSE_FIRST_ORDER, pairs[i][0], pairs[i][1], 0, 1};
        struct candidate candidate = {{0, 0, pairs[i][0], log(pairs[i][1]), 0}, 0};
        candidate.squares = best_levels(job, &model, &candidate.p[0], &candidate.p[1]);
        if (robust && isfinite(candidate.squares)) {
            for (int pass = 0; pass < 6 && mark_wild(job, candidate.p[0], candidate.p[1], scratch);
                 pass++)
                best_levels(job, &model, &candidate.p[0], &candidate.p[1]);
            /* compared by a sum that wild values can't rule */
            double sum = 0, limit = 0;
            memcpy(scratch + job->n, scratch, job->n * sizeof *scratch);
            qsort(scratch + job->n, job->n, sizeof *scratch, ascending);
            limit = scratch[job->n + job->n * 9 / 10];
            for (size_t k = 0; k < job->n; k++)
                sum += fmin(scratch[k], limit) * fmin(scratch[k], limit);
            candidate.squares = sum;
        }
        if (isfinite(candidate.squares))
            candidates[out++] = candidate;
        for (size_t k = 0; robust && k < job->n; k++)
            job->use[k] = true;
    }
    job->used = job->n;
    qsort(candidates, out, sizeof candidates[0], by_squares);
    return out;
}

/* ---- fits ---- */

static int minimise(struct step_job *job, enum response_kind kind, bool no_tau,
                    const double start[], struct nonlinear_fit *fit, struct rig_err *err)
{
    job->kind = kind;
    job->no_tau = no_tau;
    size_t p = kind == RESPONSE_FIRST_ORDER ? (no_tau ? 3 : 4) : 5;
    double scale = fmax(fabs(start[STEP_FINAL] - start[STEP_INITIAL]), 1e-12);
    const double typical[STEP_PARAMETER_LIMIT] = {scale, scale, job->spacing_s, 1, 1};
    struct nonlinear_problem problem = {.n = job->used,
                                        .p = p,
                                        .residuals = residuals,
                                        .context = job,
                                        .typical = typical,
                                        .iteration_limit = 200};
    return nonlinear_minimise(fit, &problem, start, err);
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
        if (minimise(job, kind, no_tau, starts[i], &fit, NULL) || !fit.determined)
            continue;
        if (!found || fit.sum_of_squares < best->sum_of_squares)
            *best = fit;
        found = true;
    }
    return found;
}

static bool try_kind(struct step_job *job, enum response_kind kind,
                     const struct nonlinear_fit *first, struct nonlinear_fit *fit)
{
    double starts[2][STEP_PARAMETER_LIMIT];
    double dead = first->parameters[STEP_DEAD], tau = exp(first->parameters[STEP_TAU]);
    for (size_t i = 0; i < 2; i++)
        memcpy(starts[i], first->parameters, sizeof starts[i]);
    if (kind == RESPONSE_STRETCHED) {
        starts[0][STEP_SHAPE] = 0.85;
        starts[1][STEP_SHAPE] = 1.2;
        return try_starts(job, kind, false, starts, 2, fit) && well_known(fit, STEP_SHAPE, 0.3);
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

static bool fit_first_order(struct step_job *job, const struct candidate candidates[], size_t count,
                            struct nonlinear_fit *fit, bool *no_tau)
{
    double starts[3][STEP_PARAMETER_LIMIT];
    size_t used = 0;
    for (size_t i = 0; i < count && used < 3; i++)
        memcpy(starts[used++], candidates[i].p, sizeof starts[0]);
    *no_tau = false;
    /* Mostly the best start's minimum is the minimum: a second and third are run when
     * it is not found from there. */
    bool found = try_starts(job, RESPONSE_FIRST_ORDER, false, starts, used > 2 ? 2 : used, fit) ||
                 (used > 2 && try_starts(job, RESPONSE_FIRST_ORDER, false, starts + 2, 1, fit));
    if (found && well_known(fit, STEP_TAU, 1) &&
        exp(fit->parameters[STEP_TAU]) > 0.1 * job->spacing_s)
        return true;
    *no_tau = true;
    for (size_t i = 0; i < used; i++)
        starts[i][STEP_DEAD] += exp(starts[i][STEP_TAU]);
    struct nonlinear_fit only_dead;
    if (try_starts(job, RESPONSE_FIRST_ORDER, true, starts, used, &only_dead)) {
        *fit = only_dead;
        return true;
    }
    *no_tau = false;
    return found;
}

/* ---- putting it together ---- */

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
    double height = fit->final.value - fit->initial.value;
    double u =
        sqrt(fmax(0, fit->covariance[0][0] + fit->covariance[1][1] - 2 * fit->covariance[0][1]));
    if (!(fabs(height) > height_least * u))
        return rig_fail(err, RIG_EUNKNOWABLE,
                        "the step of %.3g is too small against the noise: its uncertainty is "
                        "%.2g, and %.2g would do",
                        fabs(height), u, fabs(height) / height_least);
    double rest = job->samples[job->n - 1].t_s - job->move_start_s;
    if (!(fit->mean_lag_s.u < rest / 4) || !(fit->mean_lag_s.value < 4 * rest))
        return rig_fail(err, RIG_EUNKNOWABLE,
                        "the %.3g s after the step tell nothing of the lag: a longer hold would",
                        rest);
    return 0;
}

static int fit_job(struct step_fit *out, struct step_job *job, const struct step_options *options,
                   double residual[], double scratch[], struct rig_err *err)
{
    struct candidate candidates[CANDIDATE_LIMIT];
    struct step_fit fit = {0};
    struct nonlinear_fit best = {0}, other;
    bool no_tau = false;
    size_t count = find_starts(job, candidates, options->robust, scratch);
    if (count == 0)
        return rig_fail(err, RIG_EUNKNOWABLE, "no values from both before and after the step");
    for (int round = 0; round < 8; round++) {
        if (options->robust) {
            struct response_model model;
            if (round == 0) {
                model = step_model(RESPONSE_FIRST_ORDER, false, candidates[0].p);
                step_answer(job, &model);
                mark_wild(job, candidates[0].p[0], candidates[0].p[1], scratch);
            } else {
                model = step_model(RESPONSE_FIRST_ORDER, no_tau, best.parameters);
                step_answer(job, &model);
                if (!mark_wild(job, best.parameters[0], best.parameters[1], scratch))
                    break;
            }
        } else if (round > 0) {
            break;
        }
        if (job->used < SAMPLES_LEAST)
            return rig_fail(err, RIG_EUNKNOWABLE, "too many wild values to fit a step");
        if (!fit_first_order(job, candidates, count, &best, &no_tau))
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
            !try_kind(job, (enum response_kind)k, &first, &other))
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

static int by_time(const void *a, const void *b)
{
    double x = ((const struct sample *)a)->t_s, y = ((const struct sample *)b)->t_s;
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
    struct sample *sorted = malloc(n * sizeof *sorted);
    double *scratch = malloc(4 * n * sizeof *scratch);
    job.use = malloc(n * sizeof *job.use);
    if (!sorted || !scratch || !job.use) {
        code = rig_fail_memory(err, "the fit of a step");
        goto done;
    }
    job.answer = scratch + 3 * n;
    memcpy(sorted, samples, n * sizeof *sorted);
    qsort(sorted, n, sizeof *sorted, by_time);
    job.samples = sorted;
    for (size_t i = 0; i < n; i++)
        job.use[i] = true;
    measure(&job, pieces, piece_count);
    if (!(fabs(job.height) > 0) || !isfinite(job.move_start_s))
        code = rig_fail(err, RIG_EUNKNOWABLE, "the stage made no step: it ends where it began");
    else if (!(sorted[n - 1].t_s > job.move_start_s))
        code = rig_fail(err, RIG_EUNKNOWABLE, "no values from after the start of the step");
    else
        code = fit_job(fit, &job, options ? options : &usual, scratch + 2 * n, scratch, err);
    if (!code && residual) { /* in the caller's order: both are in order of time but for ties */
        for (size_t i = 0; i < n; i++) {
            size_t low = 0, high = n;
            while (high - low > 1) {
                size_t middle = (low + high) / 2;
                if (sorted[middle].t_s <= samples[i].t_s)
                    low = middle;
                else
                    high = middle;
            }
            while (low > 0 && sorted[low].value != samples[i].value &&
                   sorted[low - 1].t_s == samples[i].t_s)
                low--;
            residual[i] = scratch[2 * n + low];
        }
    }
done:
    response_free(&job.response);
    free(sorted);
    free(scratch);
    free(job.use);
    return code;
}
