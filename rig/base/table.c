/* SPDX-License-Identifier: GPL-3.0-or-later
 * CSV tables into memory. libcsv takes the cells apart; where records begin and end,
 * and where each cell stands, is found here, since libcsv keeps no places. */
#include "base/table.h"

#include "base/number.h"
#include "base/statement.h"

#include <csv.h>
#include <stdarg.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* A cell's text is kept at its own offset in a copy of the file, which it never
 * outgrows: that makes one allocation of all texts, and gives back the place of a
 * cell from its pointer. */
struct reader {
    struct table *table;
    const char *bytes;
    size_t size;
    struct csv_parser parser;
    bool header_read;
    size_t room;                            /* rows that are allocated */
    size_t fields[TABLE_COLUMN_LIMIT + 1];  /* where each begins */
    size_t lengths[TABLE_COLUMN_LIMIT + 1]; /* of its trimmed text */
    size_t field_count, cells_got;
    struct rig_err *err;
};

/* Line and column, from 1, of an offset; counts from the start of a record. */
static void place(const char *bytes, size_t record, int record_line, size_t at, int *line,
                  size_t *column)
{
    size_t start = record;
    *line = record_line;
    for (size_t i = record; i < at; i++) {
        if (bytes[i] == '\n' || (bytes[i] == '\r' && bytes[i + 1] != '\n')) {
            ++*line;
            start = i + 1;
        }
    }
    *column = at - start + 1;
}

struct record {
    size_t start, end; /* end: after its newline */
    int line;
};

__attribute__((format(printf, 4, 5))) static int fail_at(const struct reader *reader,
                                                         const struct record *record, size_t at,
                                                         const char *format, ...)
{
    char text[sizeof reader->err->text];
    int line;
    size_t column;
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(text, sizeof text, format, arguments);
    va_end(arguments);
    place(reader->bytes, record->start, record->line, at, &line, &column);
    return rig_fail(reader->err, RIG_EINPUT, "%s:%d:%zu: %s", reader->table->name, line, column,
                    text);
}

static bool is_blank(char c)
{
    return c == ' ' || c == '\t';
}

static bool ends_line(char c)
{
    return c == '\n' || c == '\r';
}

/* Finds the end of the record and the beginnings of its fields. Quotes inside an
 * unquoted field are libcsv's to refuse, so that every quote toggles here. *open: the
 * last field is never closed. */
static int find_record(struct reader *reader, struct record *record, bool *open)
{
    const char *bytes = reader->bytes;
    size_t at = record->start, size = reader->size;
    bool quoted = false, fresh = true;
    reader->field_count = 0;
    for (; at < size; at++) {
        char c = bytes[at];
        if (fresh && !is_blank(c)) {
            if (reader->field_count > TABLE_COLUMN_LIMIT)
                break;
            reader->fields[reader->field_count++] = at + (c == '"');
            fresh = false;
        }
        if (c == '"') {
            quoted = !quoted;
        } else if (!quoted && ends_line(c)) {
            break;
        } else if (!quoted && c == ',') {
            fresh = true;
        }
    }
    if (fresh && reader->field_count <= TABLE_COLUMN_LIMIT)
        reader->fields[reader->field_count++] = at;
    if (reader->field_count > TABLE_COLUMN_LIMIT)
        return fail_at(reader, record, record->start,
                       "more than %d columns; leave out those that are not needed",
                       TABLE_COLUMN_LIMIT);
    *open = quoted;
    record->end = at + (at < size);
    if (at + 1 < size && bytes[at] == '\r' && bytes[at + 1] == '\n')
        record->end++;
    return 0;
}

static int count_lines(const char *bytes, size_t from, size_t to)
{
    int lines = 0;
    for (size_t i = from; i < to; i++)
        lines += bytes[i] == '\n' || (bytes[i] == '\r' && !(i + 1 < to && bytes[i + 1] == '\n'));
    return lines;
}

/* libcsv calls this for each cell of the record that it was given. */
static void take_cell(void *text, size_t length, void *context)
{
    struct reader *reader = context;
    if (reader->cells_got >= reader->field_count) {
        reader->cells_got++;
        return;
    }
    const char *cell = text;
    size_t *field = &reader->fields[reader->cells_got];
    /* Blanks inside quotes are trimmed too. */
    while (length && is_blank(*cell))
        cell++, length--, ++*field;
    while (length && is_blank(cell[length - 1]))
        length--;
    char *kept = reader->table->arena + *field;
    if (length)
        memcpy(kept, cell, length);
    kept[length] = 0;
    reader->lengths[reader->cells_got++] = length;
}

