/* SPDX-License-Identifier: GPL-3.0-or-later
 * The page: head, the answer in short, a chapter for each question with its plots and its
 * table, the uncertainty budgets. */
#include "results/figure_svg.h"
#include "results/report_parts.h"

#include <math.h>
#include <string.h>

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
        add_fact(out, "Note", facts->note);
        add_fact(out, "Profile", base_name(facts->profile_name));
        add_fact(out, "Rig", base_name(facts->rig_name));
        add_fact(out, "Started", facts->started);
        add_fact(out, "wetsweep", facts->version);
    }
    add_fact(out, "Recording", input->state);
    text_add(out, "</dl>\n");
}

void report_warnings(struct text *out, const char *const warnings[], size_t count)
{
    for (size_t i = 0; i < count; i++) {
        text_add(out, "<p class=\"warning\">");
        text_add_escaped(out, warnings[i]);
        text_add(out, "</p>\n");
    }
}

static void add_warnings(struct text *out, const struct report_input *input)
{
    if (input->state_reason && *input->state_reason) {
        text_add(out, "<p class=\"warning\">");
        text_add_escaped(out, input->state_reason);
        text_add(out, "</p>\n");
    }
    report_warnings(out, input->warnings, input->warning_count);
}

/* What could not be determined, those of one reason together. */
static void add_unknowns(struct text *out, const struct result_list *results)
{
    bool any = false;
    for (size_t i = 0; i < results->count; i++) {
        const struct result *result = &results->results[i];
        bool told = isfinite(result->value);
        for (size_t k = 0; k < i && !told; k++)
            told = !isfinite(results->results[k].value) &&
                   strcmp(results->results[k].reason, result->reason) == 0;
        if (told)
            continue;
        text_add(out,
                 any ? "" : "<h3>What this recording can't tell</h3>\n<ul class=\"unknown\">\n");
        any = true;
        text_add(out, "<li><b>");
        for (size_t k = i; k < results->count; k++)
            if (!isfinite(results->results[k].value) &&
                strcmp(results->results[k].reason, result->reason) == 0) {
                text_add(out, k == i ? "" : "; ");
                text_add_escaped(out, results->results[k].title);
            }
        text_add(out, "</b>: ");
        text_add_escaped(out, result->reason);
        text_add(out, "</li>\n");
    }
    text_add(out, any ? "</ul>\n" : "");
}

/* ---- chapters ---- */

static void add_key(struct text *out, const struct figure *figure)
{
    text_add(out, "<div class=\"key\">");
    for (size_t s = 0; s < figure->series_count; s++) {
        text_add(out, "<span>");
        figure_swatch(out, figure, s);
        text_add_escaped(out, figure->series[s].name);
        text_add(out, "</span>");
    }
    text_add(out, "</div>\n");
}

/* The still picture is what paper and readers without scripts get; the script puts the
 * plot that zooms in its place, and shows the tools. */
void report_figure(struct text *out, const struct figure *figure)
{
    text_add(out, "<figure id=\"figure-");
    text_add_escaped(out, figure->id);
    text_add(out, "\"><h3>");
    text_add_escaped(out, figure->title);
    text_add(out, "</h3><p>");
    text_add_escaped(out, figure->sentence);
    text_add(out, "</p>\n");
    figure_svg(out, figure, false);
    text_add(out, "<div class=\"plot\"></div>\n");
    add_key(out, figure);
    text_add(out,
             "<div class=\"tools\" hidden><button type=\"button\" class=\"nearer\">nearer"
             "</button><button type=\"button\" class=\"whole\">whole</button><a class=\"save\" "
             "href=\"#\" download=\"");
    text_add_escaped(out, figure->id);
    text_add(out, ".csv\">data as CSV</a><output></output></div></figure>\n");
}

