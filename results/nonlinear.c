/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "results/nonlinear.h"

#include <float.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include <gsl/gsl_blas.h>
#include <gsl/gsl_errno.h>
#include <gsl/gsl_linalg.h>
#include <gsl/gsl_multifit_nlinear.h>

struct job {
    const struct nonlinear_problem *problem;
    double *low, *high;                       /* n each, for the differences */
    bool quick;                               /* differences to one side, from `low`: */
    double low_at[NONLINEAR_PARAMETER_LIMIT]; /* the parameters that it was worked out for */
};

static int all_finite(const double values[], size_t n)
{
    double sum = 0;
    for (size_t i = 0; i < n; i++)
        sum += values[i] * 0; /* NaN as soon as one is not finite */
    return sum == 0;
}

static int evaluate(const struct nonlinear_problem *problem, const double parameters[],
                    double residual[])
{
    if (!all_finite(parameters, problem->p) ||
        problem->residuals(problem->context, parameters, residual))
        return GSL_EDOM;
    return all_finite(residual, problem->n) ? GSL_SUCCESS : GSL_EDOM;
}

static int residual_vector(const gsl_vector *x, void *context, gsl_vector *f)
{
    struct job *job = context;
    if (x->stride != 1 || f->stride != 1)
        return GSL_EINVAL;
    size_t n = job->problem->n, p = job->problem->p;
    if (evaluate(job->problem, x->data, f->data))
        /* A place that is not defined is made very bad, so that the step is taken back. */
        gsl_vector_set_all(f, 1e150 / (double)n);
    else if (job->quick) { /* a Jacobian is mostly asked for where the residuals just were */
        memcpy(job->low, f->data, n * sizeof *job->low);
        memcpy(job->low_at, x->data, p * sizeof *job->low_at);
    }
    return GSL_SUCCESS;
}

static int jacobian(const gsl_vector *x, void *context, gsl_matrix *out)
{
    struct job *job = context;
    const struct nonlinear_problem *problem = job->problem;
    double at[NONLINEAR_PARAMETER_LIMIT];
    memcpy(at, x->data, problem->p * sizeof at[0]);
    if (job->quick && memcmp(at, job->low_at, problem->p * sizeof at[0]) != 0) {
        if (evaluate(problem, at, job->low))
            return GSL_EDOM;
        memcpy(job->low_at, at, problem->p * sizeof at[0]);
    }
    for (size_t k = 0; k < problem->p; k++) {
        double size = fabs(x->data[k]);
        if (problem->typical)
            size = fmax(size, problem->typical[k]);
        /* Cube root of the rounding: where central differences are best. */
        double step = cbrt(DBL_EPSILON) * (size > 0 ? size : 1);
        at[k] = x->data[k] + step;
        double above = at[k];
        int bad = evaluate(problem, at, job->high);
        at[k] = x->data[k] - (job->quick ? 0 : step);
        double width = above - at[k];
        if (!job->quick)
            bad |= evaluate(problem, at, job->low);
        at[k] = x->data[k];
        if (bad)
            return GSL_EDOM;
        for (size_t i = 0; i < problem->n; i++)
            gsl_matrix_set(out, i, k, (job->high[i] - job->low[i]) / width);
    }
    return GSL_SUCCESS;
}

/* Largest cosine between the residuals and a column of the Jacobian: 0 in a minimum. */
static double slope_left(const gsl_matrix *j, const gsl_vector *f)
{
    double norm = gsl_blas_dnrm2(f), worst = 0;
    if (norm == 0)
        return 0;
    for (size_t k = 0; k < j->size2; k++) {
        gsl_vector_const_view column = gsl_matrix_const_column(j, k);
        double dot, size = gsl_blas_dnrm2(&column.vector);
        gsl_blas_ddot(&column.vector, f, &dot);
        if (size > 0)
            worst = fmax(worst, fabs(dot) / size / norm);
    }
    return worst;
}

