/* SPDX-License-Identifier: GPL-3.0-or-later
 * Trends over recordings. What a reader would wrongly put into one line (another unit,
 * another frequency under the same name) is left out and counted. */
#include "results/ledger_trend.h"

#include "base/utc.h"
#include "results/moments.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const double HOUR_S = 3600, DAY_S = 86400, YEAR_S = 365.25 * 86400;

/* "gain_2" counts the frequencies of a profile, so that only its title says what it is; of
 * other results the title is wording. */
static bool of_one_kind(const char *name, const char *title, const char *other)
{
    size_t size = strlen(name), end = size;
    while (end && name[end - 1] >= '0' && name[end - 1] <= '9')
        end--;
    bool counted = end < size && end && name[end - 1] == '_';
    return !counted || strcmp(title, other) == 0;
}

static int convert(struct units *units, const struct ledger_value *value, const char *unit,
                   double *factor, double *offset)
{
    struct rig_err err;
    *factor = 1;
    *offset = 0;
    if (strcmp(value->unit, unit) == 0)
        return RIG_OK;
    return units ? units_factor(units, value->unit, unit, factor, offset, &err) : RIG_EINPUT;
}

static int by_time(const void *a, const void *b)
{
    const struct ledger_trend_point *left = a, *right = b;
    return (left->at_s > right->at_s) - (left->at_s < right->at_s);
}

static void take_points(struct ledger_trend *trend, const char *name,
                        const struct ledger_series *series, struct units *units)
{
    for (size_t i = 0; i < series->count; i++) {
        const struct ledger_value *value = &series->values[i];
        int64_t at_s;
        double factor, offset;
        if (!of_one_kind(name, value->title, trend->title) ||
            convert(units, value, trend->unit, &factor, &offset))
            trend->others++;
        else if (!isfinite(value->value))
            trend->refused++;
        else if (!utc_read(series->list.entries[value->entry].started, &at_s))
            trend->undated++;
        else
            trend->points[trend->count++] = (struct ledger_trend_point){
                .from = value,
                .at_s = (double)at_s,
                .value = offset + factor * value->value,
                .low_95 = offset + factor * value->low_95,
                .high_95 = offset + factor * value->high_95,
            };
    }
    qsort(trend->points, trend->count, sizeof *trend->points, by_time);
}

/* Whether the coating of point i was there among those before it. */
static bool seen_before(const struct ledger_trend *trend, const struct ledger_series *series,
                        size_t i, const char *coatings[], size_t count)
{
    const char *coating = series->list.entries[trend->points[i].from->entry].coating;
    for (size_t k = 0; k < count; k++)
        if (strcmp(coatings[k], coating) == 0)
            return true;
    return false;
}

enum { COATING_LIMIT = 8 };

/* The different coatings, in order of first use; those beyond the limit aren't told apart. */
static size_t list_coatings(const struct ledger_trend *trend, const struct ledger_series *series,
                            const char *coatings[COATING_LIMIT])
{
    size_t count = 0;
    for (size_t i = 0; i < trend->count && count < COATING_LIMIT; i++)
        if (!seen_before(trend, series, i, coatings, count))
            coatings[count++] = series->list.entries[trend->points[i].from->entry].coating;
    return count;
}

/* Consecutive points to their medians, so that there are at most LEDGER_TREND_POINTS. */
static int put_together(struct ledger_trend *trend, struct rig_err *err)
{
    size_t count = trend->count;
    size_t group = count ? (count + LEDGER_TREND_POINTS - 1) / LEDGER_TREND_POINTS : 1;
    double *work = calloc(2 * group, sizeof *work);
    trend->together = group;
    trend->group_s = calloc(count / group + 1, sizeof *trend->group_s);
    trend->group_value = calloc(count / group + 1, sizeof *trend->group_value);
    if (!work || !trend->group_s || !trend->group_value) {
        free(work);
        return rig_fail_memory(err, "a trend");
    }
    for (size_t i = 0; i < count; i += group) {
        size_t size = count - i < group ? count - i : group;
        for (size_t k = 0; k < size; k++) {
            work[k] = trend->points[i + k].at_s;
            work[group + k] = trend->points[i + k].value;
        }
        trend->group_s[trend->group_count] = moments_median(work, size);
        trend->group_value[trend->group_count++] = moments_median(work + group, size);
    }
    free(work);
    return RIG_OK;
}

static int find_trend(struct ledger_trend *trend, struct rig_err *err)
{
    size_t count = trend->count;
    double start_s = count ? trend->points[0].at_s : 0;
    double span_s = count ? trend->points[count - 1].at_s - start_s : 0;
    trend->per_s = span_s < 2 * DAY_S ? HOUR_S : span_s < 90 * DAY_S ? DAY_S : YEAR_S;
    trend->per = span_s < 2 * DAY_S ? "hour" : span_s < 90 * DAY_S ? "day" : "year";
    int code = put_together(trend, err);
    if (code)
        return code;
    if (count < 3) {
        snprintf(trend->why, sizeof trend->why, "a trend needs three values, and there %s %zu",
                 count == 1 ? "is" : "are", count);
        return RIG_OK;
    }
    struct rig_err why;
    double *x = calloc(trend->group_count, sizeof *x);
    if (!x)
        return rig_fail_memory(err, "a trend");
    for (size_t i = 0; i < trend->group_count; i++)
        x[i] = (trend->group_s[i] - start_s) / trend->per_s;
    trend->known =
        theil_sen_of(&trend->sen, x, trend->group_value, trend->group_count, 0.95, &why) == RIG_OK;
    free(x);
    if (!trend->known && why.code == RIG_EMEMORY)
        return rig_fail_memory(err, "a trend");
    if (!trend->known)
        snprintf(trend->why, sizeof trend->why, "%.150s", why.text);
    return RIG_OK;
}

