/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "results/frequency.h"

#include "results/nonlinear.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <gsl/gsl_cdf.h>

enum { LOG_GAIN, DEAD, LOG_TAU };
static const double two_pi = 6.283185307179586477;
static const double misfit_p = 0.01;
/* Phase lags below this count as low: what is left of atan(x)/x after the term in x^2 is
 * then below 1.3 %. */
static const double low_phase_rad = 0.5;

struct point {
    double w, log_gain, log_gain_u, phase, phase_u;
    size_t index;
};

struct job {
    struct point *points; /* by frequency */
    size_t n;
    bool no_tau;
};

static int residuals(void *context, const double p[], double residual[])
{
    const struct job *job = context;
    if (!job->no_tau && !(fabs(p[LOG_TAU]) < 40))
        return 1;
    double tau = job->no_tau ? 0 : exp(p[LOG_TAU]);
    for (size_t i = 0; i < job->n; i++) {
        const struct point *point = &job->points[i];
        double x = point->w * tau;
        residual[2 * i] = (p[LOG_GAIN] - log1p(x * x) / 2 - point->log_gain) / point->log_gain_u;
        residual[2 * i + 1] = (-point->w * p[DEAD] - atan(x) - point->phase) / point->phase_u;
    }
    return 0;
}

static int by_frequency(const void *a, const void *b)
{
    const struct point *x = a, *y = b;
    if (x->w != y->w)
        return x->w > y->w ? 1 : -1;
    return (x->index > y->index) - (x->index < y->index);
}

static bool same_frequency(const struct point *a, const struct point *b)
{
    return fabs(a->w - b->w) < 1e-6 * a->w;
}

/* Upwards from the lowest frequency: each phase by the turn that is nearest to where the last
 * two frequencies point. */
static void unwrap(struct point points[], size_t n)
{
    double last_w = 0, last = 0, slope = 0;
    for (size_t i = 0; i < n; i++) {
        struct point *point = &points[i];
        double expected = i == 0 ? 0 : last + slope * (point->w - last_w);
        point->phase = expected + sine_wrap(point->phase - expected);
        if (point->w > last_w * (1 + 1e-6)) {
            slope = (point->phase - last) / (point->w - last_w);
            last_w = point->w;
            last = point->phase;
        }
    }
}

static bool fit_response(struct job *job, struct nonlinear_fit *best)
{
    const struct point *low = &job->points[0];
    double lag = fmax(-low->phase / low->w, 1e-3 / job->points[job->n - 1].w);
    const double shares[] = {0.9, 0.4, 0.1};
    const double typical[] = {1, lag, 1};
    bool found = false;
    job->no_tau = false;
    struct nonlinear_problem problem = {
        .n = 2 * job->n, .p = 3, .residuals = residuals, .context = job, .typical = typical};
    for (size_t i = 0; i < 3; i++) {
        double start[] = {low->log_gain, lag * (1 - shares[i]), log(lag * shares[i])};
        struct nonlinear_fit fit;
        if (nonlinear_minimise(&fit, &problem, start, NULL) || !fit.determined ||
            !(fit.inverse[LOG_TAU][LOG_TAU] < 1))
            continue;
        if (!found || fit.sum_of_squares < best->sum_of_squares)
            *best = fit;
        found = true;
    }
    if (found)
        return true;
    job->no_tau = true;
    problem.p = 2;
    double start[] = {low->log_gain, lag};
    return !nonlinear_minimise(best, &problem, start, NULL) && best->determined;
}

/* The loss (K/gain)^2 of all points at one frequency. */
struct loss {
    double x, value, u; /* x: w^2 */
};

/* Takes the points from *next on that have one frequency. */
static struct loss next_loss(const struct job *job, size_t *next, double log_gain)
{
    const struct point *first = &job->points[*next];
    double sum = 0, weight = 0;
    for (; *next < job->n && same_frequency(first, &job->points[*next]); ++*next) {
        const struct point *point = &job->points[*next];
        double one = 1 / (point->log_gain_u * point->log_gain_u);
        sum += one * point->log_gain;
        weight += one;
    }
    double value = exp(2 * (log_gain - sum / weight));
    return (struct loss){first->w * first->w, value, 2 * value / sqrt(weight)};
}

/* Where the measured gains pass K/sqrt(2), repeats at one frequency taken together. Between two
 * frequencies (K/gain)^2 is drawn as a line in w^2, and (K/gain)^2 - 1 as a power of w: both are
 * right for a first-order lag. Where water drains more slowly than it rises, up to ten times,
 * the truth lies 0.3 to 1.2 of the way from the first to the second, by integration of both lags
 * for frequencies 1.45 to 3.16 apart: the middle is taken, and as much to each side left open. */