/* (J'J)^-1 through the QR decomposition with columns scaled to length 1. */
static bool invert(const gsl_matrix *j, double inverse[][NONLINEAR_PARAMETER_LIMIT])
{
    size_t p = j->size2;
    bool determined = false;
    gsl_matrix *qr = gsl_matrix_alloc(j->size1, p);
    gsl_matrix *covariance = gsl_matrix_alloc(p, p);
    if (qr && covariance && !gsl_matrix_memcpy(qr, j)) {
        double size[NONLINEAR_PARAMETER_LIMIT];
        determined = true;
        for (size_t k = 0; k < p; k++) {
            gsl_vector_view column = gsl_matrix_column(qr, k);
            size[k] = gsl_blas_dnrm2(&column.vector);
            if (size[k] > 0)
                gsl_vector_scale(&column.vector, 1 / size[k]);
            else
                determined = false;
        }
        determined = determined && !gsl_multifit_nlinear_covar(qr, 1e-10, covariance);
        for (size_t k = 0; k < p && determined; k++)
            determined = gsl_matrix_get(covariance, k, k) > 0.5; /* dropped columns are 0 */
        for (size_t k = 0; k < p; k++)
            for (size_t l = 0; l < p; l++)
                inverse[k][l] =
                    determined ? gsl_matrix_get(covariance, k, l) / size[k] / size[l] : NAN;
    }
    gsl_matrix_free(qr);
    gsl_matrix_free(covariance);
    return determined;
}

/* Whether the last step was nothing beside the parameters, or beside the sizes that matter. */
static bool small_step(const gsl_multifit_nlinear_workspace *work,
                       const struct nonlinear_problem *problem, double tolerance)
{
    bool small = true;
    for (size_t k = 0; k < problem->p; k++) {
        double size = fabs(gsl_vector_get(work->x, k));
        /* Without typical sizes: GSL's own test, which ends beside a parameter of 0 too. */
        size = problem->typical ? fmax(size, problem->typical[k]) : size + tolerance;
        small = small && fabs(gsl_vector_get(work->dx, k)) <= tolerance * size;
    }
    return small;
}

int nonlinear_minimise(struct nonlinear_fit *fit, const struct nonlinear_problem *problem,
                       const double start[], struct rig_err *err)
{
    size_t n = problem->n, p = problem->p;
    if (p < 1 || p > NONLINEAR_PARAMETER_LIMIT)
        return rig_fail(err, RIG_EBUG, "a nonlinear fit of %zu parameters", p);
    if (n < p)
        return rig_fail(err, RIG_EUNKNOWABLE, "%zu values can't give %zu parameters", n, p);
    int code = 0;
    struct job job = {.problem = problem,
                      .low = malloc(n * sizeof(double)),
                      .high = malloc(n * sizeof(double)),
                      .quick = problem->quick};
    gsl_multifit_nlinear_parameters settings = gsl_multifit_nlinear_default_parameters();
    settings.trs = problem->quick ? gsl_multifit_nlinear_trs_lm : gsl_multifit_nlinear_trs_lmaccel;
    settings.scale = gsl_multifit_nlinear_scale_more;
    settings.solver = gsl_multifit_nlinear_solver_qr;
    gsl_multifit_nlinear_workspace *work =
        gsl_multifit_nlinear_alloc(gsl_multifit_nlinear_trust, &settings, n, p);
    if (!job.low || !job.high || !work) {
        code = rig_fail_memory(err, "a nonlinear fit");
        goto done;
    }
    if (evaluate(problem, start, job.low)) {
        code = rig_fail(err, RIG_EUNKNOWABLE, "the fit's start is outside the model's range");
        goto done;
    }
    memcpy(job.low_at, start, p * sizeof start[0]);
    gsl_vector_const_view at_start = gsl_vector_const_view_array(job.low, n);
    double first = gsl_blas_dnrm2(&at_start.vector);
    gsl_multifit_nlinear_fdf fdf = {
        .f = residual_vector, .df = jacobian, .n = n, .p = p, .params = &job};
    gsl_vector_const_view x = gsl_vector_const_view_array(start, p);
    int status = gsl_multifit_nlinear_init(&x.vector, &fdf, work);
    size_t limit = problem->iteration_limit ? problem->iteration_limit : 1000;
    double tolerance = problem->tolerance > 0 ? problem->tolerance : 1e-11;
    size_t iterations = 0;
    bool found_it = false;
    double left_before = first;
    while (!status && iterations < limit && !found_it) {
        status = gsl_multifit_nlinear_iterate(work);
        iterations++;
        double left_now = gsl_blas_dnrm2(gsl_multifit_nlinear_residual(work));
        bool is_flat =
            problem->flat > 0 && left_before - left_now < problem->flat / 2 * left_before;
        found_it = !status && (small_step(work, problem, tolerance) || is_flat);
        left_before = left_now;
    }
    const gsl_vector *f = gsl_multifit_nlinear_residual(work);
    const gsl_matrix *j = gsl_multifit_nlinear_jac(work);
    const gsl_vector *at = gsl_multifit_nlinear_position(work);
    /* The steps may have become too small to tell rounding from progress (GSL_ENOPROG):
     * the slope that is left says whether this is a minimum. Its limit is that of a
     * Jacobian by differences. */
    double left = slope_left(j, f);
    if (gsl_blas_dnrm2(f) < 1e-7 * first) /* an exact fit: the rest is rounding */
        left = 0;
    if (!isfinite(left) || (!found_it && left > (problem->quick ? 1e-4 : 1e-5))) {
        code = rig_fail(err, RIG_EUNKNOWABLE, "the fit found no minimum in %zu steps", iterations);
        goto done;
    }
    struct nonlinear_fit found = {.n = n, .p = p, .iterations = iterations};
    memcpy(found.parameters, at->data, p * sizeof found.parameters[0]);
    gsl_blas_ddot(f, f, &found.sum_of_squares);
    found.degrees_of_freedom = (double)(n - p);
    found.determined = invert(j, found.inverse);
    if (!isfinite(found.sum_of_squares) || found.sum_of_squares > 1e200)
        code = rig_fail(err, RIG_EUNKNOWABLE, "the fit ended outside the model's range");
    else
        *fit = found;
done:
    gsl_multifit_nlinear_free(work);
    free(job.low);
    free(job.high);
    return code;
}

