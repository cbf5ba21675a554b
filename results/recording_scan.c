/* SPDX-License-Identifier: GPL-3.0-or-later
 * From a recording's files to the parser: blocks of fixed size, the header, the cut
 * into pieces that are read at the same time. */
#include "results/recording_parts.h"

#include "base/file.h"

#include <errno.h>
#include <fcntl.h>
#include <pthread.h>
#include <stdatomic.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

/* A block stays in the processor's second cache. It starts on a page: reading to
 * elsewhere is several times slower. In front of it is room for the line that the
 * block before broke off. */
enum {
    PAGE = 4096,
    BLOCK = 256 * 1024,
    LINE_ROOM = 64 * 1024,
    PIECE_LIMIT = 16,
    PIECE_WORTH = 1 << 20 /* a smaller piece isn't worth a thread */
};

struct table_file {
    char *path;
    int fd;
    uint64_t size;    /* when it was opened: a file may still grow */
    uint64_t rows_at; /* behind the header */
    size_t columns, given;
    size_t order[RECORDING_COLUMN_LIMIT];
    uint64_t unknown_columns;
    bool cut_header; /* no whole line */
};

static int read_block(const struct table_file *file, char *to, size_t size, uint64_t at,
                      size_t *got, struct rig_err *err)
{
    *got = 0;
    while (*got < size) {
        ssize_t n = pread(file->fd, to + *got, size - *got, (off_t)(at + *got));
        if (n < 0 && errno == EINTR)
            continue;
        if (n < 0)
            return rig_fail_os(err, errno, "%s: can't be read", file->path);
        if (n == 0)
            break;
        *got += (size_t)n;
    }
    return RIG_OK;
}

/* ---- the header ---- */

/* Cuts the line into its cells and returns how many there are; room of them are kept. */
static size_t split_header(char *line, char *cells[], size_t room)
{
    size_t count = 0;
    for (char *at = line; at; count++) {
        char *comma = strchr(at, ',');
        if (comma)
            *comma = 0;
        size_t length = strlen(at);
        if (length >= 2 && at[0] == '"' && at[length - 1] == '"') {
            at[length - 1] = 0;
            at++;
        }
        if (count < room)
            cells[count] = at;
        at = comma ? comma + 1 : NULL;
    }
    return count;
}

static int match_columns(struct table_file *file, const struct rig *rig, size_t table,
                         char *const cells[], struct rig_err *err)
{
    file->given = recording_column_count(rig, table);
    for (size_t c = 0; c < file->given; c++) {
        struct column_facts facts;
        recording_column(rig, table, c, &facts);
        size_t at = 0;
        while (at < file->columns && strcmp(cells[at], facts.name) != 0)
            at++;
        if (at == file->columns)
            return rig_fail(err, RIG_EINPUT,
                            "%s:1: has no column '%s', which the rig file in run.json gives it",
                            file->path, facts.name);
        file->order[c] = at;
    }
    if (file->order[0] != 0)
        return rig_fail(err, RIG_EINPUT, "%s:1: the first column must be the time", file->path);
    file->unknown_columns = file->columns - file->given;
    return RIG_OK;
}

static int read_header(struct table_file *file, const struct rig *rig, size_t table,
                       struct rig_err *err)
{
    char *line = malloc(LINE_ROOM), *cells[RECORDING_COLUMN_LIMIT];
    size_t got = 0;
    int code = line ? read_block(file, line, LINE_ROOM - 1, 0, &got, err)
                    : rig_fail_memory(err, file->path);
    char *end = code ? NULL : memchr(line, '\n', got);
    if (!code && !end && got < LINE_ROOM - 1) {
        file->cut_header = got > 0;
        file->rows_at = file->size = 0; /* nothing to scan */
        file->columns = file->given = recording_column_count(rig, table);
        for (size_t c = 0; c < file->given; c++)
            file->order[c] = c;
    } else if (!code) {
        if (end) {
            file->rows_at = (uint64_t)(end + 1 - line);
            end -= end > line && end[-1] == '\r';
            *end = 0;
        }
        char *first = end && memcmp(line, "\xEF\xBB\xBF", 3) == 0 ? line + 3 : line;
        file->columns = end ? split_header(first, cells, RECORDING_COLUMN_LIMIT) : 0;
        if (file->columns == 0 || file->columns > RECORDING_COLUMN_LIMIT)
            code = rig_fail(err, RIG_EINPUT, "%s:1: is no header of at most %d columns", file->path,
                            RECORDING_COLUMN_LIMIT);
        else
            code = match_columns(file, rig, table, cells, err);
    }
    free(line);
    return code;
}

