/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "results/trend.h"

#include "results/moments.h"
#include "results/student.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static int ascending(const void *a, const void *b)
{
    double left = *(const double *)a, right = *(const double *)b;
    return left < right ? -1 : left > right;
}

/* Sum of t (t - 1) (2 t + 5) over runs of t equal values; reorders. */
static double tie_sum(double values[], size_t n)
{
    double sum = 0;
    qsort(values, n, sizeof *values, ascending);
    for (size_t i = 0, next; i < n; i = next) {
        for (next = i + 1; next < n && values[next] == values[i];)
            next++;
        double t = (double)(next - i);
        sum += t * (t - 1) * (2 * t + 5);
    }
    return sum;
}

static int check_series(const double x[], const double y[], size_t n, struct rig_err *err)
{
    if (n < 3)
        return rig_fail(err, RIG_EINPUT, "%zu values; a trend needs at least 3", n);
    if (n > TREND_LIMIT)
        return rig_fail(err, RIG_EINPUT, "%zu values; a trend takes at most %d", n, TREND_LIMIT);
    for (size_t i = 0; i < n; i++)
        if (!isfinite(y[i]) || (x && !isfinite(x[i])))
            return rig_fail(err, RIG_EINPUT, "value %zu is not finite", i + 1);
    return RIG_OK;
}

int mann_kendall_of(struct mann_kendall *result, const double x[], const double y[], size_t n,
                    struct rig_err *err)
{
    int failed = check_series(x, y, n, err);
    if (failed)
        return failed;
    double *sorted = malloc(n * sizeof *sorted);
    if (!sorted)
        return rig_fail_memory(err, "testing for a trend");
    struct mann_kendall made = {0};
    for (size_t i = 0; i < n; i++)
        for (size_t j = i + 1; j < n; j++) {
            int turned = x ? (x[j] > x[i]) - (x[j] < x[i]) : 1;
            made.s += turned * ((y[j] > y[i]) - (y[j] < y[i]));
        }
    double count = (double)n;
    memcpy(sorted, y, n * sizeof *sorted);
    made.variance = (count * (count - 1) * (2 * count + 5) - tie_sum(sorted, n)) / 18;
    free(sorted);
    double nearer = made.s > 0 ? made.s - 1 : made.s < 0 ? made.s + 1 : 0;
    made.z = made.variance > 0 ? nearer / sqrt(made.variance) : 0;
    made.p = made.variance > 0 ? student_p_two_sided(made.z, INFINITY) : 1;
    *result = made;
    return RIG_OK;
}

int theil_sen_of(struct theil_sen *result, const double x[], const double y[], size_t n,
                 double share, struct rig_err *err)
{
    struct theil_sen made = {0};
    int failed = mann_kendall_of(&made.test, x, y, n, err);
    if (failed)
        return failed;
    double *slopes = malloc(n * (n - 1) / 2 * sizeof *slopes);
    double *work = malloc(n * sizeof *work);
    if (!slopes || !work) {
        free(slopes);
        free(work);
        return rig_fail_memory(err, "finding a trend");
    }
    for (size_t i = 0; i < n; i++)
        for (size_t j = i + 1; j < n; j++)
            if (x[j] != x[i]) {
                double slope = (y[j] - y[i]) / (x[j] - x[i]);
                slopes[made.slopes++] = slope;
            }
    if (made.slopes == 0)
        failed = rig_fail(err, RIG_EINPUT, "all times are equal; a trend needs two");
    if (!failed) {
        made.slope = moments_median(slopes, made.slopes);
        double half = student_coverage(share, INFINITY) * sqrt(made.test.variance);
        double count = (double)made.slopes;
        double first = floor((count - half) / 2), last = ceil((count + half) / 2) + 1;
        made.low = first >= 1 ? moments_select(slopes, made.slopes, (size_t)first - 1) : -INFINITY;
        made.high =
            last <= count ? moments_select(slopes, made.slopes, (size_t)last - 1) : INFINITY;
        for (size_t i = 0; i < n; i++)
            work[i] = y[i] - made.slope * x[i];
        made.intercept = moments_median(work, n);
        memcpy(work, y, n * sizeof *work);
        made.intercept_separate = moments_median(work, n);
        memcpy(work, x, n * sizeof *work);
        made.intercept_separate -= made.slope * moments_median(work, n);
        *result = made;
    }
    free(slopes);
    free(work);
    return failed;
}
