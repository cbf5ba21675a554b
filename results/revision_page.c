/* SPDX-License-Identifier: GPL-3.0-or-later
 * A revision's curve as text, as JSON and as a page. */
#include "results/revision.h"

#include "results/report.h"
#include "results/report_parts.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static const char *const features[REVISION_FEATURES] = {"zero", "span", "bend"};

/* "0.83 mm", "not known". */
static const char *length(char buffer[32], double mm)
{
    if (isfinite(mm))
        snprintf(buffer, 32, "%.*f mm", fabs(mm) < 0.1 ? 3 : 2, mm);
    else
        snprintf(buffer, 32, "not known");
    return buffer;
}

static void add_advice(struct text *out, const struct revision *revision)
{
    if (revision->board_count < 2)
        text_add(out, "One board only: whether others are like it, it can't tell.");
    else if (!revision->kept)
        text_format(out,
                    "No way of production keeps %.3g mm; the curves themselves are bent otherwise "
                    "than they were fitted, or %.3g mm is less than a board repeats.",
                    revision->error_mm, revision->error_mm);
    else
        text_format(out, "To keep %.3g mm in production: %s.%s", revision->error_mm,
                    revision_way_words(revision->advice),
                    revision->board_count < 3
                        ? " Two boards don't tell how further ones will spread; measure a third."
                        : "");
}

static void add_outlier(struct text *out, const struct revision *revision,
                        const struct revision_outlier *outlier, const char *const boards[])
{
    text_format(
        out,
        "%s of %s stands apart: %.3g %s (Grubbs, p = %.2g: %s); measure it again, or leave it out",
        features[outlier->feature], boards[outlier->board], outlier->off,
        outlier->feature == REVISION_SPAN_OFF ? "% of span" : "mm", outlier->p,
        outlier->p < 0.01 ? "an outlier" : "a straggler");
    (void)revision;
}

void revision_text(struct text *out, const struct revision *revision,
                   const struct revision_words *words)
{
    char a[32], b[32];
    const struct curve *curve = &revision->curve;
    for (size_t i = 0; i < words->warning_count; i++)
        text_format(out, "note: %s\n", words->warnings[i]);
    text_format(out, "Revision %s: %zu board%s, %zu recording%s, %.4g mm to %.4g mm\n",
                *words->revision ? words->revision : "(not given)", revision->board_count,
                revision->board_count == 1 ? "" : "s", revision->recording_count,
                revision->recording_count == 1 ? "" : "s", revision->levels[0].depth_mm,
                revision->levels[revision->level_count - 1].depth_mm);
    text_format(out, "reading in %s =", words->unit);
    for (size_t k = 0; k <= curve->polynomial.degree; k++)
        text_format(out, k ? " %+.9g d^%zu" : " %.9g", curve->polynomial.power[k], k);
    text_format(out, ", d the depth in mm (degree %s)\n\n", curve->chosen ? "by AICc" : "as asked");
    text_format(out, "%10s  %14s  %16s  %16s\n", "depth", "reading", "between boards",
                "within a board");
    for (size_t l = 0; l < revision->level_count; l++) {
        const struct revision_level *level = &revision->levels[l];
        text_format(out, "%7.4g mm  %14.6g  %16s  %16s\n", level->depth_mm, level->reading,
                    length(a, level->between_mm), length(b, level->within_mm));
    }
    if (revision->board_count > 1) {
        text_format(out, "\n%-56s  %-34s  %s\n", "worst error of depth with", "of these boards",
                    "of a further board, 95 %");
        for (int way = 0; way < REVISION_WAY_COUNT; way++) {
            const struct revision_cost *cost = &revision->ways[way];
            char worst[120];
            snprintf(worst, sizeof worst, "%s (%.40s at %.4g mm)", length(a, cost->worst_mm),
                     words->boards[cost->board], cost->at_mm);
            text_format(out, "%-56s  %-34s  %s\n", revision_way_words((enum revision_way)way),
                        worst, length(b, cost->next_mm));
        }
    }
    for (size_t i = 0; i < revision->outlier_count; i++) {
        text_add(out, i ? "The " : "\nThe ");
        add_outlier(out, revision, &revision->outliers[i], words->boards);
        text_add(out, "\n");
    }
    text_add(out, "\n");
    add_advice(out, revision);
    text_add(out, "\n");
}

/* ---- JSON ---- */

static json_t *number(double value)
{
    return isfinite(value) ? json_real(value) : json_null();
}

static bool append(json_t *list, json_t *item)
{
    return json_array_append_new(list, item) == 0;
}

