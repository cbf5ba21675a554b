/* SPDX-License-Identifier: GPL-3.0-or-later
 * Writing a recording: rows appended to CSV files, synced by the caller's clock; the
 * small run.json replaced whole. */
#include "results/recording.h"

#include "base/file.h"
#include "base/number.h"
#include "base/text.h"
#include "results/recording_parts.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

enum { FIXED_FILES = 3, ROW_SIZE = 64 + 24 * (RIG_CHANNEL_LIMIT + 2) };

struct recording_writer {
    char *folder;
    struct rig rig;
    struct run_document document; /* run.json, kept for the last writing */
    struct file_append *sources[RIG_SOURCE_LIMIT];
    struct file_append *motion, *strokes, *events;
    bool traces;
};

const char *run_state_name(enum run_state state)
{
    static const char *const names[] = {
#define X(state, word) word,
        RUN_STATES(X)
#undef X
    };
    return state < RUN_STATE_COUNT ? names[state] : "?";
}

/* Decimal text with a fixed number of decimals, without the printf machinery. */
static size_t put_fixed(char *to, double value, unsigned decimals)
{
    static const double scale[] = {1, 10, 100, 1e3, 1e4, 1e5, 1e6};
    double scaled = rint(fabs(value) * scale[decimals]);
    if (!(scaled < 9e15))
        return (size_t)snprintf(to, 24, "%.9g", value);
    uint64_t digits = (uint64_t)scaled;
    char reversed[24];
    size_t n = 0, size = 0;
    do {
        if (n == decimals && decimals)
            reversed[n++] = '.';
        reversed[n++] = (char)('0' + digits % 10);
        digits /= 10;
    } while (digits || n <= decimals + (decimals > 0));
    if (value < 0 && scaled > 0)
        to[size++] = '-';
    while (n)
        to[size++] = reversed[--n];
    return size;
}

/* Up to nine significant digits; NaN is an empty cell. */
static size_t put_value(char *to, double value)
{
    if (!isfinite(value))
        return 0;
    if (value == rint(value) && fabs(value) < 1e9)
        return put_fixed(to, value, 0);
    int size = snprintf(to, 24, "%.9g", value);
    return size > 0 ? (size_t)size : 0;
}

static struct file_append *open_table(const char *folder, const char *name, const char *header,
                                      struct rig_err *err)
{
    char *path = file_join(folder, name);
    if (!path) {
        rig_fail_memory(err, "a path");
        return NULL;
    }
    struct file_append *file = file_append_open(path, 0, err);
    free(path);
    if (file && file_append_write(file, header, strlen(header), err)) {
        file_append_close(file, NULL);
        return NULL;
    }
    return file;
}

static int open_source(struct recording_writer *writer, size_t index, struct rig_err *err)
{
    const struct rig_source *source = &writer->rig.sources[index];
    struct text header = {0};
    char name[RIG_NAME_SIZE + 8];
    text_add(&header, recording_has_clock(source) ? "t_s,device_s" : "t_s");
    for (size_t c = 0; c < source->channel_count; c++) {
        text_add(&header, ",");
        text_add(&header, source->channels[c].name);
    }
    text_add(&header, "\r\n");
    if (text_failed(&header)) {
        text_free(&header);
        return rig_fail_memory(err, "a header");
    }
    snprintf(name, sizeof name, "%s.csv", source->name);
    writer->sources[index] = open_table(writer->folder, name, header.bytes, err);
    text_free(&header);
    return writer->sources[index] ? RIG_OK : (int)err->code;
}

static int save_small(const char *folder, const char *name, const char *bytes, size_t size,
                      struct rig_err *err)
{
    char *path = file_join(folder, name);
    if (!path)
        return rig_fail_memory(err, "a path");
    int code = file_replace(path, bytes, size, err);
    free(path);
    return code;
}

static int save_document(struct recording_writer *writer, struct rig_err *err)
{
    char *json = run_document_json(&writer->document);
    if (!json)
        return rig_fail_memory(err, "run.json");
    int code = save_small(writer->folder, "run.json", json, strlen(json), err);
    free(json);
    return code;
}

/* What a half-made recording leaves behind is removed again. */
static void undo(struct recording_writer *writer)
{
    static const char *const fixed[] = {"run.json", "motion.csv", "strokes.csv", "events.csv",
                                        "csv-metadata.json"};
    for (size_t i = 0; i < sizeof fixed / sizeof *fixed + writer->rig.source_count; i++) {
        char name[RIG_NAME_SIZE + 8];
        if (i < sizeof fixed / sizeof *fixed)
            snprintf(name, sizeof name, "%s", fixed[i]);
        else
            snprintf(name, sizeof name, "%s.csv",
                     writer->rig.sources[i - sizeof fixed / sizeof *fixed].name);
        char *path = file_join(writer->folder, name);
        if (path)
            unlink(path);
        free(path);
    }
    rmdir(writer->folder);
}

