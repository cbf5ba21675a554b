/* SPDX-License-Identifier: GPL-3.0-or-later
 * Going on with a recording that was stopped, faulted or killed. Nothing is changed before all
 * of it was looked at, but that cut last lines are taken off. */
#include "results/recording_writer.h"

#include "base/number.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Longer than this after the run's start the time of day is not believed. */
static const double LONGEST_S = 366.0 * 86400;

/* ---- what is there ---- */

/* A table without its whole header was never begun: it gets one. Any other must begin with just
 * the header that a new one would. */
static int check_header(const struct recording_writer *writer, size_t table, const char *path,
                        bool *missing, struct rig_err *err)
{
    struct text header = {0};
    size_t got = 0;
    int code = writer_header(&writer->rig, table, &header, err);
    char *found = code ? NULL : malloc(header.size + 1);
    if (!code && !found)
        code = rig_fail_memory(err, path);
    if (!code)
        code = file_head(path, found, header.size, &got, err);
    *missing = !code && got == 0;
    if (!code && !*missing && (got != header.size || memcmp(found, header.bytes, got) != 0))
        code = rig_fail(err, RIG_EINPUT,
                        "%s:1: is not the header that the rig file in run.json gives it; a "
                        "recording that was changed can't be gone on with",
                        path);
    free(found);
    text_free(&header);
    return code;
}

/* The time in the first cell of the last line. */
static int last_time(const char *path, double *last_s, struct rig_err *err)
{
    char bytes[TABLE_LINE_ROOM];
    size_t got, start;
    int code = file_tail(path, bytes, sizeof bytes, &got, err);
    if (code || got < 2)
        return code;
    for (start = got - 1; start > 0 && bytes[start - 1] != '\n'; start--)
        ;
    const char *comma = memchr(bytes + start, ',', got - start);
    double t_s;
    if (comma && rig_number(bytes + start, (size_t)(comma - bytes) - start, &t_s, NULL))
        *last_s = fmax(*last_s, t_s);
    return RIG_OK;
}

static int look_at_table(struct recording_writer *writer, size_t table, bool *missing,
                         struct recording_left *left, struct rig_err *err)
{
    char *path = writer_path(writer, table);
    uint64_t cut = 0;
    int code = path ? file_cut_line(path, &cut, err) : rig_fail_memory(err, "a path");
    left->cut_bytes += cut;
    if (!code)
        code = check_header(writer, table, path, missing, err);
    if (!code && table != writer->rig.source_count + TABLE_STROKES) /* begins with a number */
        code = last_time(path, &left->last_s, err);
    free(path);
    return code;
}

static int look_at_strokes(const struct recording *recording, struct recording_left *left,
                           struct rig_err *err)
{
    struct motion_row *motion = NULL;
    struct stroke_row *rows = NULL;
    size_t motion_count = 0, count = 0, planned = plan_stroke_count(recording_plan(recording));
    struct scan_report report = {0};
    bool *whole = calloc(planned + 1, sizeof *whole);
    int code = whole ? recording_motion_rows(recording, &motion, &motion_count, &report, err)
                     : rig_fail_memory(err, "the strokes of a recording");
    if (!code)
        code = recording_stroke_rows(recording, &rows, &count, &report, err);
    for (size_t i = 0; !code && i < count; i++)
        if (rows[i].stroke < planned && isfinite(rows[i].ended_s))
            whole[rows[i].stroke] = true;
    /* Each stroke writes where it is as soon as it is sent. */
    for (size_t i = motion_count; !code && i-- > 0;)
        if (motion[i].stroke < planned) {
            left->stroke = motion[i].stroke;
            break;
        }
    while (!code && left->whole < planned && whole[left->whole])
        left->whole++;
    free(whole);
    free(motion);
    free(rows);
    return code;
}

/* ---- going on ---- */

static int open_again(struct recording_writer *writer, size_t table, bool missing,
                      struct rig_err *err)
{
    struct text header = {0};
    char *path = writer_path(writer, table);
    int code = path ? RIG_OK : rig_fail_memory(err, "a path");
    if (!code && !(writer->tables[table] = file_append_open(path, 1, err)))
        code = err ? (int)err->code : RIG_EOS;
    if (!code && missing)
        code = writer_header(&writer->rig, table, &header, err);
    if (!code && missing)
        code = file_append_write(writer->tables[table], header.bytes, header.size, err);
    text_free(&header);
    free(path);
    return code;
}

static int go_on(struct recording_writer *writer, const bool missing[],
                 const struct run_facts *facts, const struct recording_left *left, double at_s,
                 struct rig_err *err)
{
    int code = RIG_OK;
    for (size_t t = 0; !code && t < recording_table_count(&writer->rig); t++)
        code = open_again(writer, t, missing[t], err);
    if (!code)
        code = recording_sync(writer, err);
    if (!code)
        code = writer_reserve_again(writer, err);
    if (!code)
        code = run_document_go_on(&writer->document, facts, left, at_s, err);
    if (!code)
        code =
            writer_save_text(writer->folder, "run.json", run_document_json(&writer->document), err);
    return code;
}

static int read_document(struct recording_writer *writer, struct rig_err *err)
{
    char *path = file_join(writer->folder, "run.json"), *bytes = NULL;
    size_t size = 0;
    int code =
        path ? file_read(path, RUN_JSON_LIMIT, &bytes, &size, err) : rig_fail_memory(err, "a path");
    if (!code)
        code = run_document_read(&writer->document, path, bytes, size, err);
    if (!code && writer->document.state == RUN_COMPLETE)
        code = rig_fail(err, RIG_EINPUT, "%s: this run is complete; there is nothing to go on with",
                        writer->folder);
    free(bytes);
    free(path);
    return code;
}

struct recording_writer *recording_resume(const struct recording *recording,
                                          const struct run_facts *facts, double since_started_s,
                                          struct recording_left *left, double *at_s,
                                          struct rig_err *err)
{
    bool missing[TABLE_LIMIT] = {false};
    struct recording_writer *writer = calloc(1, sizeof *writer);
    if (!writer) {
        rig_fail_memory(err, "a recording");
        return NULL;
    }
    *left = (struct recording_left){0};
    writer->rig = *recording_rig(recording);
    writer->folder = strdup(recording_folder(recording));
    writer->lock_fd = writer->folder ? file_lock_folder(writer->folder, err) : -1;
    int code = !writer->folder       ? rig_fail_memory(err, "a recording")
               : writer->lock_fd < 0 ? (int)RIG_EOS
                                     : read_document(writer, err); /* as it is under the lock */
    left->state = writer->document.state;
    for (size_t t = 0; !code && t < recording_table_count(&writer->rig); t++)
        code = look_at_table(writer, t, &missing[t], left, err);
    if (!code)
        code = look_at_strokes(recording, left, err);
    if (!code) {
        bool likely = since_started_s > left->last_s && since_started_s < LONGEST_S;
        *at_s = likely ? since_started_s : left->last_s + 1;
        code = go_on(writer, missing, facts, left, *at_s, err);
    }
    if (!code)
        return writer;
    writer_free(writer);
    return NULL;
}
