/* SPDX-License-Identifier: GPL-3.0-or-later
 * wetsweep ledger trend: a result's way through time as table, sentence and picture. */
#include "commands.h"
#include "ledger_parts.h"

#include "base/file.h"
#include "results/figure_svg.h"
#include "results/ledger_trend.h"
#include "results/report.h"

#include <jansson.h>

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

struct work {
    const struct ledger_wish *wish;
    struct ledger_series series;
    struct ledger_trend trend;
};

static int series_job(void *context, struct ledger *ledger, struct rig_err *err)
{
    struct work *work = context;
    return ledger_series_of(&work->series, ledger, work->wish->what, &work->wish->filter, err);
}

static const struct ledger_entry *entry_of(const struct work *work,
                                           const struct ledger_trend_point *point)
{
    return &work->series.list.entries[point->from->entry];
}

static void print_table(const struct work *work)
{
    const struct ledger_trend *trend = &work->trend;
    int board = 5, coating = 7;
    for (size_t i = 0; i < trend->count; i++) {
        const struct ledger_entry *entry = entry_of(work, &trend->points[i]);
        board = (int)strlen(entry->board) > board ? (int)strlen(entry->board) : board;
        coating = (int)strlen(entry->coating) > coating ? (int)strlen(entry->coating) : coating;
    }
    printf("%s, %s\n", trend->title, trend->unit);
    printf("%-16s  %-*s  %-3s  %-*s  %-12s %-27s %s\n", "started", board, "board", "rev", coating,
           "coating", "value", "95 % interval", "recording");
    for (size_t i = 0; i < trend->count; i++) {
        const struct ledger_trend_point *point = &trend->points[i];
        const struct ledger_entry *entry = entry_of(work, point);
        char minute[24], interval[64] = "not known";
        if (isfinite(point->low_95))
            snprintf(interval, sizeof interval, "%.5g to %.5g", point->low_95, point->high_95);
        printf("%-16s  %-*s  %-3s  %-*s  %-12.5g %-27s %s\n", ledger_minute(minute, entry->started),
               board, entry->board, entry->revision, coating, entry->coating, point->value,
               interval, entry->folder);
    }
}

static void print_left_out(const struct ledger_trend *trend)
{
    if (trend->refused)
        printf("%zu recordings have no value for it.\n", trend->refused);
    if (trend->others)
        printf("%zu recordings have it in another unit or for another frequency: left out.\n",
               trend->others);
    if (trend->undated)
        printf("%zu recordings have no date: left out.\n", trend->undated);
    if (trend->together > 1)
        printf("For the trend, %zu recordings in a row were put together, by their medians.\n",
               trend->together);
    if (trend->coatings > 1)
        puts("More than one coating is in it; --coating TEXT looks at one.");
}

static json_t *number(double value)
{
    return isfinite(value) ? json_real(value) : json_null();
}

static json_t *points_json(const struct work *work)
{
    json_t *list = json_array();
    for (size_t i = 0; list && i < work->trend.count; i++) {
        const struct ledger_trend_point *point = &work->trend.points[i];
        const struct ledger_entry *entry = entry_of(work, point);
        json_t *object =
            json_pack("{s:s, s:s, s:s, s:s, s:s, s:o, s:o, s:o}", "started", entry->started,
                      "board", entry->board, "revision", entry->revision, "coating", entry->coating,
                      "recording", entry->folder, "value", number(point->value), "low_95",
                      number(point->low_95), "high_95", number(point->high_95));
        if (!object || json_array_append_new(list, object)) {
            json_decref(list);
            return NULL;
        }
    }
    return list;
}

static int print_json(const struct work *work, struct rig_err *err)
{
    const struct ledger_trend *trend = &work->trend;
    const struct theil_sen *sen = &trend->sen;
    json_t *slope =
        trend->known
            ? json_pack("{s:o, s:o, s:o, s:s, s:o, s:o}", "slope", number(sen->slope), "low_95",
                        number(sen->low), "high_95", number(sen->high), "per", trend->per,
                        "intercept", number(sen->intercept), "mann_kendall_p", number(sen->test.p))
            : json_null();
    json_t *root =
        json_pack("{s:s, s:s, s:s, s:s, s:o, s:s, s:I, s:I, s:I, s:o}", "format",
                  "wetsweep ledger trend", "result", work->wish->what, "title", trend->title,
                  "unit", trend->unit, "trend", slope, "why_no_trend", trend->why, "refused",
                  (json_int_t)trend->refused, "other_kind", (json_int_t)trend->others, "undated",
                  (json_int_t)trend->undated, "values", points_json(work));
    char *json = root ? json_dumps(root, JSON_INDENT(2) | JSON_REAL_PRECISION(15)) : NULL;
    json_decref(root);
    if (!json)
        return rig_fail(err, RIG_EINPUT,
                        "the trend can't be written as JSON: memory is out, or a folder's name "
                        "isn't UTF-8");
    puts(json);
    free(json);
    return RIG_OK;
}

static int draw(const struct work *work, struct rig_err *err)
{
    const struct ledger_filter *filter = &work->wish->filter;
    struct figure_list figures = {0};
    struct text svg = {0};
    char label[FIGURE_TEXT_SIZE];
    snprintf(label, sizeof label, "start of the recording, UTC%s%.60s",
             filter->board ? "; board " : "", filter->board ? filter->board : "");
    int code = ledger_trend_figure(&figures, &work->trend, &work->series, label, err);
    if (!code) {
        figure_svg(&svg, &figures.figures[0], true);
        code = text_failed(&svg) ? rig_fail_memory(err, "drawing the trend")
                                 : file_replace(work->wish->picture, svg.bytes, svg.size, err);
    }
    text_free(&svg);
    figure_list_free(&figures);
    return code;
}

static bool of_one_unit(const struct ledger_series *series)
{
    for (size_t i = 1; i < series->count; i++)
        if (strcmp(series->values[i].unit, series->values[0].unit) != 0)
            return false;
    return true;
}

int ledger_trend_command(const struct ledger_wish *wish)
{
    struct work work = {.wish = wish};
    struct rig_err err = {0};
    char sentence[FIGURE_SENTENCE_SIZE];
    struct units *units = NULL;
    int code = ledger_run(wish, series_job, &work, &err);
    if (!code && !of_one_unit(&work.series)) { /* reading the units takes longer than the rest */
        units = units_open(&err);
        code = units ? RIG_OK : (int)err.code;
    }
    if (!code)
        code = ledger_trend_of(&work.trend, wish->what, &work.series, units, &err);
    if (!code && wish->json) {
        code = print_json(&work, &err);
    } else if (!code && work.series.count == 0) {
        puts("no recordings");
    } else if (!code) {
        print_table(&work);
        print_left_out(&work.trend);
        ledger_trend_sentence(&work.trend, sentence, sizeof sentence);
        puts(sentence);
    }
    if (!code && wish->picture)
        code = draw(&work, &err);
    ledger_trend_free(&work.trend);
    ledger_series_free(&work.series);
    units_close(units);
    return code ? command_error(&err) : 0;
}
