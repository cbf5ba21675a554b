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

static void take(struct stamps *stamps, double t_s, double value)
{
    double at = fmin(fmax(t_s / stamps->width_s, 0), STAMP_STRETCHES - 1);
    struct stamp_stretch *stretch = &stamps->stretches[(size_t)at];
    if (!stretch->rows || value < stretch->low)
        stretch->low = value;
    if (!stretch->rows || value > stretch->high)
        stretch->high = value;
    stretch->sum += value;
    stretch->rows++;
}

void stamps_add(struct stamps *stamps, const double host_s[], const double device_s[], size_t rows)
{
    for (size_t r = 0; r < rows; r++) {
        double t_s = host_s[r];
        if (isnan(t_s))
            continue;
        if (stamps->clocked && !isnan(device_s[r]))
            take(stamps, t_s, t_s - device_s[r]);
        else if (!stamps->clocked && !isnan(stamps->last_s))
            take(stamps, t_s, t_s - stamps->last_s);
        if (isnan(stamps->first_s))
            stamps->first_s = t_s;
        stamps->last_s = t_s;
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
        into->low = into->rows ? fmin(into->low, from->low) : from->low;
        into->high = into->rows ? fmax(into->high, from->high) : from->high;
        into->sum += from->sum;
        into->rows += from->rows;
        *from = (struct stamp_stretch){0};
    }
    if (!stamps->clocked && !isnan(stamps->last_s))
        take(stamps, next->first_s, next->first_s - stamps->last_s);
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
