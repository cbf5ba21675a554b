/* SPDX-License-Identifier: GPL-3.0-or-later
 * Figures as data for the page's script: it gets frame, ink, shape and dash from here, so
 * that what is on the screen and what is on paper look alike. */
#include "results/figure_frame.h"
#include "results/figure_style.h"
#include "results/report_parts.h"

#include "base/number.h"

#include <math.h>

static void add_json_string(struct text *out, const char *string)
{
    text_add(out, "\"");
    for (const unsigned char *at = (const unsigned char *)string; *at; at++) {
        if (*at == '"' || *at == '\\' || *at < 0x20 || *at == '<' || *at == '>' || *at == '&')
            text_format(out, "\\u%04x", *at);
        else
            text_add_bytes(out, at, 1);
    }
    text_add(out, "\"");
}

static void add_json_numbers(struct text *out, const char *key, const double values[], size_t count)
{
    char number[32];
    text_format(out, ",\"%s\":[", key);
    for (size_t i = 0; i < count; i++) {
        if (i)
            text_add(out, ",");
        if (isfinite(values[i])) {
            /* Nine digits, more than a pixel can show. The CSV link gives as much. */
            double scale = values[i] == 0 ? 1 : pow(10, 8 - floor(log10(fabs(values[i]))));
            double rounded =
                isfinite(scale) && scale > 0 ? rint(values[i] * scale) / scale : values[i];
            rig_number_text(number, isfinite(rounded) ? rounded : values[i]);
            text_add(out, number);
        } else {
            text_add(out, "null");
        }
    }
    text_add(out, "]");
}

static void add_series(struct text *out, const struct figure *figure, size_t index)
{
    static const char *const marks[] = {"line", "line", "points", "bars", "spans"};
    const struct figure_series *series = &figure->series[index];
    struct figure_style style = figure_style(figure, index);
    text_add(out, "{\"name\":");
    add_json_string(out, series->name);
    text_format(out,
                ",\"mark\":\"%s\",\"ink\":\"%s\",\"shape\":\"%s\",\"dash\":\"%s\",\"pattern\":%u",
                marks[series->mark], style.ink, style.shape, style.dash, style.pattern);
    if (series->mark == FIGURE_BARS)
        text_format(out, ",\"width\":%.9g", figure_bar_width(series));
    add_json_numbers(out, "x", series->x, series->count);
    add_json_numbers(out, "y", series->y, series->count);
    if (series->low) {
        add_json_numbers(out, "low", series->low, series->count);
        add_json_numbers(out, "high", series->high, series->count);
    }
    text_add(out, "}");
}

static void add_figure(struct text *out, const struct figure *figure)
{
    struct figure_frame frame = figure_frame_of(figure);
    text_add(out, "{\"id\":");
    add_json_string(out, figure->id);
    text_add(out, ",\"title\":");
    add_json_string(out, figure->title);
    text_add(out, ",\"x_label\":");
    add_json_string(out, figure->x_label);
    text_add(out, ",\"y_label\":");
    add_json_string(out, figure->y_label);
    text_format(out, ",\"log_x\":%s,\"log_y\":%s", figure->log_x ? "true" : "false",
                figure->log_y ? "true" : "false");
    add_json_numbers(out, "x_range", (const double[]){frame.x_low, frame.x_high}, 2);
    add_json_numbers(out, "y_range", (const double[]){frame.y_low, frame.y_high}, 2);
    text_add(out, ",\"rows\":[");
    for (size_t r = 0; r < figure->row_count; r++) {
        text_add(out, r ? "," : "");
        add_json_string(out, figure->rows[r]);
    }
    text_add(out, "],\"series\":[");
    for (size_t s = 0; s < figure->series_count; s++) {
        text_add(out, s ? "," : "");
        add_series(out, figure, s);
    }
    text_add(out, "]}");
}

void report_figures_json(struct text *out, const struct figure_list *figures)
{
    text_add(out, "[");
    for (size_t f = 0; f < figures->count; f++) {
        text_add(out, f ? ",\n" : "\n");
        add_figure(out, &figures->figures[f]);
    }
    text_add(out, "]");
}
