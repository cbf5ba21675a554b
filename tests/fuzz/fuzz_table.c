/* SPDX-License-Identifier: GPL-3.0-or-later
 * Tables: any bytes give a table that holds together, or an error with a place. */
#include "base/table.h"

#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static void require(bool holds, const char *what)
{
    if (holds)
        return;
    fprintf(stderr, "%s\n", what);
    abort();
}

static void check_error(int code, const struct rig_err *err)
{
    require(code == RIG_EINPUT && err->code == RIG_EINPUT, "not an error of the input");
    require(strncmp(err->text, "fuzz.csv:", 9) == 0, "no place in the error");
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct table table;
    struct rig_err err = {0};
    int code = table_read(&table, "fuzz.csv", (const char *)data, size, &err);
    if (code) {
        check_error(code, &err);
        require(!table.name && !table.cells && !table.arena, "something is left behind");
        return 0;
    }
    require(table.columns > 0 && table.columns <= TABLE_COLUMN_LIMIT, "no columns");
    double *values = malloc((table.rows + 1) * sizeof *values);
    require(values != NULL, "no memory");
    int line = 0;
    size_t letters = 0;
    for (size_t column = 0; column < table.columns; column++) {
        size_t found = 999;
        require(table.headers[column][0] != 0, "an empty header");
        require(table_column(&table, table.headers[column]) == (int)column, "a lost column");
        require(!table_need_column(&table, table.headers[column], &found, &err) && found == column,
                "a column is found elsewhere");
        code = table_numbers(&table, column, values, &err);
        if (code)
            check_error(code, &err);
    }
    for (size_t row = 0; row < table.rows; row++) {
        require(table.lines[row] > line, "lines don't grow");
        line = table.lines[row];
        for (size_t column = 0; column < table.columns; column++) {
            letters += strlen(table.cells[row * table.columns + column]);
            check_error(table_fail(&table, row, column, &err, "here"), &err);
        }
    }
    require(letters <= size, "more text than there was");
    if (table_column(&table, "depth_mm") < 0)
        check_error(table_need_column(&table, "depth_mm", &letters, &err), &err);
    free(values);
    table_free(&table);
    return 0;
}
