/* SPDX-License-Identifier: GPL-3.0-or-later
 * A comparison as text, as JSON and as a page. */
#include "results/compare_page.h"

#include "results/report_parts.h"
#include "results/result_json.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

enum { CELL_SIZE = 96, CELLS = 6 };
static const char *const heads[CELLS] = {
    "before", "after", "after less before", "after/before", "would have shown", "verdict"};

/* Rows with a value in one unit; the unit stands beside the title, once. */
static const char *unit_of(const struct compare_row *row)
{
    return strcmp(row->difference.unit, "1") == 0 ? "" : row->difference.unit;
}

static void title_of(const struct compare_row *row, char title[CELL_SIZE])
{
    const char *unit = unit_of(row);
    snprintf(title, CELL_SIZE, "%.60s%s%.24s", row->difference.title, *unit ? ", " : "", unit);
}

/* As many decimals as two significant digits of u need. */
static void number(char cell[CELL_SIZE], double value, double u)
{
    double scale = u > 0 ? u : fabs(value) * 1e-3;
    double decimals = scale > 0 ? fmin(9, fmax(0, 1 - floor(log10(scale)))) : 3;
    if (!isfinite(value))
        snprintf(cell, CELL_SIZE, "-");
    else
        snprintf(cell, CELL_SIZE, "%.*f", (int)decimals, value);
}

static void cells_of(const struct compare_row *row, char cells[CELLS][CELL_SIZE],
                     char verdict[RESULT_TEXT_SIZE])
{
    struct result difference = row->difference;
    double u = difference.standard_uncertainty;
    struct text value = {0};
    number(cells[0], row->before, u);
    number(cells[1], row->after, u);
    *difference.unit = 0;
    if (isfinite(difference.value))
        report_value(&value, &difference);
    snprintf(cells[2], CELL_SIZE, "%s", value.bytes && *value.bytes ? value.bytes : "-");
    text_free(&value);
    if (isfinite(row->ratio_low))
        snprintf(cells[3], CELL_SIZE, "%.3f (%.3f to %.3f)", row->ratio, row->ratio_low,
                 row->ratio_high);
    else
        snprintf(cells[3], CELL_SIZE, "-");
    if (isfinite(row->smallest))
        snprintf(cells[4], CELL_SIZE, "%.2g", row->smallest);
    else
        snprintf(cells[4], CELL_SIZE, "-");
    compare_verdict_text(row, verdict);
}

static void pad(struct text *out, const char *word, size_t width)
{
    text_format(out, "%-*s  ", (int)width, word);
}

/* Rows without a verdict, those of one reason together. */
static void add_unknown(struct text *out, const struct comparison *comparison, bool html)
{
    for (size_t i = 0; i < comparison->count; i++) {
        const char *reason = comparison->rows[i].difference.reason;
        bool told = comparison->rows[i].verdict != COMPARE_UNKNOWN;
        for (size_t k = 0; k < i && !told; k++)
            told = strcmp(comparison->rows[k].difference.reason, reason) == 0;
        if (told)
            continue;
        text_add(out, html ? "<li><b>" : "not known:");
        for (size_t k = i; k < comparison->count; k++) {
            if (strcmp(comparison->rows[k].difference.reason, reason) != 0)
                continue;
            text_add(out, k == i ? html ? "" : " " : "; ");
            text_add_escaped(out, comparison->rows[k].difference.title);
        }
        text_add(out, html ? "</b>: " : "\n    because ");
        if (html)
            text_add_escaped(out, reason);
        else
            text_add(out, reason);
        text_add(out, html ? "</li>\n" : "\n");
    }
}

