/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "results/lsq.h"

#include <math.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>

/* A column whose part across the columns before it is below this share of its own
 * length is taken as a combination of them. Inputs are doubles, so anything near
 * 1e-16 is their rounding. */
static const long double dependent = 1e-14L;

int lsq_start(struct lsq *sums, size_t p, struct rig_err *err)
{
    memset(sums, 0, sizeof *sums);
    if (p < 1 || p > LSQ_LIMIT)
        return rig_fail(err, RIG_EBUG, "%zu parameters in one fit; 1 to %d are possible", p,
                        LSQ_LIMIT);
    sums->p = p;
    return RIG_OK;
}

/* Rotates one more row into the triangle. For a single row a Householder reflection
 * acts on two elements a column and is a plane rotation; hypotl keeps it free of
 * overflow. */
static void rotate_in(struct lsq *sums, long double row[])
{
    size_t columns = sums->p + 1;
    for (size_t k = 0; k < columns; k++) {
        if (row[k] == 0)
            continue;
        long double length = hypotl(sums->r[k][k], row[k]);
        long double c = sums->r[k][k] / length, s = row[k] / length;
        sums->r[k][k] = length;
        for (size_t j = k + 1; j < columns; j++) {
            long double above = sums->r[k][j];
            sums->r[k][j] = c * above + s * row[j];
            row[j] = c * row[j] - s * above;
        }
    }
}

void lsq_add_exact(struct lsq *sums, const long double x[], long double y, long double u)
{
    long double row[LSQ_LIMIT + 1];
    bool finite = isfinite(y) && isfinite(u) && u > 0;
    sums->n++;
    for (size_t j = 0; j < sums->p && finite; j++) {
        row[j] = x[j] / u;
        finite = isfinite(row[j]);
    }
    if (!finite) {
        sums->r[0][0] = NAN;
        return;
    }
    row[sums->p] = y / u;
    rotate_in(sums, row);
}

void lsq_add(struct lsq *sums, const double x[], double y, double u)
{
    long double row[LSQ_LIMIT];
    for (size_t j = 0; j < sums->p; j++)
        row[j] = x[j];
    lsq_add_exact(sums, row, y, u);
}

void lsq_merge(struct lsq *into, const struct lsq *from)
{
    for (size_t i = 0; i <= from->p; i++) {
        long double row[LSQ_LIMIT + 1];
        memcpy(row, from->r[i], sizeof row);
        rotate_in(into, row);
    }
    into->n += from->n;
}

int lsq_solve(struct lsq_fit *fit, const struct lsq *sums, enum lsq_scale scale,
              struct rig_err *err)
{
    return lsq_solve_first(fit, sums, sums->p, scale, err);
}

static int check_solvable(const struct lsq *sums, size_t p, struct rig_err *err)
{
    if (p < 1 || p > sums->p)
        return rig_fail(err, RIG_EBUG, "%zu of %zu parameters asked for", p, sums->p);
    for (size_t i = 0; i <= sums->p; i++)
        for (size_t j = i; j <= sums->p; j++)
            if (!isfinite(sums->r[i][j]))
                return rig_fail(err, RIG_EINPUT,
                                "a value in the fit is not finite, or an uncertainty not above 0");
    if (sums->n < p)
        return rig_fail(err, RIG_EINPUT, "%llu values can't determine %zu parameters",
                        (unsigned long long)sums->n, p);
    for (size_t k = 0; k < p; k++) {
        long double squares = 0;
        for (size_t i = 0; i <= k; i++)
            squares += sums->r[i][k] * sums->r[i][k];
        if (!(fabsl(sums->r[k][k]) > dependent * sqrtl(squares)))
            return rig_fail(err, RIG_EINPUT,
                            "parameter %zu of the fit can't be told from the ones before it: the "
                            "data don't vary enough",
                            k + 1);
    }
    return RIG_OK;
}

/* Fills what follows from chi_squared and the root. */
static void finish(struct lsq_fit *fit, enum lsq_scale scale)
{
    fit->degrees_of_freedom = (double)fit->n - (double)fit->p;
    double variance =
        fit->degrees_of_freedom > 0 ? fit->chi_squared / fit->degrees_of_freedom : NAN;
    fit->residual_sd = sqrt(variance);
    for (size_t i = 0; i < fit->p; i++)
        for (size_t j = 0; j < fit->p; j++) {
            long double sum = 0;
            for (size_t k = i > j ? i : j; k < fit->p; k++)
                sum += fit->root[i][k] * fit->root[j][k];
            fit->unscaled[i][j] = (double)sum;
            fit->covariance[i][j] = (double)(scale == LSQ_FROM_STATED ? sum : sum * variance);
        }
}

