/* SPDX-License-Identifier: GPL-3.0-or-later
 * The one pass over the rows of a source: what is collected from it, and what is said of
 * rows that are no good. */
#include "results/fit_parts.h"
#include "results/fit_watch.h"

#include <math.h>
#include <stdatomic.h>
#include <stdlib.h>

enum { DIGEST_MEMORY = 32 * 1024 * 1024, INTERVAL_ROWS = 1024 };

/* ---- the digest as a collector ---- */

struct digest_whole {
    struct digest *digest;
    size_t first_channel; /* column of the first channel */
    const struct fit_options *options;
    uint64_t rows;
};

struct digest_share {
    struct digest *digest;
    size_t first_channel;
    uint64_t rows;
};

static void *open_share(void *context, struct rig_err *err)
{
    const struct digest_whole *whole = context;
    struct digest_share *share = calloc(1, sizeof *share);
    if (!share) {
        rig_fail_memory(err, "the digest of a recording");
        return NULL;
    }
    share->first_channel = whole->first_channel;
    share->digest = digest_open_part(whole->digest, err);
    if (share->digest)
        return share;
    free(share);
    return NULL;
}

static int take_rows(void *context, const struct row_batch *batch, struct rig_err *err)
{
    struct digest_share *share = context;
    share->rows += batch->rows;
    return digest_add_rows(share->digest, batch->values[0], batch->values + share->first_channel,
                           batch->rows, err);
}

static bool is_full(const void *context)
{
    const struct digest_share *share = context;
    return digest_full(share->digest);
}

static int merge_share(void *context, void *part, struct rig_err *err)
{
    struct digest_whole *whole = context;
    struct digest_share *share = part;
    (void)err;
    digest_merge(whole->digest, share->digest);
    whole->rows += share->rows;
    share->rows = 0;
    if (whole->options && whole->options->progress)
        whole->options->progress(whole->options->context, whole->rows);
    return RIG_OK;
}

static void close_share(void *context)
{
    struct digest_share *share = context;
    digest_free(share->digest);
    free(share);
}

/* ---- when channels renew their values ---- */

/* Of the channels, by their places. Of the whole, `full` says
 * that a channel needs no more: what comes behind a full one would be left out in any case. */
struct change_share {
    struct change_share *whole;
    const struct rig_source *source;
    size_t first_channel;
    struct update_changes *of[RIG_CHANNEL_LIMIT];
    atomic_bool full[RIG_CHANNEL_LIMIT];
};

static void close_changes(void *context)
{
    struct change_share *share = context;
    for (size_t c = 0; share && c < RIG_CHANNEL_LIMIT; c++)
        free(share->of[c]);
    free(share);
}

static void *open_changes(void *context, struct rig_err *err)
{
    struct change_share *whole = context;
    struct change_share *share = calloc(1, sizeof *share);
    bool lost = !share;
    if (share) {
        share->whole = whole;
        share->source = whole->source;
        share->first_channel = whole->first_channel;
    }
    for (size_t c = 0; !lost && c < whole->source->channel_count; c++)
        lost = !(share->of[c] = calloc(1, sizeof *share->of[c]));
    if (!lost)
        return share;
    close_changes(share);
    rig_fail_memory(err, "a channel's changes");
    return NULL;
}

static int take_changes(void *context, const struct row_batch *batch, struct rig_err *err)
{
    (void)err;
    struct change_share *share = context;
    for (size_t c = 0; c < share->source->channel_count; c++)
        if (share->of[c] && !atomic_load_explicit(&share->whole->full[c], memory_order_relaxed))
            update_changes_add(share->of[c], batch->values[0],
                               batch->values[share->first_channel + c], batch->rows);
    return RIG_OK;
}

static int merge_changes(void *context, void *part, struct rig_err *err)
{
    (void)err;
    struct change_share *whole = context, *share = part;
    for (size_t c = 0; c < RIG_CHANNEL_LIMIT; c++)
        if (share->of[c]) {
            update_changes_merge(whole->of[c], share->of[c]);
            if (whole->of[c]->count == UPDATE_CHANGES)
                atomic_store_explicit(&whole->full[c], true, memory_order_relaxed);
        }
    return RIG_OK;
}

/* ---- how good the stamps are ---- */

static void *open_stamps(void *context, struct rig_err *err)
{
    const struct stamps *whole = context;
    struct stamps *share = calloc(1, sizeof *share);
    if (share)
        stamps_begin(share, whole->clocked, whole->width_s * STAMP_STRETCHES);
    else
        rig_fail_memory(err, "the stamps of a recording");
    return share;
}

static int take_stamps(void *context, const struct row_batch *batch, struct rig_err *err)
{
    (void)err;
    struct stamps *share = context;
    stamps_add(share, batch->values[0], share->clocked ? batch->values[1] : NULL, batch->rows);
    return RIG_OK;
}