/* Gives the record to libcsv, with a newline where the file's last one is missing. */
static int parse_record(struct reader *reader, const struct record *record)
{
    const char *bytes = reader->bytes + record->start;
    size_t size = record->end - record->start;
    reader->cells_got = 0;
    size_t done = csv_parse(&reader->parser, bytes, size, take_cell, NULL, reader);
    if (done == size && !(size && ends_line(bytes[size - 1])))
        csv_parse(&reader->parser, "\n", 1, take_cell, NULL, reader);
    int error = csv_error(&reader->parser);
    if (error == CSV_ENOMEM || error == CSV_ETOOBIG)
        return rig_fail_memory(reader->err, reader->table->name);
    if (done != size)
        return fail_at(reader, record, record->start + done,
                       "a quote inside a cell; put the whole cell in quotes and double the quote "
                       "inside it");
    return 0;
}

static int fail_unclosed(struct reader *reader, const struct record *record)
{
    size_t quote = reader->fields[reader->field_count - 1] - 1;
    return fail_at(reader, record, quote, "this quote is never closed; write \" at the cell's end");
}

static int keep_header(struct reader *reader, const struct record *record)
{
    struct table *table = reader->table;
    table->headers = calloc(reader->field_count, sizeof *table->headers);
    if (!table->headers)
        return rig_fail_memory(reader->err, table->name);
    table->columns = reader->field_count;
    for (size_t i = 0; i < table->columns; i++) {
        char *header = table->arena + reader->fields[i];
        if (!*header)
            return fail_at(reader, record, reader->fields[i],
                           "column %zu has no header; the first line names every column", i + 1);
        for (size_t j = 0; j < i; j++)
            if (strcmp(table->headers[j], header) == 0)
                return fail_at(reader, record, reader->fields[i],
                               "the header '%.60s' is there twice; give each column its own",
                               header);
        table->headers[i] = header;
    }
    return 0;
}

static bool make_room(struct reader *reader)
{
    struct table *table = reader->table;
    if (table->rows < reader->room)
        return true;
    size_t room = reader->room ? reader->room * 2 : 64;
    if (room > SIZE_MAX / sizeof(char *) / table->columns)
        return false;
    char **cells = realloc(table->cells, room * table->columns * sizeof *cells);
    if (cells)
        table->cells = cells;
    int *lines = realloc(table->lines, room * sizeof *lines);
    if (lines)
        table->lines = lines;
    size_t *starts = realloc(table->starts, room * sizeof *starts);
    if (starts)
        table->starts = starts;
    if (!cells || !lines || !starts)
        return false;
    reader->room = room;
    return true;
}

static int keep_row(struct reader *reader, const struct record *record)
{
    struct table *table = reader->table;
    if (reader->field_count != table->columns) {
        bool more = reader->field_count > table->columns;
        size_t at = reader->fields[more ? table->columns : reader->field_count - 1];
        return fail_at(reader, record, at,
                       "%zu cell%s where the header has %zu; give each row as many, with a point "
                       "for decimals",
                       reader->field_count, reader->field_count == 1 ? "" : "s", table->columns);
    }
    if (!make_room(reader))
        return rig_fail_memory(reader->err, table->name);
    for (size_t i = 0; i < table->columns; i++)
        table->cells[table->rows * table->columns + i] = table->arena + reader->fields[i];
    table->lines[table->rows] = record->line;
    table->starts[table->rows] = record->start;
    table->rows++;
    return 0;
}

static int read_record(struct reader *reader, struct record *record)
{
    bool open = false;
    int code = find_record(reader, record, &open);
    if (!code)
        code = parse_record(reader, record);
    if (!code && open)
        code = fail_unclosed(reader, record);
    if (!code && reader->cells_got != reader->field_count)
        code = rig_fail(reader->err, RIG_EBUG, "%s:%d:1: %zu cells were found, and then %zu",
                        reader->table->name, record->line, reader->field_count, reader->cells_got);
    if (code)
        return code;
    if (reader->header_read)
        return keep_row(reader, record);
    reader->header_read = true;
    return keep_header(reader, record);
}

/* Nothing but blanks up to the end of the line, or a comment. Then *end is set. */
static bool passed_over(const struct reader *reader, const struct record *record, size_t *end)
{
    size_t at = record->start;
    while (at < reader->size && is_blank(reader->bytes[at]))
        at++;
    if (at < reader->size && reader->bytes[at] != '#' && !ends_line(reader->bytes[at]))
        return false;
    while (at < reader->size && !ends_line(reader->bytes[at]))
        at++;
    bool pair = at + 1 < reader->size && reader->bytes[at] == '\r' && reader->bytes[at + 1] == '\n';
    *end = at + (at < reader->size) + pair;
    return true;
}

static int read_records(struct reader *reader)
{
    struct record record = {.line = 1};
    if (reader->size >= 3 && memcmp(reader->bytes, "\xef\xbb\xbf", 3) == 0)
        record.start = 3;
    const char *nul = reader->size ? memchr(reader->bytes, 0, reader->size) : NULL;
    if (nul)
        return fail_at(reader, &record, (size_t)(nul - reader->bytes),
                       "a NUL byte; this is not a text file");
    while (record.start < reader->size) {
        if (!passed_over(reader, &record, &record.end)) {
            int code = read_record(reader, &record);
            if (code)
                return code;
        }
        record.line += count_lines(reader->bytes, record.start, record.end);
        record.start = record.end;
    }
    if (!reader->header_read)
        return rig_fail(reader->err, RIG_EINPUT,
                        "%s:1:1: the table is empty; its first line names the columns",
                        reader->table->name);
    return 0;
}

