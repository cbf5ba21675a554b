/* SPDX-License-Identifier: GPL-3.0-or-later
 * Lines of numbers to batches of rows, fast. A line is first tried as what the writer
 * writes: plain numbers, commas, a line's end (recording_layout.h, recording_cell.h). (Tried
 * and slower, as cells are short: eight digits at a time by arithmetic on words, and a list
 * of all separators made beforehand.) Whatever isn't like that (quotes, blanks, exponents, many
 * digits, nonsense) is parsed again, slowly and exactly. Pure. */
#include "results/recording_parts.h"

#include "base/number.h"
#if defined __SSE2__ && !defined RECORDING_WITHOUT_LAYOUTS
#include "results/recording_layout.h"
#else
#include "results/recording_layout_none.h"
#endif

#include <math.h>
#include <stdalign.h>
#include <stdlib.h>
#include <string.h>

static bool is_blank(char c)
{
    return c == ' ' || c == '\t';
}

/* One cell that starts at `at`; where it ended (its comma, or the end), or NULL. */
static const char *any_cell(const char *at, const char *end, double *value)
{
    while (at < end && is_blank(*at))
        at++;
    const char *first = at, *last;
    if (at < end && *at == '"') {
        first++;
        at = memchr(first, '"', (size_t)(end - first));
        if (!at) /* a quote inside the quotes fails too: no number has one */
            return NULL;
        last = at++;
        while (at < end && is_blank(*at))
            at++;
        if (at < end && *at != ',')
            return NULL;
    } else {
        while (at < end && *at != ',')
            at++;
        last = at;
        while (last > first && is_blank(last[-1]))
            last--;
    }
    *value = NAN;
    if (last > first && !rig_number(first, (size_t)(last - first), value, NULL))
        return NULL;
    return at;
}

enum line_kind { LINE_ROW, LINE_BLANK, LINE_MALFORMED };

/* at..end: a line without its end. */
static enum line_kind any_line(const char *at, const char *end, double *cells, size_t columns)
{
    while (end > at && end[-1] == '\r')
        end--;
    const char *first = at;
    while (first < end && is_blank(*first))
        first++;
    if (first == end)
        return LINE_BLANK;
    for (size_t c = 0; c < columns; c++) {
        at = any_cell(at, end, &cells[c * PARSE_BATCH_ROWS]);
        if (!at || (c + 1 < columns && at == end))
            return LINE_MALFORMED;
        if (c + 1 < columns)
            at++;
    }
    return at == end && isfinite(cells[0]) ? LINE_ROW : LINE_MALFORMED;
}

int row_parser_open(struct row_parser *parser, size_t columns, const size_t order[], size_t given,
                    row_sink *sink, void *context, struct scan_report *report, struct rig_err *err)
{
    *parser = (struct row_parser){.columns = columns,
                                  .given = order ? given : columns,
                                  .sink = sink,
                                  .context = context,
                                  .report = report};
    if (columns == 0 || columns > RECORDING_COLUMN_LIMIT)
        return rig_fail(err, RIG_EBUG, "rows of %zu columns", columns);
    parser->cells = malloc(columns * PARSE_BATCH_ROWS * sizeof *parser->cells);
    parser->layouts = aligned_alloc(alignof(struct cell_column), columns * sizeof *parser->layouts);
    if (!parser->cells || !parser->layouts) {
        row_parser_close(parser);
        return rig_fail_memory(err, "rows of a recording");
    }
    for (size_t c = 0; c < columns; c++)
        cell_column_open(&parser->layouts[c], c + 1 == columns);
    for (size_t c = 0; c < parser->given; c++)
        parser->values[c] = parser->cells + (order ? order[c] : c) * PARSE_BATCH_ROWS;
    return RIG_OK;
}

/* Counts the rows of a full batch. */
static void count_rows(struct row_parser *parser)
{
    struct scan_report *report = parser->report;
    const double *t_s = parser->cells;
    double before = report->rows ? report->last_t_s : t_s[0];
    uint64_t backward = 0;
    for (size_t r = 0; r < parser->rows; r++) {
        backward += t_s[r] < before;
        before = t_s[r];
    }
    if (report->rows == 0)
        report->first_t_s = t_s[0];
    report->backward_times += backward;
    report->last_t_s = before;
    report->rows += parser->rows;
}

