/* SPDX-License-Identifier: GPL-3.0-or-later
 * From a part of a table to the parser, in blocks of fixed size. */
#include "results/recording_parts.h"

#include <stdlib.h>
#include <string.h>

/* A block stays in the processor's second cache. It starts on a page, of the file and of
 * memory: reading to elsewhere is several times slower. In front of it is room for the line
 * that the block before broke off. */
enum { PAGE = 4096, BLOCK = 256 * 1024 };

enum { SAMPLE_PIECE = 16 * 1024, SAMPLE_STEP = 256 * 1024, SAMPLE_ALL = 8 * 1024 * 1024 };

int recording_table_scanner_open(struct table_scanner *scanner, const struct table_file *file,
                                 row_sink *sink, void *context, struct rig_err *err)
{
    *scanner = (struct table_scanner){.file = file};
    int code = row_parser_open(&scanner->parser, file->columns, file->order, file->given, sink,
                               context, NULL, err);
    if (code)
        return code;
    scanner->buffer = aligned_alloc(PAGE, TABLE_LINE_ROOM + BLOCK);
    if (!scanner->buffer) {
        recording_table_scanner_close(scanner);
        return rig_fail_memory(err, "rows of a recording");
    }
    return RIG_OK;
}

void recording_table_scanner_close(struct table_scanner *scanner)
{
    row_parser_close(&scanner->parser);
    free(scanner->buffer);
    scanner->buffer = NULL;
}

/* Where a scan of a part stands. */
struct scan_place {
    size_t left;    /* bytes in front of the block: the start of a line */
    bool searching; /* for the first line that is the part's own */
    bool skipping;  /* inside a line that is longer than any row */
};

/* Feeds the lines of bytes[0..size) and notes how much was left over. */
static int feed(struct row_parser *parser, const char *bytes, size_t size, struct scan_place *place,
                struct rig_err *err)
{
    size_t skip = 0, used = 0;
    if (place->skipping) {
        const char *newline = memchr(bytes, '\n', size);
        place->skipping = !newline;
        skip = newline ? (size_t)(newline + 1 - bytes) : size;
        parser->report->lines += newline != NULL;
    }
    int code = row_parser_feed(parser, bytes + skip, size - skip, &used, err);
    place->left = size - skip - used;
    if (!code && place->left > TABLE_LINE_ROOM) {
        if (parser->report->malformed++ == 0)
            parser->report->first_malformed_line = parser->report->lines + 1;
        place->skipping = true;
        place->left = 0;
    }
    return code;
}

/* Takes one block, its first byte at `at` of the file. *over: it held the end of the last
 * line that is the part's own. */
static int take_block(struct table_scanner *scanner, uint64_t at, uint64_t from, uint64_t to,
                      size_t got, struct scan_place *place, bool *over, struct rig_err *err)
{
    char *block = scanner->buffer + TABLE_LINE_ROOM;
    size_t begin = at < from ? (size_t)(from - at) : 0, end = got;
    if (place->searching) {
        const char *newline = memchr(block + begin, '\n', end - begin);
        if (!newline)
            return RIG_OK;
        begin = (size_t)(newline + 1 - block);
        place->searching = false;
    }
    if (at >= to) {
        const char *newline = memchr(block + begin, '\n', end - begin);
        *over = newline != NULL;
        end = newline ? (size_t)(newline + 1 - block) : end;
    }
    const char *start = block + begin - place->left;
    size_t size = end - begin + place->left;
    int code = feed(&scanner->parser, start, size, place, err);
    if (!code) /* else the rest may be longer than the room for it */
        memmove(block - place->left, start + size - place->left, place->left);
    return code;
}

int recording_table_scan(struct table_scanner *scanner, uint64_t from, uint64_t to,
                         struct scan_report *report, struct rig_err *err)
{
    const struct table_file *file = scanner->file;
    struct scan_place place = {.searching = from > file->rows_at};
    bool over = false;
    int code = RIG_OK;
    scanner->parser.report = report;
    scanner->parser.rows = 0;
    if (from < file->rows_at)
        from = file->rows_at;
    for (uint64_t at = from - from % PAGE; !code && !over && at < file->size;) {
        uint64_t rest = (at < to ? to : file->size) - at;
        size_t room = at < to ? BLOCK : PAGE, got; /* behind it only a line's end is sought */
        if (place.searching && at >= to)
            break;
        code = recording_table_read(file, scanner->buffer + TABLE_LINE_ROOM,
                                    rest < room ? (size_t)rest : room, at, &got, err);
        if (code || got == 0) /* it became shorter while being read */
            break;
        code = take_block(scanner, at, from, to, got, &place, &over, err);
        at += got;
    }
    if (!code)
        code = row_parser_flush(&scanner->parser, err);
    report->cut_last_line += place.left > 0 || place.skipping;
    return code;
}

int recording_scan_table(const struct recording *recording, size_t table, row_sink *sink,
                         void *context, struct scan_report *report, struct rig_err *err)
{
    struct table_file file;
    struct table_scanner scanner;
    int code = recording_table_open(&file, recording, table, err);
    if (!code)
        code = recording_table_scanner_open(&scanner, &file, sink, context, err);
    if (!code) {
        struct scan_report whole = recording_table_report(&file), rows = {0};
        code = recording_table_scan(&scanner, 0, file.size, &rows, err);
        scan_report_follow(&whole, &rows);
        scan_report_add(report, &whole);
        recording_table_scanner_close(&scanner);
    }
    recording_table_close(&file);
    return code;
}

int recording_scan(const struct recording *recording, size_t source, row_sink *sink, void *context,
                   struct scan_report *report, struct rig_err *err)
{
    if (source >= recording_rig(recording)->source_count)
        return rig_fail(err, RIG_EBUG, "source %zu of a recording", source);
    return recording_scan_table(recording, source, sink, context, report, err);
}

int recording_sample(const struct recording *recording, size_t source, row_sink *sink,
                     void *context, struct rig_err *err)
{
    struct table_file file;
    struct table_scanner scanner;
    struct scan_report report = {0};
    if (source >= recording_rig(recording)->source_count)
        return rig_fail(err, RIG_EBUG, "source %zu of a recording", source);
    int code = recording_table_open(&file, recording, source, err);
    if (!code)
        code = recording_table_scanner_open(&scanner, &file, sink, context, err);
    if (!code) {
        uint64_t step = file.size < SAMPLE_ALL ? SAMPLE_PIECE : SAMPLE_STEP;
        for (uint64_t at = 0; !code && at < file.size; at += step)
            code = recording_table_scan(&scanner, at, at + SAMPLE_PIECE, &report, err);
        recording_table_scanner_close(&scanner);
    }
    recording_table_close(&file);
    return code;
}