static void find_bandwidth(struct frequency_fit *fit, const struct job *job, double log_gain,
                           double log_gain_u)
{
    struct loss last = {.x = NAN}, now = {.x = NAN};
    size_t next = 0;
    fit->bandwidth_seen_hz = ESTIMATE_UNKNOWN;
    fit->bandwidth_drawn_hz = 0;
    while (next < job->n && !(now.value > 2)) {
        last = now;
        now = next_loss(job, &next, log_gain);
    }
    if (!(now.value > 2)) {
        snprintf(fit->bandwidth_reason, sizeof fit->bandwidth_reason,
                 "the gain stays above -3 dB up to the highest frequency, %.3g Hz",
                 sqrt(now.x) / two_pi);
        return;
    }
    if (isnan(last.x)) {
        snprintf(fit->bandwidth_reason, sizeof fit->bandwidth_reason,
                 "the gain is below -3 dB at the lowest frequency, %.3g Hz", sqrt(now.x) / two_pi);
        return;
    }
    double share = (2 - last.value) / (now.value - last.value), open = 0;
    double slope = (now.value - last.value) / (now.x - last.x);
    double line = sqrt(last.x + share * (now.x - last.x)), value = line;
    if (last.value > 1) {
        double power = log((now.value - 1) / (last.value - 1)) / log(now.x / last.x);
        double way = line - sqrt(last.x * pow(last.value - 1, -1 / power));
        value = line - 0.75 * way;
        open = 0.42 * way;
    }
    double spread = hypot(hypot((1 - share) * last.u, share * now.u), 4 * log_gain_u);
    /* The points' own noise: that one time constant does not describe them is no part of it. */
    fit->bandwidth_seen_hz =
        (struct estimate){value / two_pi, spread / slope / (2 * value) / two_pi, INFINITY};
    fit->bandwidth_drawn_hz = fabs(open) / two_pi;
}

/* How many times as far as a line in w^2 says phase/w rises on the way to zero, at least and at
 * most, by the second frequency times the longest lag. Water that rises with one lag and drains
 * with another of one to twenty times that was integrated, frequencies 1.45 to 3.16 apart. */
static bool way_to_zero(double w_lag, double *least, double *most)
{
    double x = w_lag * w_lag;
    *least = 1 + 0.55 * x / (1 + 0.2 * x);
    *most = 1 + w_lag * (0.7 + 0.55 * w_lag);
    return w_lag < 1.6;
}

/* -phase/w against w^2, weighted, to w = 0. */
static void draw_to_zero(struct frequency_fit *fit, const struct job *job, double longest_lag_s,
                         double shared_u)
{
    double s = 0, sx = 0, sxx = 0, sy = 0, sxy = 0, highest = 0;
    double lowest = job->points[0].w * job->points[0].w;
    size_t frequencies = 0;
    for (size_t i = 0; i < job->n && fabs(job->points[0].phase) < low_phase_rad; i++) {
        const struct point *point = &job->points[i];
        double x = point->w * point->w, y = -point->phase / point->w;
        double weight = x / (point->phase_u * point->phase_u);
        frequencies += i == 0 || !same_frequency(point, point - 1);
        if (frequencies > 2)
            break;
        highest = point->w;
        s += weight;
        sx += weight * x;
        sxx += weight * x * x;
        sy += weight * y;
        sxy += weight * x * y;
    }
    fit->low_lag_s = ESTIMATE_UNKNOWN;
    fit->low_lag_drawn_s = NAN;
    double determinant = s * sxx - sx * sx, least, most;
    if (frequencies < 2 || !(determinant > 1e-12 * s * sxx))
        return;
    double line = (sxx * sy - sx * sxy) / determinant, slope = (s * sxy - sx * sy) / determinant;
    if (!(longest_lag_s > 0))
        longest_lag_s = 2 * line;
    if (!way_to_zero(highest * longest_lag_s, &least, &most))
        return;
    double further = ((least + most) / 2 - 1) * lowest;
    double variance = (sxx + further * (2 * sx + further * s)) / determinant;
    fit->low_lag_s =
        (struct estimate){line - further * slope, hypot(sqrt(variance), shared_u), INFINITY};
    fit->low_lag_drawn_s = (most - least) / 2 * lowest * fabs(slope);
}

