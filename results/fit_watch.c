/* SPDX-License-Identifier: GPL-3.0-or-later
 * What is wrong with a recording's rows, told: rows that are missing, come twice or end early,
 * columns that nobody knows, values that are missing, never change or are saturated. */
#include "results/fit_watch.h"

#include <math.h>
#include <stdlib.h>

/* Rising water (at the lower end falling) over which a reading stays at its end, to the digit,
 * before it counts as saturated: more than a coarse resolution makes. */
static const double saturated_mm = 5;
enum { SATURATED_BINS = 5 };
/* Shares of the rows from which on it is told. */
static const double repeated_share = 0.1, missing_share = 0.01;

/* ---- as a collector ---- */

static void *open_watch(void *context, struct rig_err *err)
{
    const struct row_watch *whole = context;
    struct row_watch *watch = malloc(sizeof *watch);
    if (watch)
        row_watch_begin(watch, whole->usual_s, whole->clocked);
    else
        rig_fail_memory(err, "the rows of a recording");
    return watch;
}

static int take(void *context, const struct row_batch *batch, struct rig_err *err)
{
    (void)err;
    struct row_watch *watch = context;
    row_watch_add(watch, batch->values[0], watch->clocked ? batch->values[1] : NULL, batch->rows);
    return RIG_OK;
}

static int merge(void *context, void *part, struct rig_err *err)
{
    (void)err;
    row_watch_merge(context, part);
    return RIG_OK;
}

int fit_watch_open(struct fit_work *work, size_t index, struct row_collector *collector,
                   struct rig_err *err)
{
    struct row_watch *watch = work->watches[index] = malloc(sizeof *watch);
    if (!watch)
        return rig_fail_memory(err, "the rows of a recording");
    row_watch_begin(watch, work->row_interval_s[index],
                    recording_has_clock(&work->rig->sources[index]));
    *collector = (struct row_collector){watch, open_watch, take, NULL, merge, free};
    return RIG_OK;
}

/* ---- rows ---- */

/* When the last stroke that was run ended, and the first began; false: none was. */
static bool run_of(const struct fit_work *work, double *begun_s, double *ended_s)
{
    const struct timeline *timeline = &work->timeline;
    bool any = false;
    for (size_t i = 0; i < timeline->stroke_count; i++) {
        const struct timeline_stroke *stroke = &timeline->strokes[i];
        if (!stroke->known)
            continue;
        *begun_s = any ? *begun_s : stroke->host_start_s;
        *ended_s = stroke->host_end_s;
        any = true;
    }
    return any;
}

static void tell_gaps(struct fit_work *work, const char *name, const struct row_watch *watch)
{
    double begun_s, ended_s;
    const struct row_gap *longest = &watch->longest;
    if (watch->gap_count == 1)
        fit_warn(work->fit, "%s.csv: rows are missing for %.4g s, from %.6g s on.", name,
                 longest->missing_s, longest->from_s);
    else if (watch->gap_count)
        fit_warn(work->fit,
                 "%s.csv: rows are missing in %llu places, %.4g s in all, the longest for %.4g s "
                 "from %.6g s on.",
                 name, (unsigned long long)watch->gap_count, watch->missing_s, longest->missing_s,
                 longest->from_s);
    if (isnan(watch->first_s) || !run_of(work, &begun_s, &ended_s))
        return;
    double least_s = isfinite(watch->limit_s) ? fmax(1, watch->limit_s) : 1;
    if (watch->first_host_s > begun_s + least_s)
        fit_warn(work->fit, "%s.csv: the rows begin %.4g s after the motion did.", name,
                 watch->first_host_s - begun_s);
    if (watch->last_host_s < ended_s - least_s)
        fit_warn(work->fit, "%s.csv: the rows end %.4g s before the motion did.", name,
                 ended_s - watch->last_host_s);
}

void fit_watch_rows(struct fit_work *work, size_t index, const struct scan_report *report)
{
    const struct row_watch *watch = work->watches[index];
    const char *name = work->rig->sources[index].name;
    if (report->unknown_columns)
        fit_warn(work->fit,
                 "%s.csv has %llu column%s more than the rig file in run.json knows: left out.",
                 name, (unsigned long long)report->unknown_columns,
                 report->unknown_columns > 1 ? "s" : "");
    tell_gaps(work, name, watch);
    if ((double)watch->repeated > repeated_share * (double)watch->rows)
        fit_warn(work->fit, "%s.csv: %.2g %% of the rows bear the time of the row before.", name,
                 100 * (double)watch->repeated / (double)watch->rows);
}

/* ---- values ---- */

static bool is_link(const struct rig_channel *channel)
{
    return channel->role == ROLE_SENSOR || channel->role == ROLE_CONTROLLER ||
           channel->role == ROLE_ACTUATOR;
}

