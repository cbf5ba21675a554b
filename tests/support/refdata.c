/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "refdata.h"

#include "check.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static FILE *open_reference(const char *file)
{
    FILE *stream = fopen(reference_path(file), "r");
    if (!stream)
        print_error("%s: can't be opened\n", reference_path(file));
    assert_non_null(stream);
    return stream;
}

void refdata_read(struct refdata *data, const char *file)
{
    FILE *stream = open_reference(file);
    char line[1024];
    memset(data, 0, sizeof *data);
    assert_non_null(fgets(line, sizeof line, stream));
    line[strcspn(line, "\r\n")] = 0;
    char *place = line;
    for (char *cell; (cell = strsep(&place, ","));) {
        assert_true(data->columns < REFDATA_COLUMNS);
        snprintf(data->names[data->columns++], sizeof data->names[0], "%.63s", cell);
    }
    while (fgets(line, sizeof line, stream)) {
        line[strcspn(line, "\r\n")] = 0;
        assert_true(data->rows < REFDATA_ROWS);
        place = line;
        for (size_t column = 0; column < data->columns; column++) {
            char *cell = strsep(&place, ","), *end = NULL;
            assert_non_null(cell);
            double value = strtod(cell, &end);
            data->values[column][data->rows] = end == cell || *end ? NAN : value;
        }
        data->rows++;
    }
    fclose(stream);
    assert_true(data->rows > 0);
}

const double *refdata_column(const struct refdata *data, const char *name)
{
    for (size_t column = 0; column < data->columns; column++)
        if (strcmp(data->names[column], name) == 0)
            return data->values[column];
    print_error("no column '%s'\n", name);
    fail();
    return NULL;
}

double certified(const char *set, const char *parameter, double *sd)
{
    FILE *stream = open_reference("nist_strd/certified.csv");
    char line[1024];
    while (fgets(line, sizeof line, stream)) {
        /* dataset,kind,model,parameter,value,sd: the model may hold no comma. */
        line[strcspn(line, "\r\n")] = 0;
        char *cells[6] = {0}, *place = line;
        for (size_t i = 0; i < 6; i++)
            cells[i] = strsep(&place, ",");
        if (!cells[5] || strcmp(cells[0], set) != 0 || strcmp(cells[3], parameter) != 0)
            continue;
        fclose(stream);
        if (sd)
            *sd = strtod(cells[5], NULL);
        return strtod(cells[4], NULL);
    }
    fclose(stream);
    print_error("no certified value %s of %s\n", parameter, set);
    fail();
    return NAN;
}