int lsq_solve_first(struct lsq_fit *fit, const struct lsq *sums, size_t p, enum lsq_scale scale,
                    struct rig_err *err)
{
    int failed = check_solvable(sums, p, err);
    if (failed)
        return failed;
    memset(fit, 0, sizeof *fit);
    fit->p = p;
    fit->n = sums->n;
    for (size_t i = p; i-- > 0;) {
        long double rest = sums->r[i][sums->p];
        for (size_t j = i + 1; j < p; j++)
            rest -= sums->r[i][j] * fit->exact[j];
        fit->exact[i] = rest / sums->r[i][i];
        fit->parameter[i] = (double)fit->exact[i];
    }
    for (size_t column = 0; column < p; column++)
        for (size_t i = column + 1; i-- > 0;) {
            long double rest = i == column ? 1 : 0;
            for (size_t j = i + 1; j <= column; j++)
                rest -= sums->r[i][j] * fit->root[j][column];
            fit->root[i][column] = rest / sums->r[i][i];
        }
    long double squares = 0;
    for (size_t i = p; i <= sums->p; i++)
        squares += sums->r[i][sums->p] * sums->r[i][sums->p];
    fit->chi_squared = (double)squares;
    finish(fit, scale);
    return RIG_OK;
}

int lsq_fit_rows(struct lsq_fit *fit, const double design[], const double y[], const double u[],
                 size_t n, size_t p, struct rig_err *err)
{
    struct lsq sums;
    int failed = lsq_start(&sums, p, err);
    if (failed)
        return failed;
    for (size_t i = 0; i < n; i++)
        lsq_add(&sums, design + i * p, y[i], u ? u[i] : 1);
    enum lsq_scale scale = u ? LSQ_FROM_STATED : LSQ_FROM_RESIDUALS;
    failed = lsq_solve(fit, &sums, scale, err);
    if (failed)
        return failed;
    long double squares = 0;
    for (size_t i = 0; i < n; i++) {
        long double residual = y[i];
        for (size_t j = 0; j < p; j++)
            residual -= design[i * p + j] * fit->exact[j];
        residual /= u ? u[i] : 1;
        squares += residual * residual;
    }
    fit->chi_squared = (double)squares;
    finish(fit, scale);
    return RIG_OK;
}

/* Lower triangle L of covariance = L L'. */
static int cholesky(long double lower[], const double covariance[], size_t n, struct rig_err *err)
{
    for (size_t j = 0; j < n; j++)
        for (size_t i = j; i < n; i++) {
            long double rest = covariance[i * n + j];
            for (size_t k = 0; k < j; k++)
                rest -= lower[i * n + k] * lower[j * n + k];
            if (i == j && !(rest > 0 && isfinite(rest)))
                return rig_fail(err, RIG_EINPUT,
                                "the covariance of the values is not positive definite (row %zu)",
                                i + 1);
            lower[i * n + j] = i == j ? sqrtl(rest) : rest / lower[j * n + j];
        }
    return RIG_OK;
}

int lsq_fit_covariance(struct lsq_fit *fit, const double design[], const double y[],
                       const double covariance[], size_t n, size_t p, struct rig_err *err)
{
    enum { most = 2000 };
    struct lsq sums;
    int failed = lsq_start(&sums, p, err);
    if (failed)
        return failed;
    if (n > most)
        return rig_fail(err, RIG_EINPUT, "%zu values with a full covariance; at most %d", n, most);
    long double *lower = calloc(n * n + 1, sizeof *lower);
    long double *white = calloc(n * (p + 1) + 1, sizeof *white);
    if (!lower || !white)
        failed = rig_fail_memory(err, "fitting values with a full covariance");
    else
        failed = cholesky(lower, covariance, n, err);
    for (size_t i = 0; !failed && i < n; i++) {
        long double *row = white + i * (p + 1);
        for (size_t j = 0; j <= p; j++) {
            long double rest = j < p ? design[i * p + j] : y[i];
            for (size_t k = 0; k < i; k++)
                rest -= lower[i * n + k] * white[k * (p + 1) + j];
            row[j] = rest / lower[i * n + i];
        }
        lsq_add_exact(&sums, row, row[p], 1);
    }
    if (!failed)
        failed = lsq_solve(fit, &sums, LSQ_FROM_STATED, err);
    free(white);
    free(lower);
    return failed;
}

double lsq_predict(const struct lsq_fit *fit, const double x[], double *u)
{
    double value = 0, variance = 0;
    for (size_t i = 0; i < fit->p; i++) {
        value += fit->parameter[i] * x[i];
        for (size_t j = 0; j < fit->p; j++)
            variance += x[i] * fit->covariance[i][j] * x[j];
    }
    if (u)
        *u = sqrt(variance > 0 || isnan(variance) ? variance : 0);
    return value;
}
