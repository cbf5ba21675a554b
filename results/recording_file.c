/* SPDX-License-Identifier: GPL-3.0-or-later
 * A table of a recording as an open file: its header, and which of its columns are asked
 * for. */
#include "results/recording_parts.h"

#include "base/file.h"

#include <errno.h>
#include <fcntl.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

int recording_table_read(const struct table_file *file, char *to, size_t size, uint64_t at,
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
    char *line = malloc(TABLE_LINE_ROOM), *cells[RECORDING_COLUMN_LIMIT];
    size_t got = 0;
    int code = line ? recording_table_read(file, line, TABLE_LINE_ROOM - 1, 0, &got, err)
                    : rig_fail_memory(err, file->path);
    char *end = code ? NULL : memchr(line, '\n', got);
    if (!code && !end && got < TABLE_LINE_ROOM - 1) {
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

void recording_table_close(struct table_file *file)
{
    if (file->fd >= 0)
        close(file->fd);
    free(file->path);
}

int recording_table_open(struct table_file *file, const struct recording *recording, size_t table,
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

struct scan_report recording_table_report(const struct table_file *file)
{
    return (struct scan_report){.unknown_columns = file->unknown_columns,
                                .cut_last_line = file->cut_header,
                                .lines = file->rows_at > 0};
}
