/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "results/spline.h"

#include <math.h>
#include <string.h>

static double sign_of(double value)
{
    return (value > 0) - (value < 0);
}

/* Secant of interval i. */
static double secant(const struct spline *spline, size_t i)
{
    return (spline->y[i + 1] - spline->y[i]) / (spline->x[i + 1] - spline->x[i]);
}

/* Slope at knot i: that of the parabola through it and its neighbours, limited so that the
 * cubic stays monotone (Steffen 1990, equations 8 and 11; ends 24 to 27). */
static double slope_at(const struct spline *spline, size_t i)
{
    size_t last = spline->knots - 1;
    if (i == 0 || i == last) {
        size_t near = i == 0 ? 0 : last - 1, far = i == 0 ? 1 : last - 2;
        double h_near = spline->x[near + 1] - spline->x[near];
        double h_far = spline->x[far + 1] - spline->x[far];
        double s_near = secant(spline, near), s_far = secant(spline, far);
        double share = h_near / (h_near + h_far);
        double p = s_near * (1 + share) - s_far * share;
        if (p * s_near <= 0)
            return 0;
        return fabs(p) > 2 * fabs(s_near) ? 2 * s_near : p;
    }
    double before = spline->x[i] - spline->x[i - 1], after = spline->x[i + 1] - spline->x[i];
    double s_before = secant(spline, i - 1), s_after = secant(spline, i);
    double p = (s_before * after + s_after * before) / (before + after);
    return (sign_of(s_before) + sign_of(s_after)) *
           fmin(fmin(fabs(s_before), fabs(s_after)), 0.5 * fabs(p));
}

static size_t interval_of(const struct spline *spline, double x)
{
    size_t low = 0, high = spline->knots - 1;
    while (high - low > 1) {
        size_t middle = (low + high) / 2;
        if (x < spline->x[middle])
            high = middle;
        else
            low = middle;
    }
    return low;
}

static double evaluate(const struct spline *spline, double x, bool slope)
{
    size_t last = spline->knots - 1;
    if (x < spline->x[0] || x > spline->x[last]) {
        size_t end = x < spline->x[0] ? 0 : last;
        double tangent = slope_at(spline, end);
        return slope ? tangent : spline->y[end] + tangent * (x - spline->x[end]);
    }
    size_t i = interval_of(spline, x);
    double h = spline->x[i + 1] - spline->x[i], s = secant(spline, i);
    double u = (x - spline->x[i]) / h; /* 0 to 1: h squared might vanish */
    double left = slope_at(spline, i), right = slope_at(spline, i + 1);
    double a = left + right - 2 * s, b = 3 * s - 2 * left - right;
    if (slope)
        return left + u * (2 * b + u * 3 * a);
    return spline->y[i] + h * u * (left + u * (b + u * a));
}

double spline_value(const struct spline *spline, double x)
{
    return evaluate(spline, x, false);
}

double spline_slope(const struct spline *spline, double x)
{
    return evaluate(spline, x, true);
}

void spline_gradient(const struct spline *spline, double x, double gradient[])
{
    /* The value is linear in the knots but for the limiter's corners. Central
     * differences with a step far above rounding and far below the reading's span. */
    double low = INFINITY, high = -INFINITY, largest = 0;
    for (size_t k = 0; k < spline->knots; k++) {
        low = fmin(low, spline->y[k]);
        high = fmax(high, spline->y[k]);
        largest = fmax(largest, fabs(spline->y[k]));
    }
    double step = fmax(1e-6 * (high - low), 1e-9 * largest);
    if (!(step > 0))
        step = 1e-9;
    /* Only the knots that shape the interval's two end slopes matter. */
    struct spline moved = *spline;
    size_t interval = interval_of(spline, x);
    for (size_t k = 0; k < spline->knots; k++) {
        gradient[k] = 0;
        if (k + 1 < interval || k > interval + 2)
            continue;
        moved.y[k] = spline->y[k] + step;
        double above = spline_value(&moved, x);
        moved.y[k] = spline->y[k] - step;
        double below = spline_value(&moved, x);
        moved.y[k] = spline->y[k];
        gradient[k] = (above - below) / (2 * step);
    }
}

double spline_value_u(const struct spline *spline, double x)
{
    double gradient[SPLINE_KNOTS], variance = 0;
    spline_gradient(spline, x, gradient);
    for (size_t i = 0; i < spline->knots; i++)
        for (size_t j = 0; j < spline->knots; j++)
            variance += gradient[i] * spline->covariance[i][j] * gradient[j];
    return sqrt(variance < 0 ? 0 : variance);
}

size_t spline_different(const double x[], size_t n)
{
    size_t different = n > 0;
    for (size_t i = 1, last = 0; i < n; i++)
        if (x[i] - x[last] > SPLINE_SAME * (x[n - 1] - x[0])) {
            different++;
            last = i;
        }
    return different;
}