int row_parser_flush(struct row_parser *parser, struct rig_err *err)
{
    if (parser->rows == 0)
        return RIG_OK;
    const struct row_batch batch = {.rows = parser->rows,
                                    .columns = parser->given,
                                    .values = parser->values,
                                    .first_row = parser->report->rows};
    count_rows(parser);
    parser->rows = 0;
    for (size_t c = 0; c < parser->columns; c++)
        parser->layouts[c].lessons = 0;
    return parser->sink(parser->context, &batch, err);
}

static void count_malformed(struct scan_report *report, uint64_t line)
{
    if (report->malformed++ == 0)
        report->first_malformed_line = line;
}

int row_parser_feed(struct row_parser *parser, const char *bytes, size_t size, size_t *used,
                    struct rig_err *err)
{
    size_t rows = parser->rows, columns = parser->columns;
    uint64_t lines = parser->report->lines;
    int code = RIG_OK;
    /* Only whole lines are looked at: whatever runs on ends at a line's end. */
    while (size > 0 && bytes[size - 1] != '\n')
        size--;
    const char *at = bytes, *end = bytes + size;
    /* A line that begins before this may be read by layouts, which look beyond it. */
    size_t reach = columns * LAYOUT_REACH;
    const char *last = size > reach ? end - reach : bytes;
    while (!code && at < end) {
        const char *next = at < last
                               ? line_by_layouts(parser->layouts, columns, at, parser->cells + rows)
                               : line_by_digits(columns, at, parser->cells + rows);
        if (next) {
            rows++;
        } else {
            const char *newline = memchr(at, '\n', (size_t)(end - at));
            enum line_kind kind = any_line(at, newline, parser->cells + rows, columns);
            rows += kind == LINE_ROW;
            if (kind == LINE_MALFORMED)
                count_malformed(parser->report, lines + 1);
            next = newline + 1;
        }
        at = next;
        lines++;
        if (rows == PARSE_BATCH_ROWS) {
            parser->rows = rows;
            code = row_parser_flush(parser, err);
            rows = 0;
        }
    }
    parser->rows = rows;
    parser->report->lines = lines;
    *used = (size_t)(at - bytes);
    return code;
}

void row_parser_close(struct row_parser *parser)
{
    free(parser->cells);
    free(parser->layouts);
    parser->cells = NULL;
    parser->layouts = NULL;
}

int recording_parse(const char *bytes, size_t size, size_t columns, row_sink *sink, void *context,
                    size_t *used, struct scan_report *report, struct rig_err *err)
{
    struct row_parser parser;
    *used = 0;
    int code = row_parser_open(&parser, columns, NULL, columns, sink, context, report, err);
    if (code)
        return code;
    code = row_parser_feed(&parser, bytes, size, used, err);
    if (!code)
        code = row_parser_flush(&parser, err);
    row_parser_close(&parser);
    return code;
}

void scan_report_add(struct scan_report *report, const struct scan_report *next)
{
    if (next->rows) {
        report->backward_times += report->rows && next->first_t_s < report->last_t_s;
        if (report->rows == 0)
            report->first_t_s = next->first_t_s;
        report->last_t_s = next->last_t_s;
    }
    if (report->malformed == 0)
        report->first_malformed_line = next->first_malformed_line;
    report->rows += next->rows;
    report->malformed += next->malformed;
    report->cut_last_line += next->cut_last_line;
    report->backward_times += next->backward_times;
    report->unknown_columns += next->unknown_columns;
    report->lines += next->lines;
}

void scan_report_follow(struct scan_report *report, const struct scan_report *next)
{
    uint64_t before = report->lines;
    bool fine = report->malformed == 0;
    scan_report_add(report, next);
    if (fine && report->malformed)
        report->first_malformed_line += before;
}
