/* SPDX-License-Identifier: GPL-3.0-or-later
 * The page around results and figures. How a figure is drawn is in report_page.c. */
#include "results/report.h"

#include "base/number.h"
#include "results/report_page.h"

#include <math.h>
#include <string.h>

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
            /* What a pixel can show, not the last digit. The CSV link gives as much. */
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

static void add_figure_json(struct text *out, const struct figure *figure)
{
    static const char *const marks[] = {"line", "dashed", "points"};
    text_add(out, "{\"id\":");
    add_json_string(out, figure->id);
    text_add(out, ",\"title\":");
    add_json_string(out, figure->title);
    text_add(out, ",\"x_label\":");
    add_json_string(out, figure->x_label);
    text_add(out, ",\"y_label\":");
    add_json_string(out, figure->y_label);
    text_format(out, ",\"log_x\":%s,\"log_y\":%s,\"series\":[", figure->log_x ? "true" : "false",
                figure->log_y ? "true" : "false");
    for (size_t s = 0; s < figure->series_count; s++) {
        const struct figure_series *series = &figure->series[s];
        text_add(out, s ? ",{\"name\":" : "{\"name\":");
        add_json_string(out, series->name);
        text_format(out, ",\"mark\":\"%s\"", marks[series->mark]);
        add_json_numbers(out, "x", series->x, series->count);
        add_json_numbers(out, "y", series->y, series->count);
        if (series->low) {
            add_json_numbers(out, "low", series->low, series->count);
            add_json_numbers(out, "high", series->high, series->count);
        }
        text_add(out, "}");
    }
    text_add(out, "]}");
}

static void add_fact(struct text *out, const char *name, const char *value)
{
    if (!value || !*value)
        return;
    text_format(out, "<div><dt>%s</dt><dd>", name);
    text_add_escaped(out, value);
    text_add(out, "</dd></div>");
}

/* Of a path: the folders are of the machine that ran, not of the measurement. */
static const char *base_name(const char *path)
{
    const char *slash = strrchr(path, '/');
    return slash ? slash + 1 : path;
}

static void add_facts(struct text *out, const struct report_input *input)
{
    const struct run_facts *facts = input->facts;
    text_add(out, "<dl class=\"facts\">");
    if (facts) {
        add_fact(out, "Board", facts->board);
        add_fact(out, "Revision", facts->revision);
        add_fact(out, "Coating", facts->coating);
        add_fact(out, "Note", facts->note);
        add_fact(out, "Profile", base_name(facts->profile_name));
        add_fact(out, "Rig", base_name(facts->rig_name));
        add_fact(out, "Started", facts->started);
        add_fact(out, "wetsweep", facts->version);
    }
    add_fact(out, "Recording", input->state);
    text_add(out, "</dl>\n");
}

static void add_warnings(struct text *out, const struct report_input *input)
{
    if (input->state_reason && *input->state_reason) {
        text_add(out, "<p class=\"warning\">");
        text_add_escaped(out, input->state_reason);
        text_add(out, "</p>\n");
    }
    for (size_t i = 0; i < input->warning_count; i++) {
        text_add(out, "<p class=\"warning\">");
        text_add_escaped(out, input->warnings[i]);
        text_add(out, "</p>\n");
    }
}

static void add_unknowns(struct text *out, const struct result_list *results)
{
    size_t unknown = 0;
    for (size_t i = 0; i < results->count; i++)
        unknown += !isfinite(results->results[i].value);
    if (!unknown)
        return;
    text_add(out, "<h3>What this recording can't tell</h3>\n<ul class=\"unknown\">\n");
    for (size_t i = 0; i < results->count; i++) {
        const struct result *result = &results->results[i];
        if (isfinite(result->value))
            continue;
        text_add(out, "<li><b>");
        text_add_escaped(out, result->title);
        text_add(out, "</b>: ");
        text_add_escaped(out, result->reason);
        text_add(out, "</li>\n");
    }
    text_add(out, "</ul>\n");
}