int spline_place_knots(struct spline *spline, const double x[], size_t n, size_t knots,
                       struct rig_err *err)
{
    if (knots < 3 || knots > SPLINE_KNOTS)
        return rig_fail(err, RIG_EINPUT, "%zu knots; a spline takes 3 to %d", knots, SPLINE_KNOTS);
    size_t different = spline_different(x, n);
    if (different < knots)
        return rig_fail(err, RIG_EINPUT, "%zu different depths can't carry %zu knots", different,
                        knots);
    memset(spline, 0, sizeof *spline);
    spline->knots = knots;
    double same = SPLINE_SAME * (x[n - 1] - x[0]), last = x[0];
    size_t seen = 0, k = 0;
    for (size_t i = 0; i < n && k < knots; i++) {
        if (i > 0 && x[i] - last <= same)
            continue;
        last = x[i];
        /* Knot k is the different depth nearest to its share. */
        size_t wanted = (size_t)lround((double)k * (double)(different - 1) / (double)(knots - 1));
        if (seen++ == wanted)
            spline->x[k++] = x[i];
    }
    /* Depths as good as equal to the last knot's lie just beyond it: they decide. */
    spline->x[knots - 1] = x[n - 1];
    return RIG_OK;
}

/* One linearised fit about the present knots. */
static int step_once(const struct spline *spline, struct lsq_fit *fit, const double x[],
                     const double y[], const double u[], size_t n, struct rig_err *err)
{
    struct lsq sums;
    int failed = lsq_start(&sums, spline->knots, err);
    if (failed)
        return failed;
    for (size_t i = 0; i < n; i++) {
        double gradient[SPLINE_KNOTS], target = y[i] - spline_value(spline, x[i]);
        spline_gradient(spline, x[i], gradient);
        for (size_t k = 0; k < spline->knots; k++)
            target += gradient[k] * spline->y[k];
        lsq_add(&sums, gradient, target, u ? u[i] : 1);
    }
    return lsq_solve(fit, &sums, u ? LSQ_FROM_STATED : LSQ_FROM_RESIDUALS, err);
}

static double misfit(const struct spline *spline, const double x[], const double y[],
                     const double u[], size_t n)
{
    double sum = 0;
    for (size_t i = 0; i < n; i++) {
        double off = (y[i] - spline_value(spline, x[i])) / (u ? u[i] : 1);
        sum += off * off;
    }
    return sum;
}

/* Isotonic regression: neighbours out of order take their weighted mean. */
static void level_knots(struct spline *spline)
{
    double mean[SPLINE_KNOTS], weight[SPLINE_KNOTS];
    size_t size[SPLINE_KNOTS], blocks = 0;
    double trend = sign_of(spline->y[spline->knots - 1] - spline->y[0]);
    for (size_t k = 0; k < spline->knots; k++) {
        double variance = spline->covariance[k][k];
        mean[blocks] = spline->y[k];
        weight[blocks] = variance > 0 ? 1 / variance : 1;
        size[blocks++] = 1;
        while (blocks > 1 && trend * (mean[blocks - 1] - mean[blocks - 2]) < 0) {
            double together = weight[blocks - 2] + weight[blocks - 1];
            mean[blocks - 2] =
                (weight[blocks - 2] * mean[blocks - 2] + weight[blocks - 1] * mean[blocks - 1]) /
                together;
            weight[blocks - 2] = together;
            size[blocks - 2] += size[blocks - 1];
            blocks--;
            spline->flattened = true;
        }
    }
    for (size_t block = 0, k = 0; block < blocks; block++)
        for (size_t i = 0; i < size[block]; i++)
            spline->y[k++] = mean[block];
}

int spline_fit(struct spline *spline, struct lsq_fit *fit, const double x[], const double y[],
               const double u[], size_t n, struct rig_err *err)
{
    enum { most_steps = 40 };
    struct spline made = *spline;
    struct lsq_fit own;
    memset(&own, 0, sizeof own);
    made.flattened = false;
    /* A first guess must rise and fall with the data, or the limiter hides every
     * knot's effect: a straight line between the outer readings. */
    double first = 0, last = 0;
    size_t at_first = 0, at_last = 0;
    for (size_t i = 0; i < n; i++) {
        if (x[i] == made.x[0]) {
            first += y[i];
            at_first++;
        }
        if (x[i] == made.x[made.knots - 1]) {
            last += y[i];
            at_last++;
        }
    }
    if (at_first == 0 || at_last == 0)
        return rig_fail(err, RIG_EBUG, "the outer knots are not among the points");
    first /= (double)at_first;
    last /= (double)at_last;
    double length = made.x[made.knots - 1] - made.x[0];
    for (size_t k = 0; k < made.knots; k++)
        made.y[k] = first + (last - first) * (made.x[k] - made.x[0]) / length;
    double squares = misfit(&made, x, y, u, n);
    for (int step = 0; step < most_steps; step++) {
        int failed = step_once(&made, &own, x, y, u, n, err);
        if (failed)
            return failed;
        struct spline next = made;
        double share = 1, better;
        do { /* the limiter has corners: a whole step may go too far */
            for (size_t k = 0; k < made.knots; k++)
                next.y[k] = made.y[k] + share * (own.parameter[k] - made.y[k]);
            better = misfit(&next, x, y, u, n);
            share /= 2;
        } while (!(better <= squares) && share > 1e-4);
        if (!(better <= squares))
            break;
        bool settled = squares - better <= 1e-13 * squares;
        memcpy(made.y, next.y, sizeof made.y);
        squares = better;
        if (settled)
            break;
    }
    for (size_t i = 0; i < made.knots; i++)
        for (size_t j = 0; j < made.knots; j++)
            made.covariance[i][j] = own.covariance[i][j];
    level_knots(&made);
    own.chi_squared = misfit(&made, x, y, u, n);
    own.residual_sd =
        own.degrees_of_freedom > 0 ? sqrt(own.chi_squared / own.degrees_of_freedom) : NAN;
    *spline = made;
    if (fit)
        *fit = own;
    return RIG_OK;
}
