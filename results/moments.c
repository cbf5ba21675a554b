/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "results/moments.h"

#include <gsl/gsl_cdf.h>
#include <math.h>
#include <stdlib.h>

struct moments moments_of(const double y[], size_t n)
{
    struct moments result = {n, NAN, NAN, NAN, NAN};
    if (n == 0)
        return result;
    long double sum = 0, rest = 0, squares = 0, products = 0;
    for (size_t i = 0; i < n; i++)
        sum += y[i];
    long double mean = sum / (long double)n;
    for (size_t i = 0; i < n; i++)
        rest += y[i] - mean;
    mean += rest / (long double)n;
    if (!isfinite(mean))
        return result;
    for (size_t i = 0; i < n; i++) {
        long double off = y[i] - mean;
        squares += off * off;
        if (i > 0)
            products += off * (y[i - 1] - mean);
    }
    result.mean = (double)mean;
    if (n > 1) {
        result.sd = (double)sqrtl(squares / (long double)(n - 1));
        result.standard_error = result.sd / sqrt((double)n);
        if (squares > 0)
            result.autocorrelation = (double)(products / squares);
    }
    return result;
}

double moments_select(double values[], size_t n, size_t k)
{
    if (n == 0 || k >= n)
        return NAN;
    size_t low = 0, high = n - 1;
    while (low < high) {
        size_t middle = low + (high - low) / 2;
        double pivot = values[middle];
        /* Hoare's partition: [low..j] <= pivot <= [j+1..high], low <= j < high. */
        size_t i = low, j = high;
        for (;; i++, j--) {
            while (values[i] < pivot)
                i++;
            while (values[j] > pivot)
                j--;
            if (i >= j)
                break;
            double swapped = values[i];
            values[i] = values[j];
            values[j] = swapped;
        }
        if (k <= j)
            high = j;
        else
            low = j + 1;
    }
    return values[k];
}

double moments_median(double values[], size_t n)
{
    if (n == 0)
        return NAN;
    double upper = moments_select(values, n, n / 2);
    if (n % 2)
        return upper;
    return 0.5 * (moments_select(values, n, n / 2 - 1) + upper);
}

int oneway_of(struct oneway *result, const double y[], const size_t group[], size_t n,
              size_t groups, struct rig_err *err)
{
    struct oneway made = {.n = n};
    long double *sums = calloc(groups ? groups : 1, sizeof *sums);
    size_t *counts = calloc(groups ? groups : 1, sizeof *counts);
    if (!sums || !counts) {
        free(sums);
        free(counts);
        return rig_fail_memory(err, "comparing groups");
    }
    int failed = RIG_OK;
    long double all = 0, count_squares = 0, between = 0, within = 0;
    for (size_t i = 0; i < n && !failed; i++) {
        if (group[i] >= groups || !isfinite(y[i])) {
            failed = rig_fail(err, RIG_EINPUT, "value %zu is not finite or in no group", i + 1);
            break;
        }
        sums[group[i]] += y[i];
        counts[group[i]]++;
        all += y[i];
    }
    for (size_t g = 0; g < groups; g++)
        if (counts[g]) {
            made.groups++;
            count_squares += (long double)counts[g] * counts[g];
        }
    if (!failed && made.groups < 2)
        failed = rig_fail(err, RIG_EINPUT, "only %zu group; a comparison needs at least two",
                          made.groups);
    if (!failed && n <= made.groups)
        failed = rig_fail(err, RIG_EINPUT,
                          "every group has one value; the spread within a group needs two");
    if (!failed) {
        long double mean = all / (long double)n;
        for (size_t g = 0; g < groups; g++)
            if (counts[g]) {
                long double off = sums[g] / (long double)counts[g] - mean;
                between += (long double)counts[g] * off * off;
            }
        for (size_t i = 0; i < n; i++) {
            long double off = y[i] - sums[group[i]] / (long double)counts[group[i]];
            within += off * off;
        }
        made.mean = (double)mean;
        made.between_squares = (double)between;
        made.within_squares = (double)within;
        made.between_dof = (double)(made.groups - 1);
        made.within_dof = (double)(n - made.groups);
        made.between_mean_square = made.between_squares / made.between_dof;
        made.within_mean_square = made.within_squares / made.within_dof;
        made.within_sd = sqrt(made.within_mean_square);
        made.n0 = (double)(((long double)n - count_squares / (long double)n) /
                           (long double)(made.groups - 1));
        made.between_variance_raw = (made.between_mean_square - made.within_mean_square) / made.n0;
        made.between_variance = fmax(made.between_variance_raw, 0);
        if (made.within_mean_square > 0) {
            made.f = made.between_mean_square / made.within_mean_square;
            made.p = gsl_cdf_fdist_Q(made.f, made.between_dof, made.within_dof);
        } else {
            made.f = made.p = NAN;
        }
        *result = made;
    }
    free(sums);
    free(counts);
    return failed;
}