json_t *revision_json(const struct revision *revision, const struct revision_words *words)
{
    json_t *levels = json_array(), *ways = json_array(), *outliers = json_array();
    json_t *power = json_array(), *boards = json_array(), *warnings = json_array();
    bool good = levels && ways && outliers && power && boards && warnings;
    for (size_t l = 0; good && l < revision->level_count; l++) {
        const struct revision_level *level = &revision->levels[l];
        good = append(levels,
                      json_pack("{s:f, s:f, s:o, s:o, s:o, s:o, s:o}", "depth_mm", level->depth_mm,
                                "reading", level->reading, "between_sd", number(level->between_sd),
                                "within_sd", number(level->within_sd), "between_mm",
                                number(level->between_mm), "within_mm", number(level->within_mm),
                                "p", number(level->p)));
    }
    for (int way = 0; good && way < REVISION_WAY_COUNT; way++) {
        const struct revision_cost *cost = &revision->ways[way];
        good = append(ways, json_pack("{s:s, s:o, s:f, s:s, s:o}", "way",
                                      revision_way_words((enum revision_way)way), "worst_mm",
                                      number(cost->worst_mm), "at_mm", cost->at_mm, "board",
                                      words->boards[cost->board], "next_board_mm",
                                      number(cost->next_mm)));
    }
    for (size_t i = 0; good && i < revision->outlier_count; i++) {
        const struct revision_outlier *outlier = &revision->outliers[i];
        good = append(outliers,
                      json_pack("{s:s, s:s, s:f, s:f}", "board", words->boards[outlier->board],
                                "feature", features[outlier->feature],
                                outlier->feature == REVISION_SPAN_OFF ? "off_percent" : "off_mm",
                                outlier->off, "p", outlier->p));
    }
    for (size_t k = 0; good && k <= revision->curve.polynomial.degree; k++)
        good = append(power, json_real(revision->curve.polynomial.power[k]));
    for (size_t b = 0; good && b < revision->board_count; b++)
        good = append(boards, json_string(words->boards[b]));
    for (size_t i = 0; good && i < words->warning_count; i++)
        good = append(warnings, json_string(words->warnings[i]));
    json_t *all = json_pack(
        "{s:s, s:s, s:s, s:I, s:o, s:o, s:o, s:o, s:o, s:f, s:o, s:o}", "format",
        "wetsweep revision", "revision", words->revision, "unit", words->unit, "recordings",
        (json_int_t)revision->recording_count, "boards", boards, "coefficients", power, "levels",
        levels, "production", ways, "outliers", outliers, "error_mm", revision->error_mm, "advice",
        revision->kept ? json_string(revision_way_words(revision->advice)) : json_null(),
        "warnings", warnings);
    if (good)
        return all;
    json_decref(all);
    return NULL;
}

/* ---- the page ---- */

static int boards_figure(struct figure_list *figures, const struct revision *revision,
                         const struct revision_words *words, enum revision_way way,
                         struct rig_err *err)
{
    bool trimmed = way == REVISION_SPAN;
    struct figure *figure = figure_add(figures, trimmed ? "boards-trimmed" : "boards",
                                       trimmed ? "The boards, zero and span trimmed"
                                               : "The boards with the revision's curve",
                                       "depth, mm", "depth shown less true, mm", err);
    if (!figure)
        return err->code;
    snprintf(figure->sentence, sizeof figure->sentence,
             trimmed ? "What is left when zero and span of each board are trimmed: how "
                       "differently the boards are bent."
                     : "By how much each board would be off with the curve of the revision and "
                       "nothing else.");
    for (size_t b = 0; b < revision->board_count; b++) {
        struct figure_series *series = figure_series_add(figure, words->boards[b], FIGURE_LINE,
                                                         revision->level_count, false, err);
        if (!series)
            return err->code;
        for (size_t l = 0; l < revision->level_count; l++) {
            series->x[l] = revision->levels[l].depth_mm;
            series->y[l] = revision_error_mm(revision, b, l, way);
        }
    }
    return RIG_OK;
}

static int spread_figure(struct figure_list *figures, const struct revision *revision,
                         struct rig_err *err)
{
    struct figure *figure = figure_add(figures, "revision-spread", "Between boards and within one",
                                       "depth, mm", "standard deviation, mm of depth", err);
    if (!figure)
        return err->code;
    snprintf(figure->sentence, sizeof figure->sentence,
             "How far boards differ, beside how well one board comes back to the same reading.");
    for (int within = 0; within < 2; within++) {
        struct figure_series *series =
            figure_series_add(figure, within ? "within a board" : "between boards", FIGURE_POINTS,
                              revision->level_count, false, err);
        if (!series)
            return err->code;
        for (size_t l = 0; l < revision->level_count; l++) {
            series->x[l] = revision->levels[l].depth_mm;
            series->y[l] = within ? revision->levels[l].within_mm : revision->levels[l].between_mm;
        }
    }
    return RIG_OK;
}