static void add_budget(struct text *out, const struct result *result)
{
    if (!result->budget_count)
        return;
    text_add(out, "<details><summary>uncertainty budget</summary><table><tr><th>contribution</th>"
                  "<th>type</th><th>standard uncertainty</th><th>degrees of freedom</th></tr>");
    for (size_t i = 0; i < result->budget_count; i++) {
        const struct result_contribution *part = &result->budget[i];
        text_add(out, "<tr><td>");
        text_add_escaped(out, part->name);
        text_format(out, "</td><td>%c</td><td class=\"n\">%.2g ", part->type,
                    part->standard_uncertainty);
        text_add_escaped(out, result->unit);
        if (isfinite(part->degrees_of_freedom))
            text_format(out, "</td><td class=\"n\">%.0f</td></tr>", part->degrees_of_freedom);
        else
            text_add(out, "</td><td class=\"n\">\u221e</td></tr>");
    }
    text_add(out, "</table></details>");
}

static void add_table(struct text *out, const struct result_list *results)
{
    text_add(out, "<h2>All results</h2>\n<table class=\"results\">\n<tr><th>result</th>"
                  "<th>value (95 % interval)</th><th>how</th></tr>\n");
    for (size_t i = 0; i < results->count; i++) {
        const struct result *result = &results->results[i];
        if (!isfinite(result->value))
            continue;
        text_add(out, "<tr><td>");
        text_add_escaped(out, result->title);
        text_add(out, "</td><td class=\"n\">");
        struct text value = {0};
        report_value(&value, result);
        text_add_escaped(out, value.bytes ? value.bytes : "");
        text_free(&value);
        text_add(out, "</td><td>");
        text_add_escaped(out, result->method);
        add_budget(out, result);
        text_add(out, "</td></tr>\n");
    }
    text_add(out, "</table>\n");
}

static void add_figures(struct text *out, const struct figure_list *figures)
{
    for (size_t f = 0; f < figures->count; f++) {
        const struct figure *figure = &figures->figures[f];
        text_add(out, "<section class=\"figure\"><h2>");
        text_add_escaped(out, figure->title);
        text_add(out, "</h2><p>");
        text_add_escaped(out, figure->sentence);
        text_add(out, "</p><div class=\"plot\" id=\"plot-");
        text_add_escaped(out, figure->id);
        text_add(out, "\"></div><div class=\"key\" id=\"key-");
        text_add_escaped(out, figure->id);
        text_add(out, "\"></div><a class=\"save\" id=\"save-");
        text_add_escaped(out, figure->id);
        text_add(out, "\" download=\"");
        text_add_escaped(out, figure->id);
        text_add(out, ".csv\" href=\"#\">this plot's data as CSV</a></section>\n");
    }
}

int report_html(struct text *out, const struct report_input *input, struct rig_err *err)
{
    text_add(out, "<!DOCTYPE html>\n<html lang=\"en\"><head><meta charset=\"utf-8\">\n"
                  "<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n"
                  "<title>");
    text_add_escaped(out, input->title);
    text_add(out, "</title>\n<style>\n");
    text_add(out, input->plot_style);
    text_add(out, report_page_style);
    text_add(out, "</style></head><body>\n<header><h1>");
    text_add_escaped(out, input->title);
    text_add(out, "</h1>\n");
    add_facts(out, input);
    text_add(out, "</header>\n<main>\n");
    add_warnings(out, input);
    text_add(out, "<section class=\"answer\"><h2>In short</h2>\n<ul>\n");
    report_answer(out, input->results, 0);
    text_add(out, "</ul>\n<p class=\"small\">Numbers in brackets are 95 % intervals.</p>\n");
    add_unknowns(out, input->results);
    text_add(out, "</section>\n");
    add_figures(out, input->figures);
    add_table(out, input->results);
    text_add(out, "</main>\n<script type=\"application/json\" id=\"figures\">[");
    for (size_t f = 0; f < input->figures->count; f++) {
        text_add(out, f ? ",\n" : "\n");
        add_figure_json(out, &input->figures->figures[f]);
    }
    text_add(out, "]</script>\n<script>\n");
    text_add(out, input->plot_script);
    text_add(out, "\n</script>\n<script>\n");
    text_add(out, report_page_script);
    text_add(out, "</script>\n</body></html>\n");
    return text_failed(out) ? rig_fail_memory(err, "the report") : RIG_OK;
}
