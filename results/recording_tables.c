/* SPDX-License-Identifier: GPL-3.0-or-later
 * motion.csv and strokes.csv into memory. */
#include "results/recording_parts.h"

#include <math.h>
#include <stdlib.h>

struct collected {
    void *rows;
    size_t count, room, row_size;
    uint64_t senseless; /* indices that are none */
};

static void *room_for_one(struct collected *collected)
{
    if (collected->count == collected->room) {
        size_t room = collected->room + collected->room / 2 + 256;
        void *larger = realloc(collected->rows, room * collected->row_size);
        if (!larger)
            return NULL;
        collected->rows = larger;
        collected->room = room;
    }
    return (char *)collected->rows + collected->count * collected->row_size;
}

/* A whole number that fits, or the row makes no sense. */
static bool index_of(double cell, uint32_t *index)
{
    if (!(cell >= 0 && cell <= UINT32_MAX && cell == rint(cell)))
        return false;
    *index = (uint32_t)cell;
    return true;
}

static int take_motion(void *context, const struct row_batch *batch, struct rig_err *err)
{
    struct collected *collected = context;
    for (size_t r = 0; r < batch->rows; r++) {
        struct motion_row *row = room_for_one(collected);
        if (!row)
            return rig_fail_memory(err, "motion.csv");
        *row = (struct motion_row){.t_s = batch->values[0][r],
                                   .depth_mm = batch->values[2][r],
                                   .reported_mm = batch->values[3][r],
                                   .bracket_s = batch->values[4][r]};
        if (index_of(batch->values[1][r], &row->stroke) &&
            index_of(batch->values[5][r], &row->segment))
            collected->count++;
        else
            collected->senseless++;
    }
    return RIG_OK;
}

static int take_strokes(void *context, const struct row_batch *batch, struct rig_err *err)
{
    struct collected *collected = context;
    for (size_t r = 0; r < batch->rows; r++) {
        struct stroke_row *row = room_for_one(collected);
        if (!row)
            return rig_fail_memory(err, "strokes.csv");
        *row = (struct stroke_row){.plan_s = batch->values[1][r],
                                   .sent_s = batch->values[2][r],
                                   .accepted_s = batch->values[3][r],
                                   .ended_s = batch->values[4][r]};
        if (index_of(batch->values[0][r], &row->stroke))
            collected->count++;
        else
            collected->senseless++;
    }
    return RIG_OK;
}

static int collect(const struct recording *recording, size_t table, row_sink *sink,
                   struct collected *collected, struct scan_report *report, struct rig_err *err)
{
    struct scan_report own = {0};
    int code = recording_scan_table(recording, recording_rig(recording)->source_count + table, sink,
                                    collected, &own, err);
    own.rows -= collected->senseless;
    own.malformed += collected->senseless;
    if (table == TABLE_STROKES)
        own.backward_times = 0; /* its first column is no time */
    scan_report_add(report, &own);
    if (code) {
        free(collected->rows);
        *collected = (struct collected){0};
    }
    return code;
}

int recording_motion_rows(const struct recording *recording, struct motion_row **rows,
                          size_t *count, struct scan_report *report, struct rig_err *err)
{
    struct collected collected = {.row_size = sizeof **rows};
    int code = collect(recording, TABLE_MOTION, take_motion, &collected, report, err);
    *rows = collected.rows;
    *count = collected.count;
    return code;
}

int recording_stroke_rows(const struct recording *recording, struct stroke_row **rows,
                          size_t *count, struct scan_report *report, struct rig_err *err)
{
    struct collected collected = {.row_size = sizeof **rows};
    int code = collect(recording, TABLE_STROKES, take_strokes, &collected, report, err);
    *rows = collected.rows;
    *count = collected.count;
    return code;
}