static void add_cell(struct text *out, const char *word)
{
    text_add(out, "<td>");
    text_add_escaped(out, word);
    text_add(out, "</td>");
}

static void add_ways(struct text *out, const struct revision *revision,
                     const struct revision_words *words)
{
    char buffer[32];
    text_add(out, "<table class=\"compared\"><thead><tr><th>worst error of depth with</th>"
                  "<th>of these boards</th><th>which</th><th>of a further board, 95 %</th></tr>"
                  "</thead>\n");
    for (int way = 0; way < REVISION_WAY_COUNT; way++) {
        const struct revision_cost *cost = &revision->ways[way];
        char where[96];
        snprintf(where, sizeof where, "%.60s at %.4g mm", words->boards[cost->board], cost->at_mm);
        text_add(out, "<tr>");
        add_cell(out, revision_way_words((enum revision_way)way));
        add_cell(out, length(buffer, cost->worst_mm));
        add_cell(out, where);
        add_cell(out, length(buffer, cost->next_mm));
        text_add(out, "</tr>\n");
    }
    text_add(out, "</table>\n");
}

static void add_short(struct text *out, const struct revision *revision,
                      const struct revision_words *words)
{
    char a[32], b[32];
    double between = 0, within = 0;
    for (size_t l = 0; l < revision->level_count; l++) {
        between = fmax(between, revision->levels[l].between_mm);
        within = fmax(within, revision->levels[l].within_mm);
    }
    text_add(out, "<div><h2>In short</h2>\n<dl>\n<dt>advice</dt><dd><b>");
    add_advice(out, revision);
    text_format(out,
                "</b></dd>\n<dt>spread</dt><dd>boards differ by up to <b>%s</b> (one standard "
                "deviation), one board repeats within <b>%s</b></dd>\n",
                length(a, between), length(b, within));
    for (size_t i = 0; i < revision->outlier_count; i++) {
        struct text line = {0};
        add_outlier(&line, revision, &revision->outliers[i], words->boards);
        text_add(out, "<dt>apart</dt><dd class=\"none\">");
        text_add_escaped(out, line.bytes ? line.bytes : "");
        text_add(out, "</dd>\n");
        out->failed |= line.failed;
        text_free(&line);
    }
    text_add(out, "</dl></div>\n");
}

int revision_html(struct text *out, const struct revision *revision,
                  const struct revision_words *words, struct rig_err *err)
{
    struct figure_list figures = {0};
    int code = boards_figure(&figures, revision, words, REVISION_SHARED, err);
    if (!code && revision->board_count > 1)
        code = boards_figure(&figures, revision, words, REVISION_SPAN, err);
    if (!code && revision->board_count > 1)
        code = spread_figure(&figures, revision, err);
    if (code) {
        figure_list_free(&figures);
        return code;
    }
    char title[120];
    snprintf(title, sizeof title, "Revision %.60s: one curve for %zu board%s", words->revision,
             revision->board_count, revision->board_count == 1 ? "" : "s");
    report_page_begin(out, title, report_dygraphs_style);
    text_add(out, "<nav aria-label=\"Chapters\"><div class=\"staff\"><div class=\"water\"></div>"
                  "</div><ol>\n<li><a href=\"#short\">in short</a></li>\n<li><a href=\"#ways\">"
                  "production</a></li>\n<li><a href=\"#plots\">the boards</a></li>\n</ol></nav>\n"
                  "<main>\n<header><h1>");
    text_add_escaped(out, title);
    text_add(out, "</h1></header>\n");
    report_warnings(out, words->warnings, words->warning_count);
    text_add(out, "<section class=\"short\" id=\"short\">\n");
    report_staff(out, revision->levels[0].depth_mm,
                 revision->levels[revision->level_count - 1].depth_mm);
    add_short(out, revision, words);
    text_add(out, "</section>\n<section class=\"chapter\" id=\"ways\"><h2>What does each way of "
                  "production cost?</h2>\n");
    add_ways(out, revision, words);
    text_add(out, "</section>\n<section class=\"chapter\" id=\"plots\"><h2>How do the boards "
                  "differ?</h2>\n");
    for (size_t f = 0; f < figures.count; f++)
        report_figure(out, &figures.figures[f]);
    text_add(out, "</section>\n");
    report_page_end(out, &figures, report_dygraphs_script);
    figure_list_free(&figures);
    return text_failed(out) ? rig_fail_memory(err, "the page") : RIG_OK;
}