int ledger_trend_of(struct ledger_trend *trend, const char *name,
                    const struct ledger_series *series, struct units *units, struct rig_err *err)
{
    const char *coatings[COATING_LIMIT];
    *trend = (struct ledger_trend){.title = "", .unit = "", .together = 1};
    for (size_t i = 0; i < series->count; i++) /* the newest that has a value, else the newest */
        if (isfinite(series->values[i].value) || !*trend->title) {
            trend->title = series->values[i].title;
            trend->unit = series->values[i].unit;
        }
    trend->points = calloc(series->count + 1, sizeof *trend->points);
    if (!trend->points)
        return rig_fail_memory(err, "a trend");
    take_points(trend, name, series, units);
    trend->coatings = list_coatings(trend, series, coatings);
    return find_trend(trend, err);
}

void ledger_trend_free(struct ledger_trend *trend)
{
    free(trend->points);
    free(trend->group_s);
    free(trend->group_value);
    *trend = (struct ledger_trend){0};
}

void ledger_trend_sentence(const struct ledger_trend *trend, char *sentence, size_t size)
{
    const struct theil_sen *sen = &trend->sen;
    if (!trend->known) {
        snprintf(sentence, size, "No trend is known: %s.", trend->why);
        return;
    }
    bool shows = sen->low > 0 || sen->high < 0;
    if (!isfinite(sen->low) || !isfinite(sen->high))
        snprintf(sentence, size,
                 "Theil-Sen slope %.3g %s a %s; %zu values are too few for a 95 %% interval.",
                 sen->slope, trend->unit, trend->per, trend->count);
    else if (shows)
        snprintf(sentence, size,
                 "It %s by %.3g %s a %s (95 %% interval of the slope %.3g to %.3g, Theil-Sen; "
                 "Mann-Kendall p = %.2g).",
                 sen->slope > 0 ? "rises" : "falls", fabs(sen->slope), trend->unit, trend->per,
                 sen->low, sen->high, sen->test.p);
    else
        snprintf(sentence, size,
                 "No trend larger than %.3g %s a %s is shown: Theil-Sen slope %.3g (95 %% interval "
                 "%.3g to %.3g; Mann-Kendall p = %.2g).",
                 fmax(fabs(sen->low), fabs(sen->high)), trend->unit, trend->per, sen->slope,
                 sen->low, sen->high, sen->test.p);
}

/* ---- the figure ---- */

static int add_points(struct figure *figure, const struct ledger_trend *trend,
                      const struct ledger_series *series, const char *coating, bool alone,
                      struct rig_err *err)
{
    char name[FIGURE_TEXT_SIZE];
    size_t count = 0;
    for (size_t i = 0; i < trend->count; i++)
        count += alone ||
                 strcmp(series->list.entries[trend->points[i].from->entry].coating, coating) == 0;
    snprintf(name, sizeof name, "%.60s, 95 %% interval",
             alone      ? "recordings"
             : *coating ? coating
                        : "no coating given");
    struct figure_series *made = figure_series_add(figure, name, FIGURE_POINTS, count, true, err);
    if (!made)
        return RIG_EMEMORY;
    size_t at = 0;
    for (size_t i = 0; i < trend->count; i++) {
        const struct ledger_trend_point *point = &trend->points[i];
        if (!alone && strcmp(series->list.entries[point->from->entry].coating, coating) != 0)
            continue;
        made->x[at] = point->at_s;
        made->y[at] = point->value;
        made->low[at] = point->low_95;
        made->high[at++] = point->high_95;
    }
    return RIG_OK;
}

static int add_groups(struct figure *figure, const struct ledger_trend *trend, struct rig_err *err)
{
    char name[FIGURE_TEXT_SIZE];
    snprintf(name, sizeof name, "medians of %zu recordings in a row", trend->together);
    struct figure_series *made =
        figure_series_add(figure, name, FIGURE_POINTS, trend->group_count, false, err);
    if (!made)
        return RIG_EMEMORY;
    memcpy(made->x, trend->group_s, trend->group_count * sizeof *made->x);
    memcpy(made->y, trend->group_value, trend->group_count * sizeof *made->y);
    return RIG_OK;
}

int ledger_trend_figure(struct figure_list *figures, const struct ledger_trend *trend,
                        const struct ledger_series *series, const char *x_label,
                        struct rig_err *err)
{
    const char *coatings[COATING_LIMIT];
    char label[FIGURE_TEXT_SIZE];
    size_t count = list_coatings(trend, series, coatings);
    snprintf(label, sizeof label, "%.60s, %s", trend->title, trend->unit);
    struct figure *figure = figure_add(figures, "trend", trend->title, x_label, label, err);
    if (!figure)
        return RIG_EMEMORY;
    figure->dates = true;
    ledger_trend_sentence(trend, figure->sentence, sizeof figure->sentence);
    bool together = trend->together > 1, alone = count <= 1 || count == COATING_LIMIT;
    int code = together ? add_groups(figure, trend, err) : RIG_OK;
    for (size_t i = 0; !code && !together && i < (alone ? (size_t)1 : count); i++)
        code = add_points(figure, trend, series, count ? coatings[i] : "", alone, err);
    if (code || !trend->known)
        return code;
    struct figure_series *line =
        figure_series_add(figure, "Theil-Sen trend", FIGURE_DASHED, 2, false, err);
    if (!line)
        return RIG_EMEMORY;
    const double ends[] = {trend->points[0].at_s, trend->points[trend->count - 1].at_s};
    for (size_t i = 0; i < 2; i++) {
        line->x[i] = ends[i];
        line->y[i] = trend->sen.intercept + trend->sen.slope * (ends[i] - ends[0]) / trend->per_s;
    }
    return RIG_OK;
}
