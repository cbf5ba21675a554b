/* SPDX-License-Identifier: GPL-3.0-or-later
 * Ticks of a calendar. */
#include "results/figure_frame.h"

#include <math.h>
#include <stdio.h>
#include <string.h>
#include <time.h>

static const double DAY_S = 86400;

/* Every `days` days (or a part of one) since 1970-01-01, a Thursday. */
static size_t day_ticks(double low, double high, double days, double ticks[], char texts[][32])
{
    size_t count = 0;
    double step = days * DAY_S;
    for (double i = ceil(low / step); i * step <= high && count < FIGURE_TICK_LIMIT; i++) {
        time_t at = (time_t)llrint(i * step);
        struct tm parts;
        if (!gmtime_r(&at, &parts))
            break;
        strftime(texts[count], 32, days < 1 ? "%m-%d %H:%M" : "%Y-%m-%d", &parts);
        ticks[count++] = (double)at;
    }
    return count;
}

/* The first of every so many months, counted from a year's begin. */
static size_t month_ticks(double low, double high, int months, double ticks[], char texts[][32])
{
    size_t count = 0;
    time_t first = (time_t)low;
    struct tm parts;
    if (!gmtime_r(&first, &parts))
        return 0;
    int month = ((parts.tm_year + 1900) * 12 + parts.tm_mon) / months * months;
    for (; count < FIGURE_TICK_LIMIT; month += months) {
        struct tm start = {.tm_year = month / 12 - 1900, .tm_mon = month % 12, .tm_mday = 1};
        time_t at = timegm(&start);
        if ((double)at > high)
            break;
        if ((double)at < low)
            continue;
        strftime(texts[count], 32, months < 12 ? "%Y-%m" : "%Y", &start);
        ticks[count++] = (double)at;
    }
    return count;
}

size_t figure_date_ticks(double low, double high, int about, double ticks[FIGURE_TICK_LIMIT],
                         char texts[FIGURE_TICK_LIMIT][32])
{
    static const double days[] = {1 / 24.0, 3 / 24.0, 6 / 24.0, 0.5, 1, 2, 7, 14};
    static const int months[] = {1, 2, 3, 6, 12, 24, 60, 120, 240, 600, 1200, 2400};
    static const double MONTH_S = 30.44 * 86400;
    double span_s = high - low;
    if (!(span_s > 0) || low < -62135596800.0 || high > 253402300800.0) /* years 1 to 9999 */
        return 0;
    for (size_t i = 0; i < sizeof days / sizeof *days; i++)
        if (span_s <= about * days[i] * DAY_S)
            return day_ticks(low, high, days[i], ticks, texts);
    for (size_t i = 0; i < sizeof months / sizeof *months; i++)
        if (span_s <= about * months[i] * MONTH_S)
            return month_ticks(low, high, months[i], ticks, texts);
    return month_ticks(low, high, 12000, ticks, texts);
}
