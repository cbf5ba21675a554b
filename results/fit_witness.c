/* SPDX-License-Identifier: GPL-3.0-or-later
 * The clocks of axis and host tied by a channel on the stage, where the rig has one that is
 * any use; and what the tie says of the axis. */
#include "results/fit_parts.h"

#include "results/timeline_witness.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { STEPS = 1024 };

/* ---- the pass over its rows ---- */

struct share {
    struct witness witness;
    size_t column;
};

static void *open_share(void *context, struct rig_err *err)
{
    const struct share *whole = context;
    struct share *share = calloc(1, sizeof *share);
    if (!share) {
        rig_fail_memory(err, "the rows of a channel on the stage");
        return NULL;
    }
    share->column = whole->column;
    witness_begin(&share->witness, whole->witness.role, whole->witness.timeline,
                  whole->witness.late_s);
    return share;
}

static int take(void *context, const struct row_batch *batch, struct rig_err *err)
{
    struct share *share = context;
    return witness_add(&share->witness, batch->values[0], batch->values[share->column], batch->rows,
                       err);
}

static bool is_full(const void *context)
{
    const struct share *share = context;
    return witness_full(&share->witness);
}

static int merge(void *context, void *part, struct rig_err *err)
{
    struct share *whole = context, *share = part;
    return witness_merge(&whole->witness, &share->witness, err);
}

static void close_share(void *context)
{
    struct share *share = context;
    witness_free(&share->witness);
    free(share);
}

/* ---- by how much stamps vary ---- */

struct steps {
    double s[STEPS];
    size_t count;
};

static int first_steps(void *context, const struct row_batch *batch, struct rig_err *err)
{
    (void)err;
    struct steps *steps = context;
    for (size_t r = 1; r < batch->rows && steps->count < STEPS; r++)
        steps->s[steps->count++] = batch->values[0][r] - batch->values[0][r - 1];
    return -1; /* one batch is enough */
}