static void add_row(struct text *out, const struct result *result)
{
    text_add(out, "<tr><td>");
    if (result->budget_count) {
        text_add(out, "<a href=\"#budget-");
        text_add_escaped(out, result->name);
        text_add(out, "\">");
    }
    text_add_escaped(out, result->title);
    text_add(out, result->budget_count ? "</a></td><td class=\"n\">" : "</td><td class=\"n\">");
    struct text value = {0};
    report_value(&value, result);
    text_add_escaped(out, value.bytes ? value.bytes : "");
    out->failed |= value.failed;
    text_free(&value);
    text_add(out, "</td><td>");
    text_add_escaped(out, result->method);
    text_add(out, "</td></tr>\n");
}

static bool in_chapter(const struct result *result, size_t chapter)
{
    return isfinite(result->value) && report_chapter_of_result(result->name) == chapter;
}

/* 0: nothing to say there. */
static size_t chapter_content(const struct report_input *input, size_t chapter)
{
    size_t content = 0;
    for (size_t i = 0; i < input->results->count; i++)
        content += in_chapter(&input->results->results[i], chapter);
    for (size_t f = 0; f < input->figures->count; f++)
        content += report_chapter_of_figure(input->figures->figures[f].id) == chapter;
    return content;
}

static void add_chapter(struct text *out, const struct report_input *input, size_t index)
{
    const struct report_chapter *chapter = &report_chapters[index];
    bool table = false;
    text_format(out, "<section class=\"chapter\" id=\"%s\"><h2>%s</h2>\n", chapter->id,
                chapter->question);
    for (size_t f = 0; f < input->figures->count; f++)
        if (report_chapter_of_figure(input->figures->figures[f].id) == index)
            report_figure(out, &input->figures->figures[f]);
    for (size_t i = 0; i < input->results->count; i++) {
        const struct result *result = &input->results->results[i];
        if (!in_chapter(result, index))
            continue;
        if (!table)
            text_add(out, "<table class=\"results\"><thead><tr><th>result</th><th>value (95 % "
                          "interval)</th><th>how</th></tr></thead>\n");
        table = true;
        add_row(out, result);
    }
    text_add(out, table ? "</table></section>\n" : "</section>\n");
}

/* ---- budgets ---- */

static void add_budget(struct text *out, const struct result *result)
{
    double squares = 0;
    for (size_t i = 0; i < result->budget_count; i++)
        squares += result->budget[i].standard_uncertainty * result->budget[i].standard_uncertainty;
    text_add(out, "<tbody id=\"budget-");
    text_add_escaped(out, result->name);
    text_add(out, "\"><tr><th colspan=\"5\">");
    text_add_escaped(out, result->title);
    text_add(out, "</th></tr>\n");
    for (size_t i = 0; i <= result->budget_count; i++) {
        bool sum = i == result->budget_count;
        const struct result_contribution *part = sum ? NULL : &result->budget[i];
        double u = sum ? result->standard_uncertainty : part->standard_uncertainty;
        double freedom = sum ? result->degrees_of_freedom : part->degrees_of_freedom;
        text_add(out, sum ? "<tr class=\"sum\"><td>combined" : "<tr><td>");
        text_add_escaped(out, sum ? "" : part->name);
        text_format(out, "</td><td>%c</td><td class=\"n\">%.2g ", sum ? ' ' : part->type, u);
        if (strcmp(result->unit, "1") != 0)
            text_add_escaped(out, result->unit);
        text_format(out, "</td><td class=\"n\">%.0f %%</td><td class=\"n\">",
                    sum           ? 100
                    : squares > 0 ? 100 * u * u / squares
                                  : 0);
        if (!sum && part->rectangular)
            text_add(out, "rectangular</td></tr>\n");
        else if (isfinite(freedom))
            text_format(out, "%.0f</td></tr>\n", freedom);
        else
            text_add(out, "\u221e</td></tr>\n");
    }
    text_add(out, "</tbody>\n");
}