static void close_table(struct table_file *file)
{
    if (file->fd >= 0)
        close(file->fd);
    free(file->path);
}

static int open_table(struct table_file *file, const struct recording *recording, size_t table,
                      struct rig_err *err)
{
    char name[RIG_NAME_SIZE + 8];
    struct stat status;
    const struct rig *rig = recording_rig(recording);
    recording_file_name(rig, table, name);
    *file = (struct table_file){.fd = -1, .path = file_join(recording_folder(recording), name)};
    if (!file->path)
        return rig_fail_memory(err, "a path");
    file->fd = open(file->path, O_RDONLY | O_CLOEXEC | O_NOCTTY);
    if (file->fd < 0 || fstat(file->fd, &status))
        return rig_fail_os(err, errno, "%s: can't be read", file->path);
    if (!S_ISREG(status.st_mode))
        return rig_fail(err, RIG_EINPUT, "%s: isn't a plain file", file->path);
    file->size = (uint64_t)status.st_size;
    return read_header(file, rig, table, err);
}

/* ---- one piece ---- */

struct piece {
    const struct table_file *file;
    uint64_t from, to; /* both at line starts, or the file's end */
    row_sink *sink;
    void *context;
    atomic_bool *stop; /* another piece has failed */
    struct scan_report report;
    struct rig_err err;
    int code;
};

/* Feeds the lines of bytes[0..size) and returns how much was left over, the start of a
 * line. *skipping: inside a line that is longer than any row. */
static int feed(struct row_parser *parser, const char *bytes, size_t size, size_t *left,
                bool *skipping, struct rig_err *err)
{
    size_t skip = 0, used = 0;
    if (*skipping) {
        const char *newline = memchr(bytes, '\n', size);
        *skipping = !newline;
        skip = newline ? (size_t)(newline + 1 - bytes) : size;
        parser->report->lines += newline != NULL;
    }
    int code = row_parser_feed(parser, bytes + skip, size - skip, &used, err);
    *left = size - skip - used;
    if (!code && *left > LINE_ROOM) {
        if (parser->report->malformed++ == 0)
            parser->report->first_malformed_line = parser->report->lines + 1;
        *skipping = true;
        *left = 0;
    }
    return code;
}

static void scan_piece(struct piece *piece)
{
    const struct table_file *file = piece->file;
    struct row_parser parser;
    char *buffer = aligned_alloc(PAGE, LINE_ROOM + BLOCK);
    struct rig_err *err = &piece->err;
    size_t left = 0;
    bool skipping = false;
    int code = row_parser_open(&parser, file->columns, file->order, file->given, piece->sink,
                               piece->context, &piece->report, err);
    if (!code && !buffer)
        code = rig_fail_memory(err, "rows of a recording");
    for (uint64_t at = piece->from; !code && at < piece->to;) {
        size_t want = piece->to - at < BLOCK ? (size_t)(piece->to - at) : BLOCK, got;
        if (atomic_load_explicit(piece->stop, memory_order_relaxed))
            break;
        code = read_block(file, buffer + LINE_ROOM, want, at, &got, err);
        if (code || got == 0) /* it became shorter while being read */
            break;
        at += got;
        char *block = buffer + LINE_ROOM;
        const char *start = block - left;
        size_t size = left + got;
        code = feed(&parser, start, size, &left, &skipping, err);
        if (!code) /* else the rest may be longer than the room for it */
            memmove(block - left, start + size - left, left);
    }
    if (!code)
        code = row_parser_flush(&parser, err);
    piece->report.cut_last_line += left > 0 || skipping;
    row_parser_close(&parser);
    free(buffer);
    piece->code = code;
    if (code)
        atomic_store(piece->stop, true);
}

