/* SPDX-License-Identifier: GPL-3.0-or-later
 * Rows back from a recording's CSV files, in batches of fixed size. */
#include "results/recording_parts.h"

#include "base/file.h"
#include "base/number.h"

#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

enum { BATCH_ROWS = 2048, BLOCK = 1 << 20, COLUMN_LIMIT = RIG_CHANNEL_LIMIT + 2 };

struct batch {
    size_t columns, rows;
    double (*values)[BATCH_ROWS]; /* columns of them */
    const double *pointers[COLUMN_LIMIT];
    uint64_t first_row;
    double last_t_s;
};

static int flush(struct batch *batch, row_sink *sink, void *context, struct rig_err *err)
{
    if (batch->rows == 0)
        return RIG_OK;
    struct row_batch view = {.rows = batch->rows,
                             .columns = batch->columns,
                             .values = batch->pointers,
                             .first_row = batch->first_row};
    batch->first_row += batch->rows;
    batch->rows = 0;
    return sink(context, &view, err);
}

/* One line without its end into the next row; false when it is malformed. */
static bool parse_line(struct batch *batch, const char *at, const char *end)
{
    for (size_t c = 0; c < batch->columns; c++) {
        const char *comma = memchr(at, ',', (size_t)(end - at));
        const char *stop = comma ? comma : end;
        if ((c + 1 < batch->columns) != (comma != NULL))
            return false;
        double value = NAN;
        if (stop > at && !rig_number(at, (size_t)(stop - at), &value, NULL))
            return false;
        batch->values[c][batch->rows] = value;
        at = stop + 1;
    }
    return isfinite(batch->values[0][batch->rows]);
}

static int parse(struct batch *batch, const char *bytes, size_t size, row_sink *sink, void *context,
                 size_t *used, struct scan_report *report, struct rig_err *err)
{
    const char *at = bytes, *end = bytes + size;
    *used = 0;
    while (at < end) {
        const char *newline = memchr(at, '\n', (size_t)(end - at));
        if (!newline)
            break;
        const char *stop = newline > at && newline[-1] == '\r' ? newline - 1 : newline;
        if (parse_line(batch, at, stop)) {
            double t_s = batch->values[0][batch->rows];
            report->backward_times += t_s < batch->last_t_s;
            batch->last_t_s = t_s;
            batch->rows++;
            report->rows++;
        } else if (report->malformed++ == 0) {
            report->first_malformed_line = report->rows + 2;
        }
        at = newline + 1;
        *used = (size_t)(at - bytes);
        if (batch->rows == BATCH_ROWS) {
            int code = flush(batch, sink, context, err);
            if (code)
                return code;
        }
    }
    return RIG_OK;
}

static int open_batch(struct batch *batch, size_t columns, struct rig_err *err)
{
    *batch = (struct batch){.columns = columns, .last_t_s = -INFINITY};
    if (columns == 0 || columns > COLUMN_LIMIT)
        return rig_fail(err, RIG_EBUG, "%zu columns", columns);
    batch->values = malloc(columns * sizeof *batch->values);
    if (!batch->values)
        return rig_fail_memory(err, "rows of a recording");
    for (size_t c = 0; c < columns; c++)
        batch->pointers[c] = batch->values[c];
    return RIG_OK;
}

int recording_parse(const char *bytes, size_t size, size_t columns, row_sink *sink, void *context,
                    size_t *used, struct scan_report *report, struct rig_err *err)
{
    struct batch batch;
    int code = open_batch(&batch, columns, err);
    if (code)
        return code;
    code = parse(&batch, bytes, size, sink, context, used, report, err);
    if (!code)
        code = flush(&batch, sink, context, err);
    free(batch.values);
    return code;
}