static void judge(struct frequency_fit *fit, const struct job *job,
                  const struct nonlinear_fit *found, const struct frequency_options *options)
{
    double gain_at_rest = options->gain_at_rest, shared_u = options->common_time_u_s;
    fit->chi_squared = found->sum_of_squares;
    fit->degrees_of_freedom = found->degrees_of_freedom;
    fit->p = fit->degrees_of_freedom > 0
                 ? gsl_cdf_chisq_Q(fit->chi_squared, fit->degrees_of_freedom)
                 : NAN;
    fit->fits = !(fit->p < misfit_p);
    fit->birge = fit->fits ? 1 : sqrt(fit->chi_squared / fit->degrees_of_freedom);
    /* The points' own uncertainties are known: only a widened one has few degrees. */
    double dof = fit->fits ? INFINITY : fit->degrees_of_freedom;
    double gain = exp(found->parameters[LOG_GAIN]), b = fit->birge;
    double log_gain_u = b * sqrt(found->inverse[LOG_GAIN][LOG_GAIN]);
    double tau = job->no_tau ? 0 : exp(found->parameters[LOG_TAU]);
    double dead = found->parameters[DEAD], dead_u = b * sqrt(found->inverse[DEAD][DEAD]);
    double lag_variance = found->inverse[DEAD][DEAD];
    fit->gain = (struct estimate){gain, gain * log_gain_u, dof};
    fit->dead_s = (struct estimate){dead, hypot(dead_u, shared_u), dof};
    if (job->no_tau) {
        fit->tau_s = fit->bandwidth_hz = fit->dead_s = ESTIMATE_UNKNOWN;
        snprintf(fit->note, sizeof fit->note,
                 "the gain does not fall measurably: dead time and time constant can't be told "
                 "apart, only the mean lag is known");
    } else {
        double tau_u = b * tau * sqrt(found->inverse[LOG_TAU][LOG_TAU]);
        fit->tau_s = (struct estimate){tau, tau_u, dof};
        double bandwidth = 1 / (two_pi * tau);
        fit->bandwidth_hz = (struct estimate){bandwidth, bandwidth * tau_u / tau, dof};
        lag_variance +=
            tau * (tau * found->inverse[LOG_TAU][LOG_TAU] + 2 * found->inverse[DEAD][LOG_TAU]);
    }
    fit->mean_lag_s =
        (struct estimate){dead + tau, hypot(b * sqrt(fmax(lag_variance, 0)), shared_u), dof};
    if (!fit->fits)
        snprintf(fit->note, sizeof fit->note,
                 "dead time and one time constant do not fit the points (chi-squared %.3g for "
                 "%.0f, p = %.2g); uncertainties are widened %.2g times",
                 fit->chi_squared, fit->degrees_of_freedom, fit->p, fit->birge);
    if (gain_at_rest > 0)
        find_bandwidth(fit, job, log(gain_at_rest), 0);
    else
        find_bandwidth(fit, job, found->parameters[LOG_GAIN], log_gain_u / b);
    draw_to_zero(fit, job, options->longest_lag_s, shared_u);
}

int frequency_estimate(struct frequency_fit *fit, const struct sine_ratio ratios[], size_t n,
                       const struct frequency_options *options, double unwrapped_rad[],
                       struct rig_err *err)
{
    static const struct frequency_options usual = {0};
    if (!options)
        options = &usual;
    struct job job = {calloc(n ? n : 1, sizeof *job.points), 0, false};
    if (!job.points)
        return rig_fail_memory(err, "a frequency response");
    int code = 0;
    struct frequency_fit found = {0};
    for (size_t i = 0; i < n; i++) {
        const struct sine_ratio *r = &ratios[i];
        if (!(r->frequency_hz > 0) || !(r->gain > 0) || !(r->gain_u > 0) || !(r->phase_u > 0) ||
            !isfinite(r->frequency_hz + r->gain + r->gain_u + r->phase_rad + r->phase_u)) {
            code = rig_fail(err, RIG_EINPUT,
                            "frequency %zu has no finite gain and phase with uncertainties", i);
            goto done;
        }
        if (options->sample_interval_s > 0 && r->frequency_hz * options->sample_interval_s > 0.25) {
            found.left_out++;
            continue;
        }
        job.points[job.n++] = (struct point){two_pi * r->frequency_hz,
                                             log(r->gain),
                                             r->gain_u / r->gain,
                                             r->phase_rad,
                                             r->phase_u,
                                             i};
    }
    qsort(job.points, job.n, sizeof *job.points, by_frequency);
    if (job.n < 2 || same_frequency(&job.points[0], &job.points[job.n - 1])) {
        code = rig_fail(err, RIG_EUNKNOWABLE,
                        "%s frequency that the readings can follow%s: two tell dead time from "
                        "time constant, and three test it",
                        job.n ? "only one" : "no",
                        found.left_out ? " (others are above a quarter of the sampling rate)" : "");
        goto done;
    }
    unwrap(job.points, job.n);
    struct nonlinear_fit best;
    if (!fit_response(&job, &best)) {
        code = rig_fail(err, RIG_EUNKNOWABLE, "no dead time and time constant fit the frequencies");
        goto done;
    }
    found.points = job.n;
    judge(&found, &job, &best, options);
    if (found.left_out && !*found.note)
        snprintf(found.note, sizeof found.note,
                 "%zu left out: above a quarter of the sampling rate of %.4g Hz", found.left_out,
                 1 / options->sample_interval_s);
    if (unwrapped_rad) {
        for (size_t i = 0; i < n; i++)
            unwrapped_rad[i] = NAN;
        for (size_t i = 0; i < job.n; i++)
            unwrapped_rad[job.points[i].index] = job.points[i].phase;
    }
    *fit = found;
done:
    free(job.points);
    return code;
}