static void *run_piece(void *piece)
{
    scan_piece(piece);
    return NULL;
}

/* ---- the whole ---- */

/* The first line start at or behind `at`. */
static int next_line(const struct table_file *file, uint64_t at, uint64_t *start,
                     struct rig_err *err)
{
    char bytes[PAGE];
    for (at--; at < file->size;) {
        size_t got;
        int code = read_block(file, bytes, sizeof bytes, at, &got, err);
        if (code)
            return code;
        const char *newline = memchr(bytes, '\n', got);
        if (newline) {
            *start = at + (uint64_t)(newline - bytes) + 1;
            return RIG_OK;
        }
        if (got == 0)
            break;
        at += got;
    }
    *start = file->size;
    return RIG_OK;
}

static int cut(const struct table_file *file, struct piece pieces[], size_t count,
               struct rig_err *err)
{
    uint64_t from = file->rows_at, length = file->size > from ? file->size - from : 0;
    size_t worth = (size_t)(length / PIECE_WORTH) + 1;
    size_t used = count < worth ? count : worth; /* those behind stay empty */
    for (size_t i = 0; i < count; i++) {
        uint64_t to = file->size;
        if (i + 1 < used) {
            int code = next_line(file, file->rows_at + length / used * (i + 1), &to, err);
            if (code)
                return code;
        }
        pieces[i].from = from;
        pieces[i].to = to > from ? to : from;
        from = pieces[i].to;
    }
    return RIG_OK;
}

static void run_pieces(struct piece pieces[], size_t count)
{
    pthread_t threads[PIECE_LIMIT];
    bool running[PIECE_LIMIT] = {false};
    for (size_t i = 1; i < count; i++)
        if (pieces[i].from < pieces[i].to)
            running[i] = pthread_create(&threads[i], NULL, run_piece, &pieces[i]) == 0;
    for (size_t i = 0; i < count; i++) {
        if (running[i])
            pthread_join(threads[i], NULL);
        else /* the first, an empty one, or no thread was to be had */
            scan_piece(&pieces[i]);
    }
}

int recording_scan_table(const struct recording *recording, size_t table, size_t count,
                         row_sink *sink, void *const contexts[], struct scan_report *report,
                         struct rig_err *err)
{
    struct table_file file;
    struct piece pieces[PIECE_LIMIT];
    atomic_bool stop = false;
    if (count == 0 || count > PIECE_LIMIT ||
        table >= recording_table_count(recording_rig(recording)))
        return rig_fail(err, RIG_EBUG, "table %zu of a recording in %zu pieces", table, count);
    for (size_t i = 0; i < count; i++)
        pieces[i] =
            (struct piece){.file = &file, .sink = sink, .context = contexts[i], .stop = &stop};
    int code = open_table(&file, recording, table, err);
    if (!code)
        code = cut(&file, pieces, count, err);
    if (!code) {
        struct scan_report whole = {.unknown_columns = file.unknown_columns,
                                    .cut_last_line = file.cut_header,
                                    .lines = file.rows_at > 0};
        run_pieces(pieces, count);
        for (size_t i = 0; i < count; i++) {
            uint64_t before = whole.lines;
            bool fine = whole.malformed == 0;
            scan_report_add(&whole, &pieces[i].report);
            if (fine && whole.malformed)
                whole.first_malformed_line += before;
        }
        scan_report_add(report, &whole);
        for (size_t i = 0; !code && i < count; i++)
            if (pieces[i].code) {
                code = pieces[i].code;
                if (err)
                    *err = pieces[i].err;
            }
    }
    close_table(&file);
    return code;
}

int recording_scan_parallel(const struct recording *recording, size_t source, size_t pieces,
                            row_sink *sink, void *const contexts[], struct scan_report *report,
                            struct rig_err *err)
{
    if (source >= recording_rig(recording)->source_count)
        return rig_fail(err, RIG_EBUG, "source %zu of a recording", source);
    return recording_scan_table(recording, source, pieces, sink, contexts, report, err);
}

int recording_scan(const struct recording *recording, size_t source, row_sink *sink, void *context,
                   struct scan_report *report, struct rig_err *err)
{
    return recording_scan_parallel(recording, source, 1, sink, &context, report, err);
}
