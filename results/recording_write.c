/* SPDX-License-Identifier: GPL-3.0-or-later
 * Writing a recording: rows appended to CSV files (RFC 4180), synced when the caller
 * says so; the small run.json replaced whole. run.json is the last file to be made, so
 * that a folder that has one is a whole recording. */
#include "results/recording.h"

#include "base/file.h"
#include "base/text.h"
#include "results/recording_parts.h"
#include "results/recording_writer.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

enum { ROW_SIZE = 4096 };
_Static_assert(ROW_SIZE >= CELL_SIZE * (RIG_CHANNEL_LIMIT + 3), "a row fits");

/* Room for the last rows, the event that says why, and run.json, for when the disk is full. */
static const char RESERVE_NAME[] = "room";
enum { RESERVE_BYTES = 128 * 1024 };

static struct file_append *fixed(const struct recording_writer *writer, size_t table)
{
    return writer->tables[writer->rig.source_count + table];
}

static int save(const char *folder, const char *name, const char *bytes, size_t size,
                struct rig_err *err)
{
    char *path = file_join(folder, name);
    int code = path ? file_replace(path, bytes, size, err) : rig_fail_memory(err, "a path");
    free(path);
    return code;
}

int writer_save_text(const char *folder, const char *name, char *text, struct rig_err *err)
{
    int code = text ? save(folder, name, text, strlen(text), err) : rig_fail_memory(err, name);
    free(text);
    return code;
}

/* ---- making the folder ---- */

int writer_header(const struct rig *rig, size_t table, struct text *header, struct rig_err *err)
{
    for (size_t c = 0; c < recording_column_count(rig, table); c++) {
        struct column_facts facts;
        recording_column(rig, table, c, &facts);
        text_format(header, "%s%s", c ? "," : "", facts.name);
    }
    text_add(header, "\r\n");
    return text_failed(header) ? rig_fail_memory(err, "a table's header") : RIG_OK;
}

char *writer_path(const struct recording_writer *writer, size_t table)
{
    char name[RIG_NAME_SIZE + 8];
    recording_file_name(&writer->rig, table, name);
    return file_join(writer->folder, name);
}

static int open_table(struct recording_writer *writer, size_t table, struct rig_err *err)
{
    struct text header = {0};
    char *path = writer_path(writer, table);
    int code =
        path ? writer_header(&writer->rig, table, &header, err) : rig_fail_memory(err, "a path");
    if (!code && !(writer->tables[table] = file_append_open(path, 0, err)))
        code = err ? (int)err->code : RIG_EOS;
    if (!code)
        code = file_append_write(writer->tables[table], header.bytes, header.size, err);
    text_free(&header);
    free(path);
    return code;
}

static int copy_traces(struct recording_writer *writer, const struct plan_files *files,
                       struct rig_err *err)
{
    size_t count = run_document_trace_count(&writer->document);
    char *folder = count ? file_join(writer->folder, "traces") : NULL;
    int code = RIG_OK;
    if (count && (!files || !files->load))
        code = rig_fail(err, RIG_EBUG, "the profile follows '%.100s' but nobody reads it",
                        run_document_trace_path(&writer->document, 0));
    else if (count)
        code = folder ? file_make_folder(folder, 1, err) : rig_fail_memory(err, "a path");
    free(folder);
    for (size_t i = 0; !code && i < count; i++) {
        char *bytes = NULL, name[40];
        size_t size = 0;
        recording_trace_name(i, name);
        code = files->load(files->context, run_document_trace_path(&writer->document, i), &bytes,
                           &size, err);
        if (!code)
            code = save(writer->folder, name, bytes, size, err);
        free(bytes);
    }
    return code;
}

static void remove_file(const char *folder, const char *name)
{
    char *path = file_join(folder, name);
    if (path)
        unlink(path);
    free(path);
}

int writer_reserve(struct recording_writer *writer, struct rig_err *err)
{
    char *path = file_join(writer->folder, RESERVE_NAME);
    int code = path ? file_reserve(path, RESERVE_BYTES, err) : rig_fail_memory(err, "a path");
    writer->reserved = code == RIG_OK;
    free(path);
    return code;
}

int writer_reserve_again(struct recording_writer *writer, struct rig_err *err)
{
    remove_file(writer->folder, RESERVE_NAME);
    return writer_reserve(writer, err);
}

static void release_reserve(struct recording_writer *writer)
{
    if (writer->reserved)
        remove_file(writer->folder, RESERVE_NAME);
    writer->reserved = false;
}