void compare_text(struct text *out, const struct compare_input *input)
{
    const struct comparison *comparison = input->comparison;
    char cells[CELLS][CELL_SIZE], title[CELL_SIZE], verdict[RESULT_TEXT_SIZE];
    size_t widths[CELLS] = {0}, first = 0;
    for (size_t c = 0; c + 1 < CELLS; c++)
        widths[c] = strlen(heads[c]);
    for (size_t i = 0; i < comparison->count; i++) {
        if (comparison->rows[i].verdict == COMPARE_UNKNOWN)
            continue;
        cells_of(&comparison->rows[i], cells, verdict);
        title_of(&comparison->rows[i], title);
        for (size_t c = 0; c + 1 < CELLS; c++)
            widths[c] = strlen(cells[c]) > widths[c] ? strlen(cells[c]) : widths[c];
        first = strlen(title) > first ? strlen(title) : first;
    }
    for (size_t i = 0; i < input->warning_count; i++)
        text_format(out, "note: %s\n", input->warnings[i]);
    pad(out, "", first);
    for (size_t c = 0; c + 1 < CELLS; c++)
        pad(out, heads[c], widths[c]);
    text_format(out, "%s\n", heads[CELLS - 1]);
    for (size_t i = 0; i < comparison->count; i++) {
        if (comparison->rows[i].verdict == COMPARE_UNKNOWN)
            continue;
        cells_of(&comparison->rows[i], cells, verdict);
        title_of(&comparison->rows[i], title);
        pad(out, title, first);
        for (size_t c = 0; c + 1 < CELLS; c++)
            pad(out, cells[c], widths[c]);
        text_format(out, "%s\n", verdict);
    }
    add_unknown(out, comparison, false);
    text_add(out,
             "\nIn brackets 95 % intervals. A verdict holds for all rows together (Holm, 5 %); "
             "'would have\nshown' is the smallest difference that these data show four times "
             "in five.\n");
}

/* ---- JSON ---- */

static json_t *json_number(double value)
{
    return isfinite(value) ? json_real(value) : json_null();
}

static json_t *named_json(const struct compare_named *named, size_t count)
{
    json_t *list = json_array();
    for (size_t i = 0; list && i < count; i++) {
        const struct run_facts *facts = named[i].facts;
        json_t *one = json_pack("{s:s, s:s, s:s, s:s, s:s}", "recording", named[i].folder, "board",
                                facts->board, "revision", facts->revision, "coating",
                                facts->coating, "started", facts->started);
        if (json_array_append_new(list, one)) {
            json_decref(list);
            return NULL;
        }
    }
    return list;
}

static json_t *row_json(const struct compare_row *row)
{
    static const char *const verdicts[] = {"not known", "lower", "higher", "not shown"};
    char words[RESULT_TEXT_SIZE];
    compare_verdict_text(row, words);
    return json_pack("{s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:I, s:s, s:s}", "before",
                     json_number(row->before), "after", json_number(row->after), "difference",
                     result_to_json(&row->difference), "ratio", json_number(row->ratio),
                     "ratio_low_95", json_number(row->ratio_low), "ratio_high_95",
                     json_number(row->ratio_high), "p", json_number(row->p), "p_corrected",
                     json_number(row->p_corrected), "smallest_shown", json_number(row->smallest),
                     "pairs", (json_int_t)row->pairs, "verdict", verdicts[row->verdict], "words",
                     words);
}

json_t *compare_json(const struct compare_input *input)
{
    json_t *rows = json_object(), *warnings = json_array();
    bool failed = !rows || !warnings;
    for (size_t i = 0; !failed && i < input->comparison->count; i++) {
        const struct compare_row *row = &input->comparison->rows[i];
        failed = json_object_set_new(rows, row->difference.name, row_json(row)) != 0;
    }
    for (size_t i = 0; !failed && i < input->warning_count; i++)
        failed = json_array_append_new(warnings, json_string(input->warnings[i])) != 0;
    if (failed) {
        json_decref(rows);
        json_decref(warnings);
        return NULL;
    }
    return json_pack("{s:s, s:o, s:o, s:o, s:o}", "format", "wetsweep comparison", "before",
                     named_json(input->before_named, input->before->count), "after",
                     named_json(input->after_named, input->after->count), "warnings", warnings,
                     "quantities", rows);
}

/* ---- the page ---- */

static void add_side(struct text *out, const char *side, const struct compare_named *named,
                     size_t count)
{
    for (size_t i = 0; i < count; i++) {
        const struct run_facts *facts = named[i].facts;
        text_format(out, "<div><dt>%s</dt><dd>", side);
        text_add_escaped(out, facts->board);
        text_add(out, ", revision ");
        text_add_escaped(out, facts->revision);
        if (*facts->coating) {
            text_add(out, ", coating: ");
            text_add_escaped(out, facts->coating);
        }
        text_add(out, "<br>");
        text_add_escaped(out, facts->started);
        text_add(out, "</dd></div>");
    }
}

static void add_cell(struct text *out, const char *tag, const char *text)
{
    text_format(out, "<%s>", tag);
    text_add_escaped(out, text);
    text_add(out, *tag == 't' && tag[1] == 'h' ? "</th>" : "</td>");
}

