/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "results/serial.h"

#include "results/moments.h"
#include "results/student.h"

#include <gsl/gsl_cdf.h>
#include <math.h>
#include <stdbool.h>
#include <stdlib.h>

enum { COLUMNS = SERIAL_COLUMNS + 1, SIZES = 24, MEMORIES = 9, GRID_LIMIT = 1 + SIZES * MEMORIES };

/* Correlation of neighbours, and how much each counts: a third for none, else the trapezoidal
 * rule over 0 to 0.95. */
static const double neighbours[MEMORIES] = {0, 0.15, 0.3, 0.45, 0.6, 0.7, 0.8, 0.875, 0.95};
static const double memory_weight[MEMORIES] = {0.3333, 0.1579, 0.1053, 0.1053, 0.0877,
                                               0.0702, 0.0614, 0.0526, 0.0263};
static const double none_weight = 0.25;
/* Sizes a^2 over the mean u^2. */
static const double least_size = 0.05, size_step = 3;

struct series {
    const double *t, *design, *y, *u;
    size_t n, columns;
};

/* Sums of squares and products of the whitened columns, y last; lower triangle. */
struct products {
    double sum[COLUMNS][COLUMNS];
    double log_determinant; /* of the errors' covariance matrix */
};

/* Kalman filter of a state that decays, seen with noise: turns correlated rows into
 * independent ones of variance 1, all columns alike. scatter: variance of the state. */
static struct products whiten(const struct series *of, double scatter, double memory)
{
    struct products products = {0};
    double state[COLUMNS] = {0}, variance = scatter;
    for (size_t i = 0; i < of->n; i++) {
        double kept = i == 0 || !(memory > 0) ? 0 : exp(-(of->t[i] - of->t[i - 1]) / memory);
        double row[COLUMNS];
        if (i > 0)
            variance = kept * kept * variance + scatter * (1 - kept * kept);
        double total = variance + of->u[i] * of->u[i], gain = variance / total;
        for (size_t c = 0; c <= of->columns; c++) {
            double seen = c < of->columns ? of->design[i * of->columns + c] : of->y[i];
            state[c] *= kept;
            double innovation = seen - state[c];
            state[c] += gain * innovation;
            row[c] = innovation / sqrt(total);
        }
        variance *= 1 - gain;
        products.log_determinant += log(total);
        for (size_t a = 0; a <= of->columns; a++)
            for (size_t b = 0; b <= a; b++)
                products.sum[a][b] += row[a] * row[b];
    }
    return products;
}

/* Solution at one grid point. */
struct solution {
    double log_weight, squares;
    double value[SERIAL_COMBINATIONS], u[SERIAL_COMBINATIONS]; /* of each combination */
};

/* Cholesky factor of the design's block in place, then the residual sum of squares; false
 * when the columns depend on one another. */
static bool factor(double l[COLUMNS][COLUMNS], size_t columns)
{
    for (size_t j = 0; j <= columns; j++) {
        double diagonal = l[j][j];
        for (size_t k = 0; k < j; k++)
            l[j][j] -= l[j][k] * l[j][k];
        if (j == columns)
            return true; /* l[j][j] is the residual sum of squares */
        if (!(l[j][j] > 1e-10 * diagonal))
            return false;
        l[j][j] = sqrt(l[j][j]);
        for (size_t i = j + 1; i <= columns; i++) {
            for (size_t k = 0; k < j; k++)
                l[i][j] -= l[i][k] * l[j][k];
            l[i][j] /= l[j][j];
        }
    }
    return true;
}

static bool solve(struct solution *solution, const struct series *of, double scatter, double memory,
                  double prior, const double combinations[][SERIAL_COLUMNS], size_t count)
{
    struct products products = whiten(of, scatter, memory);
    double(*l)[COLUMNS] = products.sum, log_design = 0;
    if (!factor(l, of->columns))
        return false;
    for (size_t j = 0; j < of->columns; j++)
        log_design += 2 * log(l[j][j]);
    solution->squares = fmax(l[of->columns][of->columns], 0);
    solution->log_weight =
        log(prior) - 0.5 * (products.log_determinant + log_design + solution->squares);
    for (size_t q = 0; q < count; q++) {
        /* c' b = (L^-1 c)' (L' b), and L' b is the last row. */
        double forward[COLUMNS], value = 0, square = 0;
        for (size_t j = 0; j < of->columns; j++) {
            forward[j] = combinations[q][j];
            for (size_t k = 0; k < j; k++)
                forward[j] -= l[j][k] * forward[k];
            forward[j] /= l[j][j];
            value += forward[j] * l[of->columns][j];
            square += forward[j] * forward[j];
        }
        solution->value[q] = value;
        solution->u[q] = sqrt(square);
    }
    return true;
}

/* The point below which the share p of the mixture lies. */
static double quantile(const struct solution solutions[], const double weight[], size_t grid,
                       size_t q, double p)
{
    double low = INFINITY, high = -INFINITY;
    for (size_t g = 0; g < grid; g++)
        if (weight[g] > 1e-9) {
            low = fmin(low, solutions[g].value[q] - 6 * solutions[g].u[q]);
            high = fmax(high, solutions[g].value[q] + 6 * solutions[g].u[q]);
        }
    for (int step = 0; step < 60 && high > low; step++) {
        double middle = low + (high - low) / 2, below = 0;
        for (size_t g = 0; g < grid; g++)
            if (weight[g] > 1e-9)
                below += weight[g] *
                         gsl_cdf_ugaussian_P((middle - solutions[g].value[q]) / solutions[g].u[q]);
        *(below < p ? &low : &high) = middle;
    }
    return low + (high - low) / 2;
}

