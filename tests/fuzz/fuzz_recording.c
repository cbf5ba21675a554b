/* SPDX-License-Identifier: GPL-3.0-or-later
 * A recording's rows: any bytes in, whatever the first byte says about columns and
 * about where the block is cut. Rows are finite or NaN, counts add up, and the same
 * bytes in two blocks give the same rows. */
#include "results/recording.h"

#include <math.h>
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

struct seen {
    uint64_t rows, hash;
    size_t columns;
};

static int look(void *context, const struct row_batch *batch, struct rig_err *err)
{
    struct seen *seen = context;
    (void)err;
    require(batch->columns == seen->columns, "another number of columns");
    require(batch->first_row == seen->rows, "rows numbered wrongly");
    require(batch->rows > 0, "an empty batch");
    for (size_t r = 0; r < batch->rows; r++) {
        require(isfinite(batch->values[0][r]), "a row without a time");
        for (size_t c = 0; c < batch->columns; c++) {
            double value = batch->values[c][r];
            uint64_t bits;
            require(!isinf(value), "an infinite value");
            if (isnan(value))
                value = 0.123;
            memcpy(&bits, &value, sizeof bits);
            seen->hash = (seen->hash ^ bits) * UINT64_C(0x100000001b3);
        }
    }
    seen->rows += batch->rows;
    return 0;
}

static size_t parse(const char *bytes, size_t size, struct seen *seen, struct scan_report *report)
{
    /* An exact block lets the address sanitizer see one byte too far. */
    char *exact = malloc(size ? size : 1);
    size_t used = 0;
    require(exact != NULL, "no memory");
    memcpy(exact, bytes, size);
    int code = recording_parse(exact, size, seen->columns, look, seen, &used, report, NULL);
    free(exact);
    require(code == 0, "an error");
    require(used <= size && (used == 0 || bytes[used - 1] == '\n'), "not at a line's end");
    require(!memchr(bytes + used, '\n', size - used), "a whole line was left");
    return used;
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    if (size < 2)
        return 0;
    const char *bytes = (const char *)data + 2;
    size_t columns = 1 + data[0] % 34, cut;
    size -= 2;
    cut = size * data[1] / 255;
    struct seen whole = {.columns = columns}, pieces = {.columns = columns};
    struct scan_report report = {0}, counted = {0};
    size_t used = parse(bytes, size, &whole, &report);
    require(report.rows == whole.rows, "rows counted wrongly");
    require(report.rows + report.malformed <= report.lines, "more rows than lines");
    size_t first = parse(bytes, cut, &pieces, &counted);
    require(first + parse(bytes + first, size - first, &pieces, &counted) == used, "bytes lost");
    require(pieces.hash == whole.hash && memcmp(&report, &counted, sizeof report) == 0,
            "other rows in two blocks");
    return 0;
}
