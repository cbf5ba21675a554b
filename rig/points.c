/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "rig/points.h"

#include "base/statement.h"
#include "results/levels.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

static const char *const words[] = {"up", "rising", "down", "falling"};
static const signed char meanings[] = {LEVEL_RISING, LEVEL_RISING, LEVEL_FALLING, LEVEL_FALLING};
enum { WORD_COUNT = sizeof words / sizeof *words };

static const char *cell_of(const struct table *table, size_t row, size_t column)
{
    return table->cells[row * table->columns + column];
}

static int find_depth(const struct points *points, const char *wanted, size_t *column,
                      struct rig_err *err)
{
    if (wanted)
        return table_need_column(&points->table, wanted, column, err);
    int found = table_column(&points->table, "depth_mm");
    if (found < 0)
        found = table_column(&points->table, "depth");
    if (found < 0)
        return table_need_column(&points->table, "depth_mm", column, err);
    *column = (size_t)found;
    return RIG_OK;
}

/* Fills *values with a column of numbers, or leaves NULL when it is optional and not
 * there. */
static int read_numbers(const struct points *points, size_t column, double **values,
                        struct rig_err *err)
{
    *values = calloc(points->table.rows + 1, sizeof **values);
    if (!*values)
        return rig_fail_memory(err, "reading a table of points");
    return table_numbers(&points->table, column, *values, err);
}

static int read_uncertainties(const struct points *points, const char *wanted, const char *usual,
                              double **values, struct rig_err *err)
{
    size_t column;
    int found = wanted ? -1 : table_column(&points->table, usual);
    if (wanted) {
        int failed = table_need_column(&points->table, wanted, &column, err);
        if (failed)
            return failed;
    } else if (found < 0) {
        return RIG_OK;
    } else {
        column = (size_t)found;
    }
    int failed = read_numbers(points, column, values, err);
    for (size_t row = 0; row < points->table.rows && !failed; row++)
        if (!((*values)[row] > 0))
            failed = table_fail(&points->table, row, column, err,
                                "a standard uncertainty of %s; it must be above 0",
                                cell_of(&points->table, row, column));
    return failed;
}

static int read_directions(struct points *points, struct rig_err *err)
{
    int column = table_column(&points->table, "direction");
    if (column < 0)
        return RIG_OK;
    points->direction = calloc(points->table.rows, 1);
    if (!points->direction)
        return rig_fail_memory(err, "reading a table of points");
    for (size_t row = 0; row < points->table.rows; row++) {
        const char *cell = cell_of(&points->table, row, (size_t)column);
        size_t word = 0;
        while (word < WORD_COUNT && strcasecmp(cell, words[word]) != 0)
            word++;
        if (word == WORD_COUNT && *cell) {
            const char *near = nearest_word(cell, words, WORD_COUNT);
            return table_fail(&points->table, row, (size_t)column, err,
                              "'%.40s' is no direction; up, down, rising and falling are%s%s%s",
                              cell, near ? ", did you mean '" : "", near ? near : "",
                              near ? "'?" : "");
        }
        points->direction[row] = word < WORD_COUNT ? meanings[word] : LEVEL_UNKNOWN;
    }
    return RIG_OK;
}

struct label {
    const char *text;
    size_t row;
};

static int by_label(const void *a, const void *b)
{
    const struct label *left = a, *right = b;
    int order = strcmp(left->text, right->text);
    return order ? order : left->row < right->row ? -1 : left->row > right->row;
}

/* Cycles are whatever the table calls them; equal names are one cycle. */
static int read_cycles(struct points *points, struct rig_err *err)
{
    int column = table_column(&points->table, "cycle");
    size_t rows = points->table.rows;
    if (column < 0)
        return RIG_OK;
    struct label *labels = calloc(rows, sizeof *labels);
    points->cycle = calloc(rows, sizeof *points->cycle);
    if (!labels || !points->cycle) {
        free(labels);
        return rig_fail_memory(err, "reading a table of points");
    }
    int failed = RIG_OK;
    for (size_t row = 0; row < rows && !failed; row++) {
        labels[row] = (struct label){cell_of(&points->table, row, (size_t)column), row};
        if (!*labels[row].text)
            failed = table_fail(&points->table, row, (size_t)column, err,
                                "no cycle; number the cycles 1, 2, ... in every row");
    }
    if (!failed) {
        qsort(labels, rows, sizeof *labels, by_label);
        for (size_t i = 0; i < rows; i++) {
            points->cycles += i == 0 || strcmp(labels[i].text, labels[i - 1].text) != 0;
            points->cycle[labels[i].row] = points->cycles - 1;
        }
    }
    free(labels);
    return failed;
}

static int check_depths(const struct points *points, struct rig_err *err)
{
    const struct table *table = &points->table;
    if (table->rows == 0)
        return rig_fail(err, RIG_EINPUT,
                        "%s: a header and no rows; a curve needs two rows of different depth",
                        table->name);
    if (table->rows == 1)
        return table_fail(table, 0, points->depth_column, err,
                          "one row only; a curve needs two of different depth");
    for (size_t row = 1; row < table->rows; row++)
        if (points->depth[row] != points->depth[0])
            return RIG_OK;
    return table_fail(table, 0, points->depth_column, err,
                      "all %zu depths are %s; a curve needs two that differ", table->rows,
                      cell_of(table, 0, points->depth_column));
}

int points_read(struct points *points, const char *name, const char *bytes, size_t size,
                const struct points_columns *columns, struct rig_err *err)
{
    struct points made;
    memset(&made, 0, sizeof made);
    int failed = table_read(&made.table, name, bytes, size, err);
    if (failed)
        return failed;
    failed = find_depth(&made, columns->depth, &made.depth_column, err);
    if (!failed)
        failed = table_need_column(&made.table, columns->reading ? columns->reading : "reading",
                                   &made.reading_column, err);
    if (!failed && made.table.rows == 0)
        failed = check_depths(&made, err);
    if (!failed)
        failed = read_numbers(&made, made.depth_column, &made.depth, err);
    if (!failed)
        failed = read_numbers(&made, made.reading_column, &made.reading, err);
    if (!failed)
        failed = check_depths(&made, err);
    if (!failed)
        failed = read_uncertainties(&made, columns->depth_u, "depth_u", &made.depth_u, err);
    if (!failed)
        failed = read_uncertainties(&made, columns->reading_u, "reading_u", &made.reading_u, err);
    if (!failed)
        failed = read_directions(&made, err);
    if (!failed)
        failed = read_cycles(&made, err);
    if (failed)
        points_free(&made);
    else
        *points = made;
    return failed;
}

void points_free(struct points *points)
{
    if (!points)
        return;
    table_free(&points->table);
    free(points->depth);
    free(points->reading);
    free(points->depth_u);
    free(points->reading_u);
    free(points->direction);
    free(points->cycle);
    memset(points, 0, sizeof *points);
}

struct curve_points points_view(const struct points *points)
{
    return (struct curve_points){.n = points->table.rows,
                                 .depth = points->depth,
                                 .reading = points->reading,
                                 .reading_u = points->reading_u,
                                 .depth_u = points->depth_u,
                                 .cycle = points->cycle,
                                 .cycles = points->cycles};
}
