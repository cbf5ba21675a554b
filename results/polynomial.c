/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "results/polynomial.h"

#include <math.h>
#include <string.h>

int polynomial_domain(struct polynomial *polynomial, const double x[], size_t n, size_t degree,
                      struct rig_err *err)
{
    if (degree > POLYNOMIAL_DEGREE_LIMIT)
        return rig_fail(err, RIG_EINPUT, "degree %zu is too high; 1 to %d are possible", degree,
                        POLYNOMIAL_DEGREE_LIMIT);
    double low = INFINITY, high = -INFINITY;
    for (size_t i = 0; i < n; i++) {
        if (!isfinite(x[i]))
            return rig_fail(err, RIG_EINPUT, "value %zu is not finite", i + 1);
        low = fmin(low, x[i]);
        high = fmax(high, x[i]);
    }
    double half = high / 2 - low / 2;
    if (!(half > 0) || !isfinite(1 / half))
        return rig_fail(err, RIG_EINPUT, "all depths are equal; a curve needs at least two");
    memset(polynomial, 0, sizeof *polynomial);
    polynomial->degree = degree;
    polynomial->low = low;
    polynomial->high = high;
    polynomial->centre = low + half;
    polynomial->half = half;
    return RIG_OK;
}

void polynomial_row(const struct polynomial *polynomial, double x, long double row[])
{
    long double t = ((long double)x - polynomial->centre) / polynomial->half;
    row[0] = 1;
    if (polynomial->degree > 0)
        row[1] = t;
    for (size_t k = 2; k <= polynomial->degree; k++)
        row[k] = 2 * t * row[k - 1] - row[k - 2];
}

/* Derivatives by x of the same: T'_k = k U_(k-1). */
static void slope_row(const struct polynomial *polynomial, double x, long double row[])
{
    long double t = ((long double)x - polynomial->centre) / polynomial->half;
    long double before = 0, second = 1; /* U_(k-2), U_(k-1) */
    row[0] = 0;
    for (size_t k = 1; k <= polynomial->degree; k++) {
        row[k] = (long double)k * second / polynomial->half;
        long double next = 2 * t * second - before;
        before = second;
        second = next;
    }
}

/* to[i][k]: share of Chebyshev polynomial k in power i of x. */
static void powers_of(const struct polynomial *polynomial,
                      long double to[POLYNOMIAL_TERMS][POLYNOMIAL_TERMS])
{
    size_t terms = polynomial->degree + 1;
    long double a = 1 / (long double)polynomial->half; /* t = a x + b */
    long double b = -(long double)polynomial->centre / polynomial->half;
    memset(to, 0, sizeof(long double[POLYNOMIAL_TERMS][POLYNOMIAL_TERMS]));
    to[0][0] = 1;
    if (terms > 1) {
        to[0][1] = b;
        to[1][1] = a;
    }
    for (size_t k = 2; k < terms; k++)
        for (size_t i = 0; i <= k; i++)
            to[i][k] = 2 * (b * to[i][k - 1] + (i > 0 ? a * to[i - 1][k - 1] : 0)) - to[i][k - 2];
}

void polynomial_take(struct polynomial *polynomial, const struct lsq_fit *fit)
{
    size_t terms = polynomial->degree + 1;
    long double to[POLYNOMIAL_TERMS][POLYNOMIAL_TERMS], root[POLYNOMIAL_TERMS][LSQ_LIMIT];
    powers_of(polynomial, to);
    /* covariance = scale root root'; the factor is transformed, not the product, so
     * that variances stay sums of squares. */
    long double scale =
        fit->unscaled[0][0] > 0 ? (long double)fit->covariance[0][0] / fit->unscaled[0][0] : 0;
    for (size_t i = 0; i < terms; i++) {
        long double sum = 0;
        for (size_t k = i; k < terms; k++)
            sum += to[i][k] * fit->exact[k];
        polynomial->power[i] = (double)sum;
        polynomial->basis[i] = fit->parameter[i];
        for (size_t column = 0; column < fit->p; column++) {
            root[i][column] = 0;
            for (size_t k = i; k < terms && k <= column; k++)
                root[i][column] += to[i][k] * fit->root[k][column];
        }
    }
    for (size_t i = 0; i < terms; i++)
        for (size_t j = 0; j < terms; j++) {
            long double sum = 0;
            for (size_t column = 0; column < fit->p; column++)
                sum += root[i][column] * root[j][column];
            polynomial->power_covariance[i][j] = (double)(scale * sum);
            polynomial->basis_covariance[i][j] = fit->covariance[i][j];
        }
}

void polynomial_set_covariance(struct polynomial *polynomial, const double covariance[])
{
    size_t terms = polynomial->degree + 1;
    long double to[POLYNOMIAL_TERMS][POLYNOMIAL_TERMS];
    powers_of(polynomial, to);
    for (size_t i = 0; i < terms; i++)
        for (size_t j = 0; j < terms; j++) {
            long double sum = 0;
            for (size_t k = i; k < terms; k++)
                for (size_t l = j; l < terms; l++)
                    sum += to[i][k] * covariance[k * terms + l] * to[j][l];
            polynomial->power_covariance[i][j] = (double)sum;
            polynomial->basis_covariance[i][j] = covariance[i * terms + j];
        }
}

int polynomial_fit(struct polynomial *polynomial, struct lsq_fit *fit, const double x[],
                   const double y[], const double u[], size_t n, size_t degree, struct rig_err *err)
{
    struct polynomial made;
    struct lsq sums;
    struct lsq_fit own;
    int failed = polynomial_domain(&made, x, n, degree, err);
    if (!failed)
        failed = lsq_start(&sums, degree + 1, err);
    if (failed)
        return failed;
    for (size_t i = 0; i < n; i++) {
        long double row[POLYNOMIAL_TERMS];
        polynomial_row(&made, x[i], row);
        lsq_add_exact(&sums, row, y[i], u ? u[i] : 1);
    }
    failed = lsq_solve(&own, &sums, u ? LSQ_FROM_STATED : LSQ_FROM_RESIDUALS, err);
    if (failed)
        return failed;
    polynomial_take(&made, &own);
    *polynomial = made;
    if (fit)
        *fit = own;
    return RIG_OK;
}

static double by_row(const struct polynomial *polynomial, const long double row[])
{
    long double sum = 0;
    for (size_t k = 0; k <= polynomial->degree; k++)
        sum += polynomial->basis[k] * row[k];
    return (double)sum;
}

static double u_by_row(const struct polynomial *polynomial, const long double row[])
{
    long double sum = 0;
    for (size_t k = 0; k <= polynomial->degree; k++)
        for (size_t l = 0; l <= polynomial->degree; l++)
            sum += row[k] * polynomial->basis_covariance[k][l] * row[l];
    return (double)sqrtl(sum < 0 ? 0 : sum);
}

double polynomial_value(const struct polynomial *polynomial, double x)
{
    long double row[POLYNOMIAL_TERMS];
    polynomial_row(polynomial, x, row);
    return by_row(polynomial, row);
}

double polynomial_slope(const struct polynomial *polynomial, double x)
{
    long double row[POLYNOMIAL_TERMS];
    slope_row(polynomial, x, row);
    return by_row(polynomial, row);
}

double polynomial_value_u(const struct polynomial *polynomial, double x)
{
    long double row[POLYNOMIAL_TERMS];
    polynomial_row(polynomial, x, row);
    return u_by_row(polynomial, row);
}

double polynomial_slope_u(const struct polynomial *polynomial, double x)
{
    long double row[POLYNOMIAL_TERMS];
    slope_row(polynomial, x, row);
    return u_by_row(polynomial, row);
}