/* A write that failed gives the room back, so that what follows can be written. */
static int wrote(struct recording_writer *writer, int code)
{
    if (code)
        release_reserve(writer);
    return code;
}

/* What a half-made recording leaves behind is removed again: files of ours only. */
static void undo(const struct recording_writer *writer)
{
    char name[RIG_NAME_SIZE + 8], trace[40];
    for (size_t t = 0; t < recording_table_count(&writer->rig); t++) {
        recording_file_name(&writer->rig, t, name);
        remove_file(writer->folder, name);
    }
    for (size_t i = 0; i < run_document_trace_count(&writer->document); i++) {
        recording_trace_name(i, trace);
        remove_file(writer->folder, trace);
    }
    char *traces = file_join(writer->folder, "traces");
    if (traces)
        rmdir(traces);
    free(traces);
    remove_file(writer->folder, "csv-metadata.json");
    remove_file(writer->folder, "run.json");
    remove_file(writer->folder, RESERVE_NAME);
    rmdir(writer->folder);
}

void writer_free(struct recording_writer *writer)
{
    if (writer->lock_fd >= 0)
        close(writer->lock_fd);
    for (size_t t = 0; t < TABLE_LIMIT; t++)
        file_append_close(writer->tables[t], NULL);
    run_document_free(&writer->document);
    free(writer->folder);
    free(writer);
}

static int fill_folder(struct recording_writer *writer, const struct plan_files *traces,
                       struct rig_err *err)
{
    int code = copy_traces(writer, traces, err);
    for (size_t t = 0; !code && t < recording_table_count(&writer->rig); t++)
        code = open_table(writer, t, err);
    if (!code)
        code = writer_save_text(writer->folder, "csv-metadata.json",
                                recording_metadata(&writer->rig), err);
    if (!code)
        code = recording_sync(writer, err);
    if (!code)
        code = writer_reserve(writer, err);
    if (!code)
        code =
            writer_save_text(writer->folder, "run.json", run_document_json(&writer->document), err);
    return code;
}

struct recording_writer *recording_create(const char *folder, const struct run_facts *facts,
                                          const struct rig *rig, const struct plan *plan,
                                          const struct plan_files *traces, struct rig_err *err)
{
    struct recording_writer *writer = calloc(1, sizeof *writer);
    if (!writer) {
        rig_fail_memory(err, "a recording");
        return NULL;
    }
    writer->rig = *rig;
    writer->lock_fd = -1;
    writer->folder = strdup(folder);
    int code = writer->folder ? run_document_make(&writer->document, facts, plan, err)
                              : rig_fail_memory(err, "a recording");
    if (!code)
        code = run_document_list_traces(&writer->document, err);
    if (!code)
        code = file_make_folder(folder, 1, err);
    if (!code) {
        writer->lock_fd = file_lock_folder(folder, err);
        code = writer->lock_fd < 0 ? (int)RIG_EOS : fill_folder(writer, traces, err);
        if (code)
            undo(writer);
    }
    if (!code)
        return writer;
    writer_free(writer);
    return NULL;
}

/* ---- rows ---- */

/* A row is assembled whole and handed over at once: what is cut off is the last row. */
struct row {
    char bytes[ROW_SIZE];
    size_t size;
};

static void put_time(struct row *row, double t_s)
{
    row->size = cell_fixed(row->bytes, t_s, 6);
}

static void put_value(struct row *row, double value)
{
    row->bytes[row->size++] = ',';
    row->size += cell_value(row->bytes + row->size, value);
}

static void put_fixed(struct row *row, double value, unsigned decimals)
{
    row->bytes[row->size++] = ',';
    row->size += cell_fixed(row->bytes + row->size, value, decimals);
}

static int put_row(struct file_append *file, struct row *row, struct rig_err *err)
{
    row->bytes[row->size++] = '\r';
    row->bytes[row->size++] = '\n';
    return file_append_write(file, row->bytes, row->size, err);
}

static int need_time(double t_s, struct rig_err *err)
{
    return fabs(t_s) < 9e9 ? RIG_OK : rig_fail(err, RIG_EBUG, "a row without a time");
}