int table_read(struct table *table, const char *name, const char *bytes, size_t size,
               struct rig_err *err)
{
    *table = (struct table){0};
    if (size > TABLE_SIZE_LIMIT)
        return rig_fail(err, RIG_EINPUT,
                        "%s:1:1: the table has %zu MiB, and at most %d MiB are read", name,
                        size >> 20, TABLE_SIZE_LIMIT >> 20);
    struct reader *reader = calloc(1, sizeof *reader);
    if (!reader)
        return rig_fail_memory(err, name);
    *reader = (struct reader){.table = table, .bytes = bytes, .size = size, .err = err};
    table->name = strdup(name);
    table->arena = malloc(size + 1);
    int code = 0;
    if (!table->name || !table->arena ||
        csv_init(&reader->parser, CSV_STRICT | CSV_APPEND_NULL) != 0) {
        code = rig_fail_memory(err, name);
    } else {
        if (size)
            memcpy(table->arena, bytes, size);
        table->arena[size] = 0;
        code = read_records(reader);
        csv_free(&reader->parser);
    }
    free(reader);
    if (code)
        table_free(table);
    return code;
}

void table_free(struct table *table)
{
    if (!table)
        return;
    free(table->name);
    free(table->headers);
    free(table->cells);
    free(table->lines);
    free(table->arena);
    free(table->starts);
    *table = (struct table){0};
}

static bool same_letters(const char *a, const char *b)
{
    for (; *a && *b; a++, b++) {
        char x = *a >= 'A' && *a <= 'Z' ? (char)(*a + 32) : *a;
        char y = *b >= 'A' && *b <= 'Z' ? (char)(*b + 32) : *b;
        if (x != y)
            return false;
    }
    return *a == *b;
}

int table_column(const struct table *table, const char *header)
{
    for (size_t i = 0; i < table->columns; i++)
        if (strcmp(table->headers[i], header) == 0)
            return (int)i;
    for (size_t i = 0; i < table->columns; i++)
        if (same_letters(table->headers[i], header))
            return (int)i;
    return -1;
}

int table_need_column(const struct table *table, const char *header, size_t *column,
                      struct rig_err *err)
{
    int found = table_column(table, header);
    if (found >= 0) {
        *column = (size_t)found;
        return 0;
    }
    const char *const *headers = (const char *const *)table->headers;
    if (table->columns == 1 && strpbrk(headers[0], ";\t"))
        return rig_fail(err, RIG_EINPUT,
                        "%s: no column '%.60s'; separate the cells by commas, and write decimals "
                        "with a point",
                        table->name, header);
    const char *nearest = nearest_word(header, headers, table->columns);
    if (nearest)
        return rig_fail(err, RIG_EINPUT, "%s: no column '%.60s'; did you mean '%.60s'?",
                        table->name, header, nearest);
    char listed[300];
    size_t used = 0;
    for (size_t i = 0; i < table->columns; i++) {
        int length =
            snprintf(listed + used, sizeof listed - used, "%s'%.40s'", i ? ", " : "", headers[i]);
        if (length < 0 || used + (size_t)length + 8 > sizeof listed) {
            snprintf(listed + used, sizeof listed - used, ", ...");
            break;
        }
        used += (size_t)length;
    }
    return rig_fail(err, RIG_EINPUT, "%s: no column '%.60s'; there is %s", table->name, header,
                    listed);
}

int table_fail(const struct table *table, size_t row, size_t column, struct rig_err *err,
               const char *format, ...)
{
    char text[sizeof err->text];
    int line;
    size_t at = (size_t)(table->cells[row * table->columns + column] - table->arena), byte;
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(text, sizeof text, format, arguments);
    va_end(arguments);
    place(table->arena, table->starts[row], table->lines[row], at, &line, &byte);
    return rig_fail(err, RIG_EINPUT, "%s:%d:%zu: %s", table->name, line, byte, text);
}

int table_numbers(const struct table *table, size_t column, double values[], struct rig_err *err)
{
    for (size_t row = 0; row < table->rows; row++) {
        const char *cell = table->cells[row * table->columns + column];
        const char *why;
        if (!*cell)
            return table_fail(
                table, row, column, err,
                "'%.60s' is empty here; write a number such as 12.5, or leave out the "
                "row",
                table->headers[column]);
        if (!rig_number(cell, strlen(cell), &values[row], &why))
            return table_fail(table, row, column, err,
                              "'%.40s' %s; '%.60s' takes numbers such as 12.5", cell, why,
                              table->headers[column]);
    }
    return 0;
}