static int ascending(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

/* Each distance of rows holds the errors of two stamps. Robust, as a pause doesn't matter. */
static int stamp_sd(const struct recording *recording, size_t source, double *sd_s,
                    struct rig_err *err)
{
    struct steps steps = {.count = 0};
    struct scan_report report = {0};
    int code = recording_scan(recording, source, first_steps, &steps, &report, err);
    *sd_s = 0;
    if (code > 0)
        return code;
    if (steps.count < 10)
        return RIG_OK;
    qsort(steps.s, steps.count, sizeof *steps.s, ascending);
    double usual = steps.s[steps.count / 2];
    for (size_t i = 0; i < steps.count; i++)
        steps.s[i] = fabs(steps.s[i] - usual);
    qsort(steps.s, steps.count, sizeof *steps.s, ascending);
    *sd_s = 1.4826 * steps.s[steps.count / 2] / sqrt(2);
    return RIG_OK;
}

/* ---- one channel ---- */

static const char *role_words(enum channel_role role)
{
    return role == ROLE_REFERENCE ? "reference" : "trip";
}

/* How well a mean over all strokes is known against the sensor's rows: what is common to all,
 * with the delay of the sensor's lines where it doesn't cancel, and what averages out. */
static double tie_u_s(const struct fit_work *work, const struct timeline *timeline)
{
    double late_s, half_s;
    fit_delay(work, work->sensor_source, &late_s, &half_s);
    double delay_u_s = half_s / sqrt(3);
    double common2 = timeline->common_u_s * timeline->common_u_s, scatter2 = 0, n = 0;
    if (timeline->source == work->sensor_source)
        common2 -= timeline->source_u_s * timeline->source_u_s;
    else
        common2 += delay_u_s * delay_u_s;
    for (size_t k = 0; k < timeline->stroke_count; k++)
        if (timeline->strokes[k].known) {
            scatter2 += timeline->strokes[k].scatter_s * timeline->strokes[k].scatter_s;
            n++;
        }
    return sqrt(fmax(common2, 0) + scatter2 / (n * n));
}

/* The better of two timelines, the other is freed. */
static void choose(struct fit_work *work, struct timeline *before, const char *channel, bool *done)
{
    double before_s = tie_u_s(work, before), after_s = tie_u_s(work, &work->timeline);
    if (after_s <= before_s) {
        timeline_free(before);
        return;
    }
    fit_warn(work->fit,
             "Channel '%s' ties the clocks less well (to %.2g ms, standard uncertainty) than %s do "
             "(%.2g ms), and is left aside.",
             channel, 1000 * after_s, timeline_anchor_name(before->anchor), 1000 * before_s);
    timeline_free(&work->timeline);
    work->timeline = *before;
    *done = false;
}

static int copy_timeline(struct timeline *copy, const struct timeline *timeline,
                         struct rig_err *err)
{
    size_t bytes = timeline->stroke_count * sizeof *timeline->strokes;
    *copy = *timeline;
    copy->strokes = malloc(bytes + 1);
    if (!copy->strokes)
        return rig_fail_memory(err, "the timeline");
    memcpy(copy->strokes, timeline->strokes, bytes);
    return RIG_OK;
}

static int try_channel(struct fit_work *work, size_t index, size_t channel, size_t threads,
                       bool *done, struct rig_err *err)
{
    const struct rig_source *source = &work->rig->sources[index];
    enum channel_role role = source->channels[channel].role;
    char reason[TIMELINE_REASON_SIZE] = "";
    struct timeline_source facts = {.index = index, .trip_mm = source->channels[channel].trip_mm};
    double late_s;
    fit_delay(work, index, &late_s, &facts.delay_half_s);
    struct share whole = {.column = channel + (recording_has_clock(source) ? 2 : 1)};
    const struct row_collector collector = {&whole, open_share, take, is_full, merge, close_share};
    struct fit_placing placing = {work->times[index], &collector, 1};
    const struct row_collector placed = fit_placed(&placing);
    struct scan_report report = {0};
    struct timeline before;
    if (copy_timeline(&before, &work->timeline, err))
        return err->code;
    witness_begin(&whole.witness, role, &work->timeline, late_s);
    int code = RIG_OK;
    if (!work->times[index]->count)
        code = stamp_sd(work->recording, index, &facts.stamp_sd_s, err);
    if (!code)
        code = recording_pass(work->recording, index, threads, &placed, 1, &report, err);
    if (!code) {
        witness_settle(&whole.witness);
        code = timeline_witness(&work->timeline, work->plan, &work->rig->axis, &whole.witness,
                                &facts, done, reason, err);
    }
    witness_free(&whole.witness);
    if (!code && !*done)
        fit_warn(work->fit,
                 "Channel '%s' (role %s) does not tie the clocks: %s. They are tied by %s.",
                 source->channels[channel].name, role_words(role), reason,
                 timeline_anchor_name(work->timeline.anchor));
    if (!code && *done && *reason)
        fit_warn(work->fit, "Channel '%s' (role %s): %s.", source->channels[channel].name,
                 role_words(role), reason);
    if (!code && *done)
        choose(work, &before, source->channels[channel].name, done);
    else
        timeline_free(&before);
    return code;
}

int fit_witness(struct fit_work *work, size_t threads, struct rig_err *err)
{
    static const enum channel_role roles[] = {ROLE_REFERENCE, ROLE_TRIP};
    bool done = false;
    int code = RIG_OK;
    if (work->timeline.anchor == ANCHOR_NONE)
        return RIG_OK;
    for (size_t r = 0; r < sizeof roles / sizeof roles[0]; r++)
        for (size_t s = 0; s < work->rig->source_count; s++)
            for (size_t c = 0; c < work->rig->sources[s].channel_count; c++)
                if (!code && !done && work->rig->sources[s].channels[c].role == roles[r])
                    code = try_channel(work, s, c, threads, &done, err);
    return code;
}

/* ---- what was known beforehand ---- */

bool fit_prior(const struct fit_work *work, struct timeline_prior *prior)
{
    const struct sync *sync = recording_known(work->recording);
    const struct run_facts *facts = recording_facts(work->recording);
    if (!sync && *facts->sync_text)
        fit_warn(work->fit, "%.100s: is not of this axis, or can't be read, and was left unused.",
                 facts->sync_name);
    if (!sync)
        return false;
    *prior = (struct timeline_prior){.start_delay_s = sync->start_delay_s.value,
                                     .start_delay_u_s = sync->start_delay_s.u,
                                     .spread_s = sync->spread_s,
                                     .skew = -1e-6 * sync->skew_ppm.value, /* the sign flips here */
                                     .skew_u = 1e-6 * sync->skew_ppm.u};
    return true;
}

struct estimate fit_measured_backlash(const struct fit_work *work)
{
    const struct timeline *timeline = &work->timeline;
    const struct sync *sync = recording_known(work->recording);
    if (isfinite(timeline->backlash_mm))
        return (struct estimate){fmax(timeline->backlash_mm, 0), timeline->backlash_u_mm, INFINITY};
    if (sync && isfinite(sync->backlash_mm.value))
        return (struct estimate){fmax(sync->backlash_mm.value, 0), sync->backlash_mm.u, INFINITY};
    return ESTIMATE_UNKNOWN;
}