int recording_row(struct recording_writer *writer, size_t source, double t_s, double device_s,
                  const double values[], struct rig_err *err)
{
    struct row row;
    if (source >= writer->rig.source_count)
        return rig_fail(err, RIG_EBUG, "a row of source %zu", source);
    if (need_time(t_s, err))
        return RIG_EBUG;
    const struct rig_source *from = &writer->rig.sources[source];
    put_time(&row, t_s);
    if (recording_has_clock(from))
        put_fixed(&row, device_s, 6);
    for (size_t c = 0; c < from->channel_count; c++)
        put_value(&row, values[c]);
    return wrote(writer, put_row(writer->tables[source], &row, err));
}

int recording_motion(struct recording_writer *writer, double t_s, size_t stroke, double depth_mm,
                     double reported_mm, double bracket_s, size_t segment, struct rig_err *err)
{
    struct row row;
    if (need_time(t_s, err))
        return RIG_EBUG;
    put_time(&row, t_s);
    put_fixed(&row, (double)stroke, 0);
    put_value(&row, depth_mm);
    put_value(&row, reported_mm);
    put_fixed(&row, bracket_s, 6);
    put_fixed(&row, (double)segment, 0);
    return wrote(writer, put_row(fixed(writer, TABLE_MOTION), &row, err));
}

int recording_stroke(struct recording_writer *writer, size_t stroke, double plan_s, double sent_s,
                     double accepted_s, double ended_s, struct rig_err *err)
{
    struct row row;
    row.size = cell_fixed(row.bytes, (double)stroke, 0);
    put_fixed(&row, plan_s, 6);
    put_fixed(&row, sent_s, 6);
    put_fixed(&row, accepted_s, 6);
    put_fixed(&row, ended_s, 6);
    return wrote(writer, put_row(fixed(writer, TABLE_STROKES), &row, err));
}

int recording_event(struct recording_writer *writer, double t_s, const char *kind, const char *text,
                    struct rig_err *err)
{
    struct text row = {0};
    char number[CELL_SIZE];
    size_t length = strlen(kind);
    if (need_time(t_s, err))
        return RIG_EBUG;
    if (length == 0 || length >= sizeof((struct event_row *)0)->kind ||
        strcspn(kind, " ,\"\\\r\n") != length)
        return rig_fail(err, RIG_EBUG, "'%.40s' as the kind of an event", kind);
    text_add_bytes(&row, number, cell_fixed(number, t_s, 6));
    text_format(&row, ",%s,\"", kind);
    for (const unsigned char *at = (const unsigned char *)text; *at; at++) {
        if (*at == '"')
            text_add(&row, "\"\"");
        else if (*at < 0x20 || *at >= 0x7f || *at == '\\')
            text_format(&row, "\\x%02X", *at);
        else
            text_add_bytes(&row, at, 1);
    }
    text_add(&row, "\"\r\n");
    int code = text_failed(&row)
                   ? rig_fail_memory(err, "an event")
                   : file_append_write(fixed(writer, TABLE_EVENTS), row.bytes, row.size, err);
    text_free(&row);
    return wrote(writer, code);
}

int recording_sync(struct recording_writer *writer, struct rig_err *err)
{
    struct rig_err later;
    int first = RIG_OK;
    for (size_t t = 0; t < recording_table_count(&writer->rig); t++) {
        uint64_t size = file_append_size(writer->tables[t]);
        if (size == writer->synced[t])
            continue;
        int code = file_append_flush(writer->tables[t], 1, first ? &later : err);
        if (!code)
            writer->synced[t] = size;
        first = first ? first : code;
    }
    return wrote(writer, first);
}

uint64_t recording_size(const struct recording_writer *writer)
{
    uint64_t size = 0;
    for (size_t t = 0; t < recording_table_count(&writer->rig); t++)
        size += file_append_size(writer->tables[t]);
    return size;
}

int recording_note(struct recording_writer *writer, const char *key, const char *json,
                   struct rig_err *err)
{
    return run_document_note(&writer->document, key, json, err);
}

int recording_close(struct recording_writer *writer, enum run_state state, const char *why,
                    struct rig_err *err)
{
    struct rig_err later;
    int first = RIG_OK;
    release_reserve(writer);
    for (size_t t = 0; t < recording_table_count(&writer->rig); t++) {
        int code = file_append_close(writer->tables[t], first ? &later : err);
        writer->tables[t] = NULL;
        first = first ? first : code;
    }
    int code = run_document_end(&writer->document, writer->folder, &writer->rig, state, why,
                                first ? &later : err);
    first = first ? first : code;
    code = writer_save_text(writer->folder, "run.json", run_document_json(&writer->document),
                            first ? &later : err);
    first = first ? first : code;
    writer_free(writer);
    return first;
}
