/* SPDX-License-Identifier: GPL-3.0-or-later
 * events.csv back into memory. Its third column is text, so it goes through libcsv;
 * events are few against the rows of a source. */
#include "results/recording_parts.h"

#include "base/file.h"
#include "base/number.h"

#include <csv.h>

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { EVENTS_LIMIT = 512 * 1024 * 1024, CELLS = 3 };

struct events {
    struct event_row *rows;
    size_t count, room;
    struct event_row row; /* the one that is being read */
    size_t cell;
    bool bad, header, no_memory;
    uint64_t line;
    struct scan_report *report;
};

static void take_cell(void *bytes, size_t size, void *context)
{
    struct events *events = context;
    struct event_row *row = &events->row;
    if (events->cell == 0) {
        events->bad = !rig_number(bytes, size, &row->t_s, NULL);
    } else if (events->cell == 1 && size > 0 && size < sizeof row->kind) {
        memcpy(row->kind, bytes, size);
        row->kind[size] = 0;
    } else if (events->cell == 2) {
        free(row->text);
        row->text = malloc(size + 1);
        if (row->text) {
            if (size)
                memcpy(row->text, bytes, size);
            row->text[size] = 0;
        }
        events->no_memory |= !row->text;
    } else {
        events->bad = true;
    }
    events->cell++;
}

static bool keep(struct events *events)
{
    if (events->count == events->room) {
        size_t room = events->room ? 2 * events->room : 64;
        struct event_row *larger = realloc(events->rows, room * sizeof *larger);
        if (!larger)
            return false;
        events->rows = larger;
        events->room = room;
    }
    events->rows[events->count++] = events->row;
    return true;
}

static void take_row(int end, void *context)
{
    (void)end;
    struct events *events = context;
    struct scan_report *report = events->report;
    bool kept = false;
    events->line++;
    if (events->header) {
        events->header = false;
    } else if (events->bad || events->cell != CELLS) {
        if (report->malformed++ == 0)
            report->first_malformed_line = events->line;
    } else if (!events->no_memory) {
        kept = keep(events);
        events->no_memory |= !kept;
        report->rows += kept;
    }
    if (!kept)
        free(events->row.text);
    events->row = (struct event_row){0};
    events->cell = 0;
    events->bad = false;
}

int recording_event_rows(const struct recording *recording, struct event_row **rows, size_t *count,
                         struct scan_report *report, struct rig_err *err)
{
    struct events events = {.header = true, .report = report};
    struct csv_parser parser;
    char *path = file_join(recording_folder(recording), "events.csv"), *bytes = NULL;
    size_t size = 0;
    *rows = NULL;
    *count = 0;
    int code =
        path ? file_read(path, EVENTS_LIMIT, &bytes, &size, err) : rig_fail_memory(err, "a path");
    free(path);
    if (code)
        return code;
    /* What follows the last line's end was cut off: it is never looked at. */
    size_t whole = size;
    while (whole > 0 && bytes[whole - 1] != '\n')
        whole--;
    report->cut_last_line += whole < size;
    if (csv_init(&parser, 0)) {
        free(bytes);
        return rig_fail_memory(err, "events.csv");
    }
    bool parsed = csv_parse(&parser, bytes, whole, take_cell, take_row, &events) == whole;
    csv_free(&parser);
    free(events.row.text);
    free(bytes);
    if (!parsed || events.no_memory) {
        recording_event_rows_free(events.rows, events.count);
        return rig_fail_memory(err, "events.csv");
    }
    *rows = events.rows;
    *count = events.count;
    return RIG_OK;
}

void recording_event_rows_free(struct event_row *rows, size_t count)
{
    for (size_t i = 0; i < count; i++)
        free(rows[i].text);
    free(rows);
}
