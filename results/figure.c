/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "results/figure.h"

#include "base/number.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

struct figure *figure_add(struct figure_list *list, const char *id, const char *title,
                          const char *x_label, const char *y_label, struct rig_err *err)
{
    struct figure *larger = realloc(list->figures, (list->count + 1) * sizeof *larger);
    if (!larger) {
        rig_fail_memory(err, "a figure");
        return NULL;
    }
    list->figures = larger;
    struct figure *figure = &larger[list->count++];
    *figure = (struct figure){0};
    snprintf(figure->id, sizeof figure->id, "%s", id);
    snprintf(figure->title, sizeof figure->title, "%s", title);
    snprintf(figure->x_label, sizeof figure->x_label, "%s", x_label);
    snprintf(figure->y_label, sizeof figure->y_label, "%s", y_label);
    return figure;
}

int figure_row_add(struct figure *figure, const char *name, struct rig_err *err)
{
    char(*larger)[FIGURE_TEXT_SIZE] =
        realloc(figure->rows, (figure->row_count + 1) * sizeof *figure->rows);
    if (!larger)
        return rig_fail_memory(err, "a figure's rows");
    figure->rows = larger;
    snprintf(larger[figure->row_count++], FIGURE_TEXT_SIZE, "%s", name);
    return RIG_OK;
}

static void free_series(struct figure_series *series)
{
    free(series->x);
    free(series->y);
    free(series->low);
    free(series->high);
}

struct figure_series *figure_series_add(struct figure *figure, const char *name,
                                        enum figure_mark mark, size_t count, bool with_interval,
                                        struct rig_err *err)
{
    struct figure_series series = {.mark = mark, .count = count};
    snprintf(series.name, sizeof series.name, "%s", name);
    series.x = calloc(count + 1, sizeof *series.x);
    series.y = calloc(count + 1, sizeof *series.y);
    if (with_interval) {
        series.low = calloc(count + 1, sizeof *series.low);
        series.high = calloc(count + 1, sizeof *series.high);
    }
    struct figure_series *larger =
        realloc(figure->series, (figure->series_count + 1) * sizeof *larger);
    if (larger)
        figure->series = larger;
    if (!larger || !series.x || !series.y || (with_interval && (!series.low || !series.high))) {
        free_series(&series);
        rig_fail_memory(err, "a figure's points");
        return NULL;
    }
    larger[figure->series_count] = series;
    return &larger[figure->series_count++];
}

static void add_cell(struct text *out, double value)
{
    char number[32];
    text_add(out, ",");
    if (!isfinite(value))
        return;
    rig_number_text(number, value);
    text_add(out, number);
}

static void add_quoted(struct text *out, const char *string)
{
    text_add(out, "\"");
    for (; *string; string++)
        text_add_bytes(out, *string == '"' ? "\"\"" : string, *string == '"' ? 2 : 1);
    text_add(out, "\"");
}

void figure_csv(const struct figure *figure, struct text *out)
{
    text_add(out, "series,");
    add_quoted(out, figure->x_label);
    text_add(out, ",");
    add_quoted(out, figure->y_label);
    text_add(out, ",low_95,high_95\r\n");
    for (size_t s = 0; s < figure->series_count; s++) {
        const struct figure_series *series = &figure->series[s];
        for (size_t i = 0; i < series->count; i++) {
            add_quoted(out, series->name);
            add_cell(out, series->x[i]);
            add_cell(out, series->y[i]);
            add_cell(out, series->low ? series->low[i] : NAN);
            add_cell(out, series->high ? series->high[i] : NAN);
            text_add(out, "\r\n");
        }
    }
}

void figure_list_free(struct figure_list *list)
{
    if (!list)
        return;
    for (size_t f = 0; f < list->count; f++) {
        for (size_t s = 0; s < list->figures[f].series_count; s++)
            free_series(&list->figures[f].series[s]);
        free(list->figures[f].series);
        free(list->figures[f].rows);
    }
    free(list->figures);
    *list = (struct figure_list){0};
}
