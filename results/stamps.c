/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "results/stamps.h"

#include <math.h>

void stamps_begin(struct stamps *stamps, bool clocked, double span_s)
{
    *stamps = (struct stamps){.clocked = clocked,
                              .width_s = fmax(span_s, 1) / STAMP_STRETCHES,
                              .first_s = NAN,
                              .last_s = NAN};
}

/* The stretch of a time; its edges are the same whichever row asks. */
static size_t stretch_at(const struct stamps *stamps, double t_s)
{
    double at = floor(fmin(fmax(t_s / stamps->width_s, 0), STAMP_STRETCHES - 1));
    while (at > 0 && t_s < at * stamps->width_s)
        at--;
    while (at < STAMP_STRETCHES - 1 && t_s >= (at + 1) * stamps->width_s)
        at++;
    return (size_t)at;
}

static void add(struct stamp_stretch *stretch, const struct stamp_stretch *more)
{
    stretch->low = stretch->rows ? fmin(stretch->low, more->low) : more->low;
    stretch->high = stretch->rows ? fmax(stretch->high, more->high) : more->high;
    stretch->sum += more->sum;
    stretch->rows += more->rows;
}

/* Takes rows from the first one on, as many as are of its stretch and have a value; how many. The
 * first is known to be good. */
static size_t take_run(struct stamps *stamps, const double host_s[], const double device_s[],
                       size_t rows)
{
    size_t at = stretch_at(stamps, host_s[0]), n = 0;
    double from_s = at > 0 ? (double)at * stamps->width_s : -INFINITY;
    double to_s = at < STAMP_STRETCHES - 1 ? (double)(at + 1) * stamps->width_s : INFINITY;
    double last_s = stamps->last_s;
    struct stamp_stretch run = {0, 0, INFINITY, -INFINITY};
    for (; n < rows && host_s[n] >= from_s && host_s[n] < to_s; n++) {
        double value = host_s[n] - (device_s ? device_s[n] : last_s);
        if (!isfinite(value))
            break;
        last_s = host_s[n];
        run.low = value < run.low ? value : run.low;
        run.high = value > run.high ? value : run.high;
        run.sum += value;
    }
    run.rows = n;
    if (n)
        add(&stamps->stretches[at], &run);
    stamps->last_s = last_s;
    return n;
}

void stamps_add(struct stamps *stamps, const double host_s[], const double device_s[], size_t rows)
{
    const double *clock = stamps->clocked ? device_s : NULL;
    for (size_t r = 0; r < rows;) {
        double t_s = host_s[r];
        if (isfinite(t_s) && isnan(stamps->first_s))
            stamps->first_s = t_s;
        if (isfinite(t_s) && isfinite(clock ? clock[r] : stamps->last_s)) {
            r += take_run(stamps, host_s + r, clock ? clock + r : NULL, rows - r);
            continue;
        }
        if (isfinite(t_s))
            stamps->last_s = t_s;
        r++;
    }
}

void stamps_merge(struct stamps *stamps, struct stamps *next)
{
    if (isnan(next->first_s))
        return;
    for (size_t i = 0; i < STAMP_STRETCHES; i++) {
        struct stamp_stretch *into = &stamps->stretches[i], *from = &next->stretches[i];
        if (!from->rows)
            continue;
        add(into, from);
        *from = (struct stamp_stretch){0};
    }
    if (!stamps->clocked && !isnan(stamps->last_s)) {
        double apart_s = next->first_s - stamps->last_s;
        const struct stamp_stretch seam = {1, apart_s, apart_s, apart_s};
        add(&stamps->stretches[stretch_at(stamps, next->first_s)], &seam);
    }
    if (isnan(stamps->first_s))
        stamps->first_s = next->first_s;
    stamps->last_s = next->last_s;
    next->first_s = next->last_s = NAN;
}

/* The edge of the lower hull of (t, low) that spans the middle of the time. */
static void lower_edge(const double t[], const double low[], size_t n, double *at, double *slope)
{
    size_t hull[STAMP_STRETCHES], count = 0;
    for (size_t i = 0; i < n; i++) {
        while (count > 1) {
            size_t a = hull[count - 2], b = hull[count - 1];
            if ((low[b] - low[a]) * (t[i] - t[a]) < (low[i] - low[a]) * (t[b] - t[a]))
                break;
            count--;
        }
        hull[count++] = i;
    }
    double middle = (t[0] + t[n - 1]) / 2;
    size_t edge = 0;
    while (edge + 2 < count && t[hull[edge + 1]] < middle)
        edge++;
    size_t a = hull[edge], b = hull[edge + 1];
    *slope = (low[b] - low[a]) / (t[b] - t[a]);
    *at = low[a] - *slope * t[a];
}

int stamps_quality(struct stamp_quality *quality, const struct stamps *stamps, struct rig_err *err)
{
    double low[STAMP_STRETCHES], rows = 0, sum = 0, at = 0, slope = 0;
    size_t n = 0;
    *quality = (struct stamp_quality){.skew_ppm = NAN};
    for (size_t i = 0; i < STAMP_STRETCHES; i++) {
        const struct stamp_stretch *stretch = &stamps->stretches[i];
        if (!stretch->rows)
            continue;
        quality->t_s[n] = ((double)i + 0.5) * stamps->width_s;
        quality->mean_s[n] = stretch->sum / (double)stretch->rows;
        quality->worst_s[n] = stretch->high;
        low[n++] = stretch->low;
    }
    if (n < 3)
        return rig_fail(err, RIG_EUNKNOWABLE, "too few rows to judge their stamps");
    if (stamps->clocked) {
        lower_edge(quality->t_s, low, n, &at, &slope);
        quality->skew_ppm = 1e6 * slope;
    }
    for (size_t i = 0, k = 0; i < STAMP_STRETCHES; i++) {
        if (!stamps->stretches[i].rows)
            continue;
        double quickest = stamps->clocked ? at + slope * quality->t_s[k] : 0;
        quality->mean_s[k] -= quickest;
        quality->worst_s[k] -= quickest;
        if (stamps->clocked && fabs(quality->mean_s[k]) > 10)
            return rig_fail(err, RIG_EUNKNOWABLE,
                            "the board's clock jumped by %.3g s: it was restarted, or counts "
                            "otherwise than the rig file says",
                            quality->mean_s[k]);
        sum += quality->mean_s[k] * (double)stamps->stretches[i].rows;
        rows += (double)stamps->stretches[i].rows;
        quality->worst_of_all_s = fmax(quality->worst_of_all_s, quality->worst_s[k]);
        k++;
    }
    quality->count = n;
    quality->mean_of_all_s = sum / rows;
    return RIG_OK;
}