static void add_table(struct text *out, const struct comparison *comparison)
{
    char cells[CELLS][CELL_SIZE], title[CELL_SIZE], verdict[RESULT_TEXT_SIZE];
    text_add(out, "<table class=\"compared\"><thead><tr><th>result</th>");
    for (size_t c = 0; c < CELLS; c++)
        add_cell(out, "th", heads[c]);
    text_add(out, "</tr></thead>\n");
    for (size_t i = 0; i < comparison->count; i++) {
        const struct compare_row *row = &comparison->rows[i];
        if (row->verdict == COMPARE_UNKNOWN)
            continue;
        cells_of(row, cells, verdict);
        title_of(row, title);
        text_add(out, "<tr>");
        add_cell(out, "td", title);
        for (size_t c = 0; c + 1 < CELLS; c++)
            add_cell(out, "td class=\"n\"", cells[c]);
        bool shown = row->verdict == COMPARE_LOWER || row->verdict == COMPARE_HIGHER;
        text_add(out, shown ? "<td><b>" : "<td>");
        text_add_escaped(out, verdict);
        text_add(out, shown ? "</b></td></tr>\n" : "</td></tr>\n");
    }
    text_add(out, "</table>\n<ul class=\"unknown\">\n");
    add_unknown(out, comparison, true);
    text_add(out, "</ul>\n");
}

/* One sentence a quantity that differs, the others counted. */
static void add_answer(struct text *out, const struct comparison *comparison)
{
    size_t shown = 0, unknown = 0;
    text_add(out, "<div><h2>In short</h2>\n<dl>\n");
    for (size_t i = 0; i < comparison->count; i++) {
        const struct compare_row *row = &comparison->rows[i];
        unknown += row->verdict == COMPARE_UNKNOWN;
        if (row->verdict != COMPARE_LOWER && row->verdict != COMPARE_HIGHER)
            continue;
        struct text value = {0};
        report_value(&value, &row->difference);
        text_format(out, "<dt>%s</dt><dd>", row->verdict == COMPARE_LOWER ? "lower" : "higher");
        text_add_escaped(out, row->difference.title);
        text_add(out, ": <b>");
        text_add_escaped(out, value.bytes ? value.bytes : "");
        text_add(out, "</b></dd>\n");
        out->failed |= value.failed;
        text_free(&value);
        shown++;
    }
    text_format(out,
                "</dl>\n<p>%zu of %zu quantities differ beyond chance; for %zu the table says how "
                "large a difference these data leave room for, %zu are not known.</p>\n"
                "<p class=\"small\">In brackets 95 %% intervals. A verdict holds for all rows "
                "together (Holm, 5 %%).</p></div>\n",
                shown, comparison->count, comparison->count - shown - unknown, unknown);
}

int compare_html(struct text *out, const struct compare_input *input, struct rig_err *err)
{
    struct figure_list figures = {0};
    int code = compare_figures(&figures, input, err);
    if (code) {
        figure_list_free(&figures);
        return code;
    }
    report_page_begin(out, "Before and after", report_dygraphs_style);
    text_add(out, "<nav aria-label=\"Chapters\"><div class=\"staff\"><div class=\"water\"></div>"
                  "</div><ol>\n<li><a href=\"#short\">in short</a></li>\n<li><a href=\"#table\">"
                  "each result</a></li>\n<li><a href=\"#plots\">plots</a></li>\n</ol></nav>\n"
                  "<main>\n<header><h1>Before and after</h1>\n<dl class=\"facts\">");
    add_side(out, "Before", input->before_named, input->before->count);
    add_side(out, "After", input->after_named, input->after->count);
    text_add(out, "</dl></header>\n");
    report_warnings(out, input->warnings, input->warning_count);
    text_add(out, "<section class=\"short\" id=\"short\">\n");
    report_staff(out, input->after->fits[0]->low_mm, input->after->fits[0]->high_mm);
    add_answer(out, input->comparison);
    text_add(out, "</section>\n<section class=\"chapter\" id=\"table\"><h2>What changed?</h2>\n");
    add_table(out, input->comparison);
    text_add(out,
             "</section>\n<section class=\"chapter\" id=\"plots\"><h2>How does it look?</h2>\n");
    for (size_t f = 0; f < figures.count; f++)
        report_figure(out, &figures.figures[f]);
    text_add(out, "</section>\n");
    report_page_end(out, &figures, report_dygraphs_script);
    figure_list_free(&figures);
    return text_failed(out) ? rig_fail_memory(err, "the page") : RIG_OK;
}