static void free_writer(struct recording_writer *writer)
{
    for (size_t i = 0; i < RIG_SOURCE_LIMIT; i++)
        file_append_close(writer->sources[i], NULL);
    file_append_close(writer->motion, NULL);
    file_append_close(writer->strokes, NULL);
    file_append_close(writer->events, NULL);
    run_document_free(&writer->document);
    free(writer->folder);
    free(writer);
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
    writer->folder = strdup(folder);
    int code = writer->folder ? run_document_make(&writer->document, facts, plan, err)
                              : rig_fail_memory(err, "a path");
    if (!code)
        code = file_make_folder(folder, 1, err);
    if (code) {
        free_writer(writer);
        return NULL;
    }
    code = recording_save_traces(folder, facts, traces, err);
    for (size_t i = 0; !code && i < rig->source_count; i++)
        code = open_source(writer, i, err);
    if (!code && !(writer->motion =
                       open_table(folder, "motion.csv",
                                  "t_s,stroke,depth_mm,reported_mm,bracket_s,segment\r\n", err)))
        code = err->code;
    if (!code && !(writer->strokes = open_table(
                       folder, "strokes.csv", "stroke,plan_s,sent_s,accepted_s,ended_s\r\n", err)))
        code = err->code;
    if (!code && !(writer->events = open_table(folder, "events.csv", "t_s,kind,text\r\n", err)))
        code = err->code;
    if (!code) {
        char *metadata = recording_metadata(rig);
        code = metadata ? save_small(folder, "csv-metadata.json", metadata, strlen(metadata), err)
                        : rig_fail_memory(err, "csv-metadata.json");
        free(metadata);
    }
    if (!code)
        code = save_document(writer, err);
    if (!code)
        code = recording_sync(writer, err);
    if (code) {
        undo(writer);
        free_writer(writer);
        return NULL;
    }
    return writer;
}

int recording_row(struct recording_writer *writer, size_t source, double t_s, double device_s,
                  const double values[], struct rig_err *err)
{
    char row[ROW_SIZE];
    const struct rig_source *from = &writer->rig.sources[source];
    size_t size = put_fixed(row, t_s, 6);
    if (recording_has_clock(from)) {
        row[size++] = ',';
        if (isfinite(device_s))
            size += put_fixed(row + size, device_s, 6);
    }
    for (size_t c = 0; c < from->channel_count; c++) {
        row[size++] = ',';
        size += put_value(row + size, values[c]);
    }
    row[size++] = '\r';
    row[size++] = '\n';
    return file_append_write(writer->sources[source], row, size, err);
}

static size_t put_cell(char *to, double value, unsigned decimals)
{
    to[0] = ',';
    return 1 + (isfinite(value) ? put_fixed(to + 1, value, decimals) : 0);
}

int recording_motion(struct recording_writer *writer, double t_s, size_t stroke, double depth_mm,
                     double reported_mm, double bracket_s, size_t segment, struct rig_err *err)
{
    char row[200];
    size_t size = put_fixed(row, t_s, 6);
    size += put_cell(row + size, (double)stroke, 0);
    size += put_cell(row + size, depth_mm, 4);
    size += put_cell(row + size, reported_mm, 4);
    size += put_cell(row + size, bracket_s, 6);
    size += put_cell(row + size, (double)segment, 0);
    memcpy(row + size, "\r\n", 2);
    return file_append_write(writer->motion, row, size + 2, err);
}

int recording_stroke(struct recording_writer *writer, size_t stroke, double plan_s, double sent_s,
                     double accepted_s, double ended_s, struct rig_err *err)
{
    char row[200];
    size_t size = put_fixed(row, (double)stroke, 0);
    size += put_cell(row + size, plan_s, 6);
    size += put_cell(row + size, sent_s, 6);
    size += put_cell(row + size, accepted_s, 6);
    size += put_cell(row + size, ended_s, 6);
    memcpy(row + size, "\r\n", 2);
    return file_append_write(writer->strokes, row, size + 2, err);
}

int recording_event(struct recording_writer *writer, double t_s, const char *kind, const char *text,
                    struct rig_err *err)
{
    struct text row = {0};
    char number[32];
    text_add_bytes(&row, number, put_fixed(number, t_s, 6));
    text_format(&row, ",%s,\"", kind);
    for (const unsigned char *at = (const unsigned char *)text; *at; at++) {
        if (*at == '"')
            text_add(&row, "\"\"");
        else if (*at < 0x20 || *at >= 0x7f)
            text_format(&row, "\\x%02X", *at);
        else
            text_add_bytes(&row, at, 1);
    }
    text_add(&row, "\"\r\n");
    int code = text_failed(&row) ? rig_fail_memory(err, "an event")
                                 : file_append_write(writer->events, row.bytes, row.size, err);
    text_free(&row);
    return code;
}

int recording_sync(struct recording_writer *writer, struct rig_err *err)
{
    struct file_append *const fixed[FIXED_FILES] = {writer->motion, writer->strokes,
                                                    writer->events};
    int first = RIG_OK;
    for (size_t i = 0; i < FIXED_FILES + writer->rig.source_count; i++) {
        struct file_append *file = i < FIXED_FILES ? fixed[i] : writer->sources[i - FIXED_FILES];
        struct rig_err later;
        int code = file_append_flush(file, 1, first ? &later : err);
        first = first ? first : code;
    }
    return first;
}

uint64_t recording_size(const struct recording_writer *writer)
{
    uint64_t size = file_append_size(writer->motion) + file_append_size(writer->strokes) +
                    file_append_size(writer->events);
    for (size_t i = 0; i < writer->rig.source_count; i++)
        size += file_append_size(writer->sources[i]);
    return size;
}

static int close_file(struct file_append **file, int first, struct rig_err *err)
{
    struct rig_err later;
    int code = file_append_close(*file, first ? &later : err);
    *file = NULL;
    return first ? first : code;
}

int recording_close(struct recording_writer *writer, enum run_state state, const char *why,
                    struct rig_err *err)
{
    int first = RIG_OK;
    for (size_t i = 0; i < writer->rig.source_count; i++)
        first = close_file(&writer->sources[i], first, err);
    first = close_file(&writer->motion, first, err);
    first = close_file(&writer->strokes, first, err);
    first = close_file(&writer->events, first, err);
    struct rig_err later;
    int code = run_document_end(&writer->document, writer->folder, &writer->rig, state, why,
                                first ? &later : err);
    first = first ? first : code;
    code = save_document(writer, first ? &later : err);
    first = first ? first : code;
    free_writer(writer);
    return first;
}