static int merge_stamps(void *context, void *part, struct rig_err *err)
{
    (void)err;
    stamps_merge(context, part);
    return RIG_OK;
}

/* ---- how far apart rows are ---- */

struct interval_state {
    double steps_s[INTERVAL_ROWS];
    size_t count;
};

static int first_steps(void *context, const struct row_batch *batch, struct rig_err *err)
{
    (void)err;
    struct interval_state *state = context;
    const double *t_s = batch->values[0];
    for (size_t r = 1; r < batch->rows && state->count < INTERVAL_ROWS; r++)
        if (t_s[r] > t_s[r - 1])
            state->steps_s[state->count++] = t_s[r] - t_s[r - 1];
    return -1; /* one batch is enough */
}

static int ascending(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

/* Usual distance of rows: the median of the first ones, so that a pause among them
 * doesn't matter. NaN: too few. */
static int usual_interval(const struct recording *recording, size_t source, double *interval_s,
                          struct rig_err *err)
{
    struct interval_state state = {.count = 0};
    struct scan_report report = {0};
    *interval_s = NAN;
    int code = recording_scan(recording, source, first_steps, &state, &report, err);
    if (code > 0)
        return code;
    qsort(state.steps_s, state.count, sizeof *state.steps_s, ascending);
    if (state.count >= 10)
        *interval_s = state.steps_s[state.count / 2];
    return RIG_OK;
}

/* ---- the whole ---- */

static void tell_of_rows(struct fit *fit, const char *name, const struct scan_report *report)
{
    fit->rows += report->rows;
    fit->malformed += report->malformed;
    if (report->malformed)
        fit_warn(fit, "%s.csv: %llu malformed rows were passed over, the first in line %llu.", name,
                 (unsigned long long)report->malformed,
                 (unsigned long long)report->first_malformed_line);
    if (report->backward_times)
        fit_warn(fit, "%s.csv: time stepped back in %llu rows.", name,
                 (unsigned long long)report->backward_times);
    if (report->cut_last_line)
        fit_warn(fit, "%s.csv: the last line was cut off and is left out.", name);
    if (report->rows == 0)
        fit_warn(fit, "%s.csv holds no rows.", name);
}

int fit_read_source(struct fit_work *work, size_t index, const struct fit_options *options,
                    struct rig_err *err)
{
    const struct rig_source *source = &work->rig->sources[index];
    int code = usual_interval(work->recording, index, &work->row_interval_s[index], err);
    if (code)
        return code;
    double late_s, late_half_s;
    fit_delay(work, index, &late_s, &late_half_s);
    size_t limit = options && options->memory_limit ? options->memory_limit : DIGEST_MEMORY;
    work->digests[index] = digest_open(work->plan, &work->timeline, source->channel_count,
                                       work->row_interval_s[index], late_s, limit, err);
    if (!work->digests[index])
        return RIG_EMEMORY;
    struct digest_whole whole = {
        .digest = work->digests[index],
        .first_channel = recording_has_clock(source) ? 2 : 1,
        .options = options,
    };
    struct stamps *stamps = work->stamps[index] = calloc(1, sizeof *stamps);
    if (!stamps)
        return rig_fail_memory(err, "the stamps of a recording");
    stamps_begin(stamps, whole.first_channel == 2, plan_duration_s(work->plan) + 30);
    struct change_share changes = {.source = source, .first_channel = whole.first_channel};
    struct change_share *made = open_changes(&changes, err);
    if (!made)
        return RIG_EMEMORY;
    for (size_t c = 0; c < RIG_CHANNEL_LIMIT; c++)
        work->changes[index][c] = made->of[c];
    /* One more thing to collect from the same rows is one more entry here; what looks at the
     * arrivals themselves stands in the second list. */
    const struct row_collector inner[] = {
        {&whole, open_share, take_rows, is_full, merge_share, close_share},
        {made, open_changes, take_changes, NULL, merge_changes, close_changes},
    };
    struct row_collector watch;
    if ((code = fit_watch_open(work, index, &watch, err))) {
        free(made);
        return code;
    }
    struct fit_placing placing = {work->times[index], inner, sizeof inner / sizeof *inner};
    const struct row_collector collectors[] = {
        fit_placed(&placing),
        {stamps, open_stamps, take_stamps, NULL, merge_stamps, free},
        watch,
    };
    struct scan_report report = {0};
    code = recording_pass(work->recording, index, work->threads, collectors,
                          sizeof collectors / sizeof *collectors, &report, err);
    free(made); /* what it holds belongs to the work now */
    if (!code) {
        tell_of_rows(work->fit, source->name, &report);
        fit_watch_rows(work, index, &report);
    }
    return code;
}