static int scan_file(const char *path, size_t columns, row_sink *sink, void *context,
                     struct scan_report *report, struct rig_err *err)
{
    struct batch batch;
    int code = open_batch(&batch, columns, err);
    if (code)
        return code;
    char *block = malloc(BLOCK);
    int fd = open(path, O_RDONLY | O_CLOEXEC);
    if (!block)
        code = rig_fail_memory(err, "rows of a recording");
    else if (fd < 0)
        code = rig_fail_os(err, errno, "%s", path);
    size_t held = 0;
    bool header = true;
    while (!code) {
        ssize_t got = read(fd, block + held, BLOCK - held);
        if (got < 0 && errno == EINTR)
            continue;
        if (got < 0)
            code = rig_fail_os(err, errno, "%s", path);
        if (got <= 0)
            break;
        held += (size_t)got;
        size_t skip = 0, used = 0;
        if (header) {
            char *newline = memchr(block, '\n', held);
            if (!newline)
                continue;
            skip = (size_t)(newline + 1 - block);
            header = false;
        }
        code = parse(&batch, block + skip, held - skip, sink, context, &used, report, err);
        held -= skip + used;
        memmove(block, block + skip + used, held);
        if (held == BLOCK) { /* no line is that long: pass over it */
            report->malformed++;
            held = 0;
        }
    }
    report->cut_last_line += held > 0;
    if (!code)
        code = flush(&batch, sink, context, err);
    if (fd >= 0)
        close(fd);
    free(block);
    free(batch.values);
    return code;
}

int recording_scan(const struct recording *recording, size_t source, row_sink *sink, void *context,
                   struct scan_report *report, struct rig_err *err)
{
    const struct rig_source *from = &recording_rig(recording)->sources[source];
    char name[RIG_NAME_SIZE + 8];
    snprintf(name, sizeof name, "%s.csv", from->name);
    char *path = file_join(recording_folder(recording), name);
    if (!path)
        return rig_fail_memory(err, "a path");
    size_t columns = 1 + recording_has_clock(from) + from->channel_count;
    int code = scan_file(path, columns, sink, context, report, err);
    free(path);
    return code;
}

struct table_rows {
    double *cells;
    size_t columns, rows, room;
};

static int keep_rows(void *context, const struct row_batch *batch, struct rig_err *err)
{
    struct table_rows *table = context;
    if (table->rows + batch->rows > table->room) {
        size_t room = 2 * (table->rows + batch->rows);
        double *larger = realloc(table->cells, room * table->columns * sizeof *larger);
        if (!larger)
            return rig_fail_memory(err, "a table of the recording");
        table->cells = larger;
        table->room = room;
    }
    for (size_t r = 0; r < batch->rows; r++)
        for (size_t c = 0; c < table->columns; c++)
            table->cells[(table->rows + r) * table->columns + c] = batch->values[c][r];
    table->rows += batch->rows;
    return RIG_OK;
}

static int read_table(const struct recording *recording, const char *name, struct table_rows *table,
                      struct scan_report *report, struct rig_err *err)
{
    char *path = file_join(recording_folder(recording), name);
    int code = path ? scan_file(path, table->columns, keep_rows, table, report, err)
                    : rig_fail_memory(err, "a path");
    free(path);
    return code;
}

int recording_motion_rows(const struct recording *recording, struct motion_row **rows,
                          size_t *count, struct scan_report *report, struct rig_err *err)
{
    struct table_rows table = {.columns = 6};
    int code = read_table(recording, "motion.csv", &table, report, err);
    *rows = code ? NULL : calloc(table.rows + 1, sizeof **rows);
    *count = 0;
    if (!code && !*rows)
        code = rig_fail_memory(err, "motion.csv");
    for (size_t i = 0; !code && i < table.rows; i++) {
        const double *cell = &table.cells[i * 6];
        (*rows)[(*count)++] = (struct motion_row){.t_s = cell[0],
                                                  .stroke = (uint32_t)cell[1],
                                                  .depth_mm = cell[2],
                                                  .reported_mm = cell[3],
                                                  .bracket_s = cell[4],
                                                  .segment = (uint32_t)cell[5]};
    }
    free(table.cells);
    return code;
}

int recording_stroke_rows(const struct recording *recording, struct stroke_row **rows,
                          size_t *count, struct scan_report *report, struct rig_err *err)
{
    struct table_rows table = {.columns = 5};
    int code = read_table(recording, "strokes.csv", &table, report, err);
    *rows = code ? NULL : calloc(table.rows + 1, sizeof **rows);
    *count = 0;
    if (!code && !*rows)
        code = rig_fail_memory(err, "strokes.csv");
    for (size_t i = 0; !code && i < table.rows; i++) {
        const double *cell = &table.cells[i * 5];
        (*rows)[(*count)++] = (struct stroke_row){.stroke = (uint32_t)cell[0],
                                                  .plan_s = cell[1],
                                                  .sent_s = cell[2],
                                                  .accepted_s = cell[3],
                                                  .ended_s = cell[4]};
    }
    free(table.cells);
    return code;
}