static int check(const struct series *of, size_t count, struct rig_err *err)
{
    size_t least = of->columns + 2 > SERIAL_LEAST ? of->columns + 2 : SERIAL_LEAST;
    if (of->columns == 0 || of->columns > SERIAL_COLUMNS || count > SERIAL_COMBINATIONS)
        return rig_fail(err, RIG_EBUG, "%zu columns, %zu combinations", of->columns, count);
    if (of->n < least)
        return rig_fail(err, RIG_EINPUT, "%zu values; a line needs at least %zu", of->n, least);
    for (size_t i = 0; i < of->n; i++) {
        bool finite = isfinite(of->t[i]) && isfinite(of->y[i]);
        for (size_t c = 0; c < of->columns; c++)
            finite &= isfinite(of->design[i * of->columns + c]);
        if (!finite)
            return rig_fail(err, RIG_EINPUT, "value %zu is not finite", i + 1);
        if (!(of->u[i] > 0) || !isfinite(of->u[i]))
            return rig_fail(err, RIG_EINPUT, "the uncertainty of value %zu is not above 0", i + 1);
        if (i > 0 && !(of->t[i] > of->t[i - 1]))
            return rig_fail(err, RIG_EINPUT, "time of value %zu does not lie after the one before",
                            i + 1);
    }
    return RIG_OK;
}

static int usual_step(double *step, const struct series *of, struct rig_err *err)
{
    double *steps = malloc(of->n * sizeof *steps);
    if (!steps)
        return rig_fail_memory(err, "a trend");
    for (size_t i = 1; i < of->n; i++)
        steps[i - 1] = of->t[i] - of->t[i - 1];
    *step = moments_median(steps, of->n - 1);
    free(steps);
    return RIG_OK;
}

/* Averages the grid. solutions[0]: the stated noise alone. */
static void average(struct serial_value values[], size_t count, const struct solution solutions[],
                    size_t grid, double freedom)
{
    double weight[GRID_LIMIT], best = -INFINITY, total = 0;
    for (size_t g = 0; g < grid; g++)
        best = fmax(best, solutions[g].log_weight);
    for (size_t g = 0; g < grid; g++)
        total += weight[g] = exp(solutions[g].log_weight - best);
    for (size_t g = 0; g < grid; g++)
        weight[g] /= total;
    for (size_t q = 0; q < count; q++) {
        double mean = 0;
        for (size_t g = 0; g < grid; g++)
            mean += weight[g] * solutions[g].value[q];
        double low = quantile(solutions, weight, grid, q, 0.025);
        double high = quantile(solutions, weight, grid, q, 0.975);
        double plain = student_coverage(0.95, freedom) * solutions[0].u[q] *
                       sqrt(solutions[0].squares / freedom);
        values[q] = (struct serial_value){.value = mean,
                                          .u = (high - low) / (2 * 1.959964),
                                          .low = low,
                                          .high = high,
                                          .widening = plain > 0 ? (high - low) / (2 * plain) : 1};
    }
}

int serial_regression(struct serial_value values[], const double combinations[][SERIAL_COLUMNS],
                      size_t count, const double t[], const double design[], const double y[],
                      const double u[], size_t n, size_t columns, struct rig_err *err)
{
    const struct series of = {t, design, y, u, n, columns};
    double step, noise = 0;
    int failed = check(&of, count, err);
    if (!failed)
        failed = usual_step(&step, &of, err);
    if (failed)
        return failed;
    struct solution *solutions = calloc(GRID_LIMIT, sizeof *solutions);
    if (!solutions)
        return rig_fail_memory(err, "a trend");
    if (!solve(&solutions[0], &of, 0, 0, none_weight, combinations, count)) {
        free(solutions);
        return rig_fail(err, RIG_EINPUT, "the columns of a trend depend on one another");
    }
    size_t grid = 1, sizes = 1;
    for (size_t i = 0; i < n; i++)
        noise += u[i] * u[i] / (double)n;
    /* Up to ten times what the residuals show; in coarser steps where that is far. */
    double most = fmax(10 * solutions[0].squares / (double)(n - columns), 10), ratio = size_step;
    while (least_size * pow(ratio, SIZES - 1) < most)
        ratio *= 1.2;
    while (sizes < SIZES && least_size * pow(ratio, (double)sizes - 1) < most)
        sizes++;
    for (size_t i = 0; i < sizes; i++)
        for (size_t k = 0; k < MEMORIES; k++)
            grid +=
                solve(&solutions[grid], &of, noise * least_size * pow(ratio, (double)i),
                      k ? -step / log(neighbours[k]) : 0,
                      (1 - none_weight) * memory_weight[k] / (double)sizes, combinations, count);
    average(values, count, solutions, grid, (double)(n - columns));
    free(solutions);
    return RIG_OK;
}
