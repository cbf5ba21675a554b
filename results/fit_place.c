/* SPDX-License-Identifier: GPL-3.0-or-later
 * Rows placed in time by their board's own clock, before anything is collected from them. */
#include "results/fit_place.h"

#include "results/fit_parts.h"

#include <math.h>
#include <stdlib.h>

/* ---- the clock, from a sample ---- */

static int sample(void *context, const struct row_batch *batch, struct rig_err *err)
{
    return row_times_add(context, batch->values[0], batch->values[1], batch->rows, err);
}

int fit_row_times(struct fit_work *work, size_t index, struct rig_err *err)
{
    const struct rig_source *source = &work->rig->sources[index];
    struct row_times *times = work->times[index] = calloc(1, sizeof *times);
    if (!times)
        return rig_fail_memory(err, "the clock of a board");
    if (!recording_has_clock(source))
        return RIG_OK;
    int code = recording_sample(work->recording, index, sample, times, err);
    if (code)
        return code;
    row_times_finish(times, source->clock_unit_s);
    if (times->restarts && times->count)
        fit_warn(work->fit, "%s.csv: the board's clock started anew %llu times.", source->name,
                 (unsigned long long)times->restarts);
    return RIG_OK;
}

void fit_delay(const struct fit_work *work, size_t index, double *middle_s, double *half_s)
{
    const struct rig_source *source = &work->rig->sources[index];
    const struct row_times *times = work->times[index];
    double low_s = source->delay_low_s, high_s = source->delay_high_s;
    if (times && times->count) {
        /* Only the quickest rows' delay is left: at least the mean of the others' below the
         * largest. Counts of the clock that fall otherwise each time make the quickest up to
         * half a count quicker. */
        double count_s = source->clock_unit_s, left_s = high_s - times->delay_s + count_s / 2;
        if (left_s >= low_s)
            high_s = fmin(high_s, left_s);
        low_s -= count_s / 2;
    }
    *middle_s = (low_s + high_s) / 2;
    *half_s = (high_s - low_s) / 2;
}

/* ---- the wrapper ---- */

struct part {
    const struct fit_placing *placing;
    void *parts[ROW_COLLECTOR_LIMIT];
    const double **values;
    double *placed_s;
    size_t rows, columns;
};

static void close_part(void *context)
{
    struct part *part = context;
    for (size_t i = 0; part && i < part->placing->count; i++)
        if (part->parts[i])
            part->placing->inner[i].close(part->parts[i]);
    if (part) {
        free(part->values);
        free(part->placed_s);
    }
    free(part);
}

static void *open_part(void *context, struct rig_err *err)
{
    const struct fit_placing *placing = context;
    struct part *part = calloc(1, sizeof *part);
    if (!part) {
        rig_fail_memory(err, "the rows of a recording");
        return NULL;
    }
    part->placing = placing;
    for (size_t i = 0; i < placing->count; i++)
        if (!(part->parts[i] = placing->inner[i].open(placing->inner[i].whole, err))) {
            close_part(part);
            return NULL;
        }
    return part;
}

static int make_room(struct part *part, const struct row_batch *batch, struct rig_err *err)
{
    if (batch->rows <= part->rows && batch->columns <= part->columns)
        return RIG_OK;
    free(part->values);
    free(part->placed_s);
    part->values = malloc(batch->columns * sizeof *part->values);
    part->placed_s = malloc(batch->rows * sizeof *part->placed_s);
    part->rows = batch->rows;
    part->columns = batch->columns;
    if (part->values && part->placed_s)
        return RIG_OK;
    part->rows = part->columns = 0;
    return rig_fail_memory(err, "the rows of a recording");
}

static int take(void *context, const struct row_batch *batch, struct rig_err *err)
{
    struct part *part = context;
    const struct fit_placing *placing = part->placing;
    struct row_batch placed = *batch;
    int code = RIG_OK;
    if (placing->times->count) {
        if ((code = make_room(part, batch, err)))
            return code;
        row_times_place(placing->times, batch->values[0], batch->values[1], batch->rows,
                        part->placed_s);
        for (size_t c = 1; c < batch->columns; c++)
            part->values[c] = batch->values[c];
        part->values[0] = part->placed_s;
        placed.values = part->values;
    }
    for (size_t i = 0; !code && i < placing->count; i++)
        code = placing->inner[i].take(part->parts[i], &placed, err);
    return code;
}

static bool is_full(const void *context)
{
    const struct part *part = context;
    bool full = false;
    for (size_t i = 0; i < part->placing->count; i++)
        full =
            full || (part->placing->inner[i].full && part->placing->inner[i].full(part->parts[i]));
    return full;
}

static int merge(void *context, void *context_of_part, struct rig_err *err)
{
    const struct fit_placing *placing = context;
    struct part *part = context_of_part;
    int code = RIG_OK;
    for (size_t i = 0; !code && i < placing->count; i++)
        code = placing->inner[i].merge(placing->inner[i].whole, part->parts[i], err);
    return code;
}

struct row_collector fit_placed(struct fit_placing *placing)
{
    return (struct row_collector){placing, open_part, take, is_full, merge, close_part};
}