int nonlinear_describe(struct nonlinear_fit *fit, const struct nonlinear_problem *problem,
                       const double parameters[], struct rig_err *err)
{
    size_t n = problem->n, p = problem->p;
    if (p < 1 || p > NONLINEAR_PARAMETER_LIMIT || n < p)
        return rig_fail(err, RIG_EBUG, "%zu parameters from %zu values", p, n);
    struct job job = {
        .problem = problem, .low = malloc(n * sizeof(double)), .high = malloc(n * sizeof(double))};
    gsl_matrix *j = gsl_matrix_alloc(n, p);
    int code = 0;
    gsl_vector_const_view x = gsl_vector_const_view_array(parameters, p);
    struct nonlinear_fit found = {.n = n, .p = p, .degrees_of_freedom = (double)(n - p)};
    if (!job.low || !job.high || !j)
        code = rig_fail_memory(err, "the covariance of a fit");
    else if (jacobian(&x.vector, &job, j) || evaluate(problem, parameters, job.low))
        code = rig_fail(err, RIG_EUNKNOWABLE, "the fit ended outside the model's range");
    if (!code) {
        memcpy(found.parameters, parameters, p * sizeof found.parameters[0]);
        for (size_t i = 0; i < n; i++)
            found.sum_of_squares += job.low[i] * job.low[i];
        found.determined = invert(j, found.inverse);
        *fit = found;
    }
    gsl_matrix_free(j);
    free(job.low);
    free(job.high);
    return code;
}

double nonlinear_standard_uncertainty(const struct nonlinear_fit *fit, size_t parameter)
{
    if (parameter >= fit->p || fit->degrees_of_freedom < 1)
        return NAN;
    return sqrt(fit->inverse[parameter][parameter] * fit->sum_of_squares / fit->degrees_of_freedom);
}

double nonlinear_propagate(double (*function)(const void *context, const double parameters[]),
                           const void *context, const double parameters[], size_t p,
                           const double covariance[][NONLINEAR_PARAMETER_LIMIT])
{
    double at[NONLINEAR_PARAMETER_LIMIT], slope[NONLINEAR_PARAMETER_LIMIT];
    memcpy(at, parameters, p * sizeof at[0]);
    for (size_t k = 0; k < p; k++) {
        double step = 0.01 * sqrt(covariance[k][k]);
        slope[k] = 0;
        if (step == 0)
            continue;
        at[k] = parameters[k] + step;
        double high = function(context, at);
        at[k] = parameters[k] - step;
        slope[k] = (high - function(context, at)) / (2 * step);
        at[k] = parameters[k];
    }
    double variance = 0;
    for (size_t k = 0; k < p; k++)
        for (size_t l = 0; l < p; l++)
            variance += slope[k] * slope[l] * covariance[k][l];
    return variance >= 0 ? sqrt(variance) : NAN;
}

double nonlinear_aicc(size_t n, size_t p, double sum_of_squares)
{
    double k = (double)p + 1, count = (double)n;
    if (count <= k + 1)
        return INFINITY;
    /* A perfect fit is as good as rounding allows, not infinitely good. */
    double mean = fmax(sum_of_squares / count, DBL_MIN);
    return count * log(mean) + 2 * k + 2 * k * (k + 1) / (count - k - 1);
}