static void tell_values(struct fit_work *work, size_t source, size_t channel)
{
    const struct digest *digest = work->digests[source];
    const char *name = work->rig->sources[source].channels[channel].name;
    const struct update_changes *changes = work->changes[source][channel];
    double rows = (double)digest_rows_used(digest);
    double missing = (double)digest_rows_missing(digest, channel);
    if (missing > 0 && missing >= rows)
        fit_warn(work->fit, "'%s' has no value in any row.", name);
    else if (missing > missing_share * rows)
        fit_warn(work->fit, "'%s' has no value in %.2g %% of the rows.", name,
                 100 * missing / rows);
    else if (changes && changes->rows > 100 && changes->count == 0)
        fit_warn(work->fit, "'%s' never changes: it is %.6g in every row.", name,
                 changes->last_value);
}

/* The depths of rising (side -1: falling) water at which the sensor stays at its end. */
static int flat_depths(struct fit_work *work, int side, double level, double *low_mm,
                       double *high_mm, struct rig_err *err)
{
    const struct plan_segment *segments = plan_segments(work->plan);
    *low_mm = INFINITY;
    *high_mm = -INFINITY;
    for (size_t i = 0; i < plan_segment_count(work->plan); i++) {
        struct digest_point *points;
        size_t count;
        if (segments[i].direction != side)
            continue;
        int code = fit_segment_points(work, work->sensor_source, work->sensor_channel, i, &points,
                                      &count, err);
        if (code)
            return code;
        for (size_t k = 0; k < count; k++) {
            double depth_mm =
                fit_depth_mm(work, segments[i].start_s + points[k].cycle_s + points[k].t_s);
            bool at_end = fabs(points[k].mean - level) <= 1e-9 * fabs(level) && points[k].n >= 3;
            if (!at_end || depth_mm < 0)
                continue;
            *low_mm = fmin(*low_mm, depth_mm);
            *high_mm = fmax(*high_mm, depth_mm);
        }
        free(points);
    }
    return RIG_OK;
}

static int find_rail(struct fit_work *work, int side, struct rig_err *err)
{
    double level, low_mm, high_mm, *rail = side > 0 ? &work->rail_high : &work->rail_low;
    const struct rig_channel *channel =
        &work->rig->sources[work->sensor_source].channels[work->sensor_channel];
    const struct update_changes *changes = work->changes[work->sensor_source][work->sensor_channel];
    if (!changes || changes->count == 0 ||
        digest_flat_bins(work->digests[work->sensor_source], work->sensor_channel, side, &level) <
            SATURATED_BINS)
        return RIG_OK;
    int code = flat_depths(work, side, level, &low_mm, &high_mm, err);
    if (code || !(high_mm - low_mm >= saturated_mm))
        return code;
    *rail = level;
    fit_warn(
        work->fit,
        "'%s' stays at %.6g %s, its %s, with %s water from %.4g mm to %.4g mm: it is saturated "
        "there, and such readings are left out.",
        channel->name, level, channel->unit, side > 0 ? "highest" : "lowest",
        side > 0 ? "rising" : "falling", side > 0 ? low_mm : high_mm, side > 0 ? high_mm : low_mm);
    return RIG_OK;
}

int fit_watch_values(struct fit_work *work, struct rig_err *err)
{
    for (size_t s = 0; s < work->rig->source_count; s++)
        for (size_t c = 0; c < work->rig->sources[s].channel_count; c++)
            if (is_link(&work->rig->sources[s].channels[c]))
                tell_values(work, s, c);
    int code = find_rail(work, +1, err);
    return code ? code : find_rail(work, -1, err);
}

size_t fit_unsaturated(const struct fit_work *work, struct digest_point points[], size_t count)
{
    size_t kept = 0;
    for (size_t i = 0; i < count; i++) {
        /* Some of its rows may be cut off where it comes near. */
        double reach = 3 * sqrt(points[i].variance) + 1e-9 * fabs(points[i].mean);
        if (!(points[i].mean + reach >= work->rail_high) &&
            !(points[i].mean - reach <= work->rail_low))
            points[kept++] = points[i];
    }
    return kept;
}

int fit_saturates(const struct fit_work *work, size_t segment, bool *saturates, struct rig_err *err)
{
    if (isnan(work->rail_low) && isnan(work->rail_high))
        return RIG_OK;
    const struct digest *digest = work->digests[work->sensor_source];
    struct digest_point *points = calloc(digest_bin_count(digest, segment) + 1, sizeof *points);
    if (!points)
        return rig_fail_memory(err, "a segment's points");
    size_t count = digest_points(digest, segment, work->sensor_channel, points);
    *saturates = *saturates || fit_unsaturated(work, points, count) < count;
    free(points);
    return RIG_OK;
}