static bool has_budget(const struct result *result)
{
    return isfinite(result->value) && result->budget_count > 0;
}

static void add_budgets(struct text *out, const struct result_list *results)
{
    bool any = false;
    for (size_t i = 0; i < results->count; i++)
        any |= has_budget(&results->results[i]);
    if (!any)
        return;
    text_add(out,
             "<section class=\"chapter\" id=\"budgets\"><h2>Where do the uncertainties come "
             "from?</h2>\n<p>Each contribution as a standard uncertainty of the result, its "
             "share of the variance, and its degrees of freedom; type A from the scatter of "
             "this recording, B from other knowledge (JCGM 100).</p>\n<table class=\"budgets\">"
             "<thead><tr><th>contribution</th><th>type</th><th>standard uncertainty</th>"
             "<th>share</th><th>degrees of freedom</th></tr></thead>\n");
    for (size_t i = 0; i < results->count; i++)
        if (has_budget(&results->results[i]))
            add_budget(out, &results->results[i]);
    text_add(out, "</table></section>\n");
}

/* ---- the whole ---- */

/* The chapters beside a staff whose water follows the reader down the page. */
static void add_staff(struct text *out, const struct report_input *input)
{
    text_add(out, "<nav aria-label=\"Chapters\"><div class=\"staff\"><div class=\"water\"></div>"
                  "</div><ol>\n<li><a href=\"#short\">in short</a></li>\n");
    for (size_t c = 0; c < report_chapter_count; c++)
        if (chapter_content(input, c))
            text_format(out, "<li><a href=\"#%s\">%s</a></li>\n", report_chapters[c].id,
                        report_chapters[c].mark);
    text_add(out, "<li><a href=\"#budgets\">uncertainties</a></li>\n</ol></nav>\n");
}

void report_page_begin(struct text *out, const char *title, const char *plot_style)
{
    text_add(out, "<!DOCTYPE html>\n<html lang=\"en\"><head><meta charset=\"utf-8\">\n"
                  "<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n"
                  "<title>");
    text_add_escaped(out, title);
    text_add(out, "</title>\n<style>\n");
    text_add(out, plot_style);
    text_add(out, report_page_style);
    text_add(out, "</style></head><body>\n");
}

void report_page_end(struct text *out, const struct figure_list *figures, const char *plot_script)
{
    text_add(out, "</main>\n<script type=\"application/json\" id=\"figures\">");
    report_figures_json(out, figures);
    text_add(out, "</script>\n<script>\n");
    text_add(out, plot_script);
    text_add(out, "\n</script>\n<script>\n");
    text_add(out, report_page_script);
    text_add(out, "</script>\n</body></html>\n");
}

int report_html(struct text *out, const struct report_input *input, struct rig_err *err)
{
    report_page_begin(out, input->title, input->plot_style);
    add_staff(out, input);
    text_add(out, "<main>\n<header><h1>");
    text_add_escaped(out, input->title);
    text_add(out, "</h1>\n");
    add_facts(out, input);
    text_add(out, "</header>\n");
    add_warnings(out, input);
    text_add(out, "<section class=\"short\" id=\"short\">\n");
    report_staff(out, input->low_mm, input->high_mm);
    text_add(out, "<div><h2>In short</h2>\n<dl>\n");
    report_answer(out, input, false);
    text_add(out, "</dl>\n<p class=\"small\">Numbers in brackets are 95 % intervals.</p>\n");
    add_unknowns(out, input->results);
    text_add(out, "</div></section>\n<p class=\"small screen\">Drag across a plot to look nearer, "
                  "hold Shift to move along, double-click for the whole.</p>\n");
    for (size_t c = 0; c < report_chapter_count; c++)
        if (chapter_content(input, c))
            add_chapter(out, input, c);
    add_budgets(out, input->results);
    report_page_end(out, input->figures, input->plot_script);
    return text_failed(out) ? rig_fail_memory(err, "the report") : RIG_OK;
}
