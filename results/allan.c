/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "results/allan.h"

#include "results/moments.h"

#include <math.h>
#include <stdlib.h>

const char *allan_name(enum allan_kind kind)
{
    static const char *const names[] = {
#define X(of, name, what) name,
        ALLAN_KINDS(X)
#undef X
    };
    return kind >= 0 && kind < ALLAN_KIND_COUNT ? names[kind] : "?";
}

/* x[n + 1]: running sums of y about its mean, in units of y tau0. A straight line
 * taken away changes no second difference and keeps the sums small. */
static long double *phases_of(const double y[], size_t n, struct rig_err *err)
{
    double mean = moments_of(y, n).mean;
    if (!isfinite(mean)) {
        rig_fail(err, RIG_EINPUT, "a value of the series is not finite");
        return NULL;
    }
    long double *x = malloc((n + 1) * sizeof *x);
    if (!x) {
        rig_fail_memory(err, "computing an Allan deviation");
        return NULL;
    }
    x[0] = 0;
    for (size_t i = 0; i < n; i++)
        x[i + 1] = x[i] + ((long double)y[i] - mean);
    return x;
}

/* Mean square of second (order 2) or third (order 3) differences over m, from every
 * `stride`-th start. */
static long double differences(const long double x[], size_t points, size_t m, size_t order,
                               size_t stride, size_t *count)
{
    long double sum = 0;
    *count = 0;
    for (size_t i = 0; i + order * m < points; i += stride) {
        long double d = order == 2 ? x[i + 2 * m] - 2 * x[i + m] + x[i]
                                   : x[i + 3 * m] - 3 * x[i + 2 * m] + 3 * x[i + m] - x[i];
        sum += d * d;
        ++*count;
    }
    return *count ? sum / (long double)*count : 0;
}

/* Mean square of second differences of averages of x over m (modified Allan). */
static long double modified(const long double x[], size_t points, size_t m, size_t *count)
{
    long double sum = 0, window = 0;
    *count = 0;
    if (points < 3 * m)
        return 0;
    for (size_t i = 0; i < m; i++)
        window += x[i + 2 * m] - 2 * x[i + m] + x[i];
    for (size_t j = 0;; j++) {
        sum += window * window;
        ++*count;
        if (j + 3 * m >= points)
            break;
        window += x[j + 3 * m] - 3 * x[j + 2 * m] + 3 * x[j + m] - x[j];
    }
    return sum / ((long double)*count * m * m);
}

/* x continued beyond both ends by reflection in the end points. */
static long double reflected(const long double x[], size_t points, ptrdiff_t at)
{
    ptrdiff_t last = (ptrdiff_t)points - 1;
    if (at < 0)
        return 2 * x[0] - x[-at];
    if (at > last)
        return 2 * x[last] - x[2 * last - at];
    return x[at];
}

static long double total(const long double x[], size_t points, size_t m, size_t *count)
{
    long double sum = 0;
    *count = 0;
    if (m > points - 1)
        return 0;
    for (size_t i = 1; i + 1 < points; i++) {
        ptrdiff_t at = (ptrdiff_t)i, step = (ptrdiff_t)m;
        long double d =
            reflected(x, points, at - step) - 2 * x[i] + reflected(x, points, at + step);
        sum += d * d;
        ++*count;
    }
    return *count ? sum / (long double)*count : 0;
}

int allan_deviation(double *deviation, size_t *count, enum allan_kind kind, const double y[],
                    size_t n, size_t m, double tau0_s, struct rig_err *err)
{
    if (m == 0 || !(tau0_s > 0))
        return rig_fail(err, RIG_EINPUT, "an averaging time of 0");
    if (m > n || n < 2)
        return rig_fail(err, RIG_EINPUT, "%zu values are too few for averages over %zu", n, m);
    long double *x = phases_of(y, n, err);
    if (!x)
        return err && err->code == RIG_EMEMORY ? RIG_EMEMORY : RIG_EINPUT;
    size_t points = n + 1, terms = 0;
    long double mean = 0, divisor = 2;
    switch (kind) {
    case ALLAN_ADEV:
        mean = differences(x, points, m, 2, m, &terms);
        break;
    case ALLAN_OADEV:
        mean = differences(x, points, m, 2, 1, &terms);
        break;
    case ALLAN_HDEV:
        mean = differences(x, points, m, 3, m, &terms);
        divisor = 6;
        break;
    case ALLAN_OHDEV:
        mean = differences(x, points, m, 3, 1, &terms);
        divisor = 6;
        break;
    case ALLAN_MDEV:
    case ALLAN_TDEV:
        mean = modified(x, points, m, &terms);
        break;
    case ALLAN_TOTDEV:
        mean = total(x, points, m, &terms);
        break;
    case ALLAN_KIND_COUNT:
        break;
    }
    free(x);
    if (terms == 0)
        return rig_fail(err, RIG_EINPUT, "%zu values are too few for %s over averages of %zu", n,
                        allan_name(kind), m);
    double made = (double)(sqrtl(mean / divisor) / (long double)m);
    if (kind == ALLAN_TDEV)
        made *= (double)m * tau0_s / sqrt(3);
    *deviation = made;
    if (count)
        *count = terms;
    return RIG_OK;
}

int allan_sample_sd(double *sd, const double y[], size_t n, size_t m, struct rig_err *err)
{
    size_t averages = m ? n / m : 0;
    if (averages < 2)
        return rig_fail(err, RIG_EINPUT, "%zu values are too few for averages over %zu", n, m);
    double *means = malloc(averages * sizeof *means);
    if (!means)
        return rig_fail_memory(err, "averaging a series");
    for (size_t i = 0; i < averages; i++)
        means[i] = moments_of(y + i * m, m).mean;
    *sd = moments_of(means, averages).sd;
    free(means);
    return isfinite(*sd) ? RIG_OK
                         : rig_fail(err, RIG_EINPUT, "a value of the series is not finite");
}
