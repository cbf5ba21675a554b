/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "results/figure_frame.h"

#include <math.h>
#include <stdio.h>

static const double MARGIN = 0.05; /* of the range, each side */

struct range {
    double low, high;
};

static void widen(struct range *range, double value, bool logarithmic)
{
    if (!isfinite(value) || (logarithmic && !(value > 0)))
        return;
    range->low = fmin(range->low, value);
    range->high = fmax(range->high, value);
}

double figure_bar_width(const struct figure_series *series)
{
    double width = INFINITY;
    for (size_t i = 1; i < series->count; i++)
        if (series->x[i] > series->x[i - 1])
            width = fmin(width, series->x[i] - series->x[i - 1]);
    return isfinite(width) ? width : 1;
}

static void set(struct range range, bool logarithmic, double *low, double *high)
{
    if (!(range.low <= range.high)) {
        *low = logarithmic ? 1 : 0;
        *high = logarithmic ? 10 : 1;
        return;
    }
    if (logarithmic) {
        double factor = fmax(pow(range.high / range.low, MARGIN), 1.12);
        *low = range.low / factor;
        *high = range.high * factor;
        return;
    }
    double size = fmax(fabs(range.low), fabs(range.high));
    double margin = (range.high - range.low) * MARGIN;
    /* A value that never changes gets room on both sides. */
    if (!(margin > size * 1e-12))
        margin = size > 0 ? 0.1 * size : 1;
    *low = range.low - margin;
    *high = range.high + margin;
}

struct figure_frame figure_frame_of(const struct figure *figure)
{
    struct range x = {INFINITY, -INFINITY}, y = {INFINITY, -INFINITY};
    bool bars = false;
    for (size_t s = 0; s < figure->series_count; s++) {
        const struct figure_series *series = &figure->series[s];
        double half = series->mark == FIGURE_BARS ? figure_bar_width(series) / 2 : 0;
        for (size_t i = 0; i < series->count; i++) {
            widen(&x, series->x[i] - half, figure->log_x);
            widen(&x, series->x[i] + half, figure->log_x);
            widen(&y, series->y[i], figure->log_y);
            if (series->low) {
                widen(&y, series->low[i], figure->log_y);
                widen(&y, series->high[i], figure->log_y);
            }
        }
        if (series->mark == FIGURE_BARS && series->count) {
            bars = true;
            widen(&y, 0, figure->log_y);
        }
    }
    struct figure_frame frame = {.any = x.low <= x.high && y.low <= y.high};
    set(x, figure->log_x, &frame.x_low, &frame.x_high);
    set(y, figure->log_y, &frame.y_low, &frame.y_high);
    if (bars && !figure->log_y && y.low == 0)
        frame.y_low = 0;
    if (figure->row_count) {
        frame.y_low = -0.6;
        frame.y_high = (double)figure->row_count - 0.4;
    }
    return frame;
}

static double step_of(double low, double high, int about)
{
    double raw = (high - low) / about, power = pow(10, floor(log10(raw))), part = raw / power;
    return power * (part < 1.5 ? 1 : part < 3.5 ? 2 : part < 7.5 ? 5 : 10);
}

static size_t log_ticks(double low, double high, int about, double ticks[FIGURE_TICK_LIMIT])
{
    static const double parts[] = {1, 2, 5};
    size_t count = 0;
    double decades = log10(high / low), stride = fmax(1, ceil(decades / about));
    for (double power = floor(log10(low)); power <= log10(high); power++)
        for (size_t k = 0; k < 3 && count < FIGURE_TICK_LIMIT; k++) {
            double tick = parts[k] * pow(10, power);
            bool wanted = k == 0 ? fmod(power, stride) == 0 : decades < 4;
            if (wanted && tick >= low && tick <= high)
                ticks[count++] = tick;
        }
    return count;
}

size_t figure_ticks(double low, double high, int about, bool logarithmic,
                    double ticks[FIGURE_TICK_LIMIT])
{
    if (logarithmic) {
        size_t count = low > 0 ? log_ticks(low, high, about, ticks) : 0;
        if (count > 1)
            return count; /* less than an octave has no round numbers of its own */
    }
    size_t count = 0;
    double step = step_of(low, high, about), first = ceil(low / step - 1e-9);
    if (!(step > 0) || !isfinite(first))
        return 0;
    for (double k = first; k * step <= high + 1e-9 * step && count < FIGURE_TICK_LIMIT; k++)
        ticks[count++] = k * step + 0.0;
    return count;
}

void figure_tick_text(char buffer[32], double value, double step)
{
    double size = fmax(fabs(value), fabs(step));
    int decimals = (int)fmin(fmax(-floor(log10(fabs(step)) + 1e-9), 0), 9);
    if (size >= 1e7 || fabs(step) < 1e-6)
        snprintf(buffer, 32, "%.6g", value);
    else
        snprintf(buffer, 32, "%.*f", decimals, value + 0.0);
}
