/* SPDX-License-Identifier: GPL-3.0-or-later
 * Host time to plan time: which anchor, and the reading of the result. The anchors
 * themselves are in timeline_acknowledged.c and timeline_polled.c. */
#include "results/timeline_parts.h"

#include <math.h>
#include <stdlib.h>

const char *timeline_anchor_name(enum timeline_anchor anchor)
{
    static const char *const names[] = {[ANCHOR_NONE] = "none",
                                        [ANCHOR_ACKNOWLEDGED] = "acknowledgements",
                                        [ANCHOR_SYNCED] = "acknowledgements and a sync file",
                                        [ANCHOR_POLLED] = "position reports",
                                        [ANCHOR_TRIP] = "trip channel",
                                        [ANCHOR_REFERENCE] = "reference channel"};
    return (size_t)anchor < sizeof names / sizeof *names ? names[anchor] : "?";
}

static int ascending(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

double timeline_median(double values[], size_t count)
{
    if (count == 0)
        return NAN;
    qsort(values, count, sizeof *values, ascending);
    return (values[(count - 1) / 2] + values[count / 2]) / 2;
}

static bool whole(const struct stroke_row *row)
{
    return isfinite(row->sent_s) && isfinite(row->ended_s) && row->ended_s >= row->sent_s;
}

/* Which row counts for each stroke; NO_ROW: none. From the last stroke back, the last whole
 * run that is before the one of the stroke behind it: rows are in the order of time. */
#define NO_ROW SIZE_MAX

static void choose_rows(size_t chosen[], size_t stroke_count, const struct stroke_row rows[],
                        size_t count, size_t earlier[])
{
    size_t limit = count;
    for (size_t k = 0; k < stroke_count; k++)
        chosen[k] = NO_ROW;
    for (size_t i = 0; i < count; i++) {
        if (rows[i].stroke >= stroke_count || !whole(&rows[i]))
            continue;
        earlier[i] = chosen[rows[i].stroke];
        chosen[rows[i].stroke] = i;
    }
    for (size_t k = stroke_count; k-- > 0;) {
        while (chosen[k] != NO_ROW && chosen[k] >= limit)
            chosen[k] = earlier[chosen[k]];
        if (chosen[k] != NO_ROW)
            limit = chosen[k];
    }
}

/* When the stage left the hold of a stroke for something else than the next stroke; 0: it did not.
 */
static double left_s(const size_t chosen[], size_t stroke_count, size_t stroke,
                     const struct stroke_row rows[], size_t count)
{
    size_t row = chosen[stroke], next = row + 1;
    while (next < count && !(rows[next].sent_s >= rows[row].ended_s))
        next++;
    if (next == count || (stroke + 1 < stroke_count && chosen[stroke + 1] == next))
        return 0;
    return rows[next].sent_s;
}

/* Rows that make no sense leave their stroke unknown. */
static int collect(struct timeline *timeline, struct stroke_times times[],
                   const struct stroke_row rows[], size_t count, struct rig_err *err)
{
    size_t stroke_count = timeline->stroke_count;
    size_t *chosen = malloc((stroke_count + count + 1) * sizeof *chosen);
    if (!chosen)
        return rig_fail_memory(err, "the timeline");
    choose_rows(chosen, stroke_count, rows, count, chosen + stroke_count);
    for (size_t i = 0; i < stroke_count; i++) {
        struct timeline_stroke *stroke = &timeline->strokes[i];
        times[i] = (struct stroke_times){
            .sent_s = NAN, .ended_s = NAN, .duration_s = stroke->plan_end_s - stroke->plan_start_s};
        if (chosen[i] == NO_ROW)
            continue;
        times[i].sent_s = rows[chosen[i]].sent_s;
        times[i].ended_s = rows[chosen[i]].ended_s;
        stroke->sent_s = times[i].sent_s;
        stroke->ended_s = times[i].ended_s;
        stroke->known = true;
        stroke->left_s = left_s(chosen, stroke_count, i, rows, count);
        timeline->last_known = i;
    }
    free(chosen);
    return RIG_OK;
}

/* A run that was killed has no row of the stroke under way. Where the reports of the stage's place
 * go on with another stroke, the hold before it was over since the last report of its own. */
static void end_last_hold(struct timeline *timeline, const struct stroke_times times[],
                          const struct motion_row motion[], size_t count)
{
    size_t last = timeline->last_known;
    struct timeline_stroke *stroke = &timeline->strokes[last];
    if (!stroke->known || stroke->left_s > 0 || last + 1 >= timeline->stroke_count)
        return;
    double own_s = times[last].ended_s;
    for (size_t i = 0; i < count; i++) {
        if (!(motion[i].t_s > times[last].ended_s))
            continue;
        if (motion[i].stroke != last) {
            stroke->left_s = own_s;
            return;
        }
        own_s = motion[i].t_s;
    }
}

void timeline_end_strokes(struct timeline *timeline)
{
    for (size_t i = 0; i < timeline->stroke_count; i++) {
        struct timeline_stroke *stroke = &timeline->strokes[i];
        stroke->host_end_s = stroke->host_start_s +
                             (1 + timeline->skew) * (stroke->plan_end_s - stroke->plan_start_s);
    }
}

int timeline_make(struct timeline *timeline, const struct plan *plan,
                  const struct motion_row motion[], size_t motion_count,
                  const struct stroke_row strokes[], size_t row_count, const struct rig_axis *axis,
                  struct rig_err *err)
{
    return timeline_make_knowing(timeline, plan, motion, motion_count, strokes, row_count, axis,
                                 NULL, err);
}

int timeline_make_knowing(struct timeline *timeline, const struct plan *plan,
                          const struct motion_row motion[], size_t motion_count,
                          const struct stroke_row strokes[], size_t row_count,
                          const struct rig_axis *axis, const struct timeline_prior *prior,
                          struct rig_err *err)
{
    size_t count = plan_stroke_count(plan);
    const struct plan_stroke *planned = plan_strokes(plan);
    *timeline = (struct timeline){.stroke_count = count,
                                  .plan_duration_s = plan_duration_s(plan),
                                  .common_u_s = NAN,
                                  .skew_u = TIMELINE_SKEW_PRIOR_U,
                                  .start_delay_s = NAN,
                                  .start_delay_u_s = NAN,
                                  .start_delay_spread_s = NAN,
                                  .source = SIZE_MAX,
                                  .backlash_mm = NAN,
                                  .backlash_u_mm = NAN};
    struct stroke_times *times = malloc((count + 1) * sizeof *times);
    timeline->strokes = calloc(count + 1, sizeof *timeline->strokes);
    if (!times || !timeline->strokes) {
        free(times);
        timeline_free(timeline);
        return rig_fail_memory(err, "the timeline");
    }
    for (size_t i = 0; i < count; i++)
        timeline->strokes[i] = (struct timeline_stroke){.plan_start_s = planned[i].start_s,
                                                        .plan_end_s = planned[i].end_s,
                                                        .sent_s = NAN,
                                                        .ended_s = NAN,
                                                        .host_start_s = NAN,
                                                        .host_end_s = NAN,
                                                        .scatter_s = NAN};
    int code = collect(timeline, times, strokes, row_count, err);
    if (!code && count > 0)
        end_last_hold(timeline, times, motion, motion_count);
    if (!code)
        code = timeline_acknowledged(timeline, times, prior, err);
    bool polled = false;
    if (!code && timeline->anchor != ANCHOR_NONE && axis->live_position)
        code =
            timeline_polled(timeline, plan, motion, motion_count, times, axis, prior, &polled, err);
    free(times);
    timeline_end_strokes(timeline);
    if (code)
        timeline_free(timeline);
    return code;
}

void timeline_free(struct timeline *timeline)
{
    if (!timeline)
        return;
    free(timeline->strokes);
    *timeline = (struct timeline){0};
}

/* The last known stroke that began at or before host_s, from a first guess. */
static bool find(const struct timeline *timeline, double host_s, size_t *at)
{
    const struct timeline_stroke *strokes = timeline->strokes;
    size_t count = timeline->stroke_count, i = *at < count ? *at : count - 1;
    while (i > 0 && !(strokes[i].known && strokes[i].host_start_s <= host_s))
        i--;
    if (!(strokes[i].known && strokes[i].host_start_s <= host_s))
        return false;
    for (size_t next = i + 1; next <= timeline->last_known; next++) {
        if (strokes[next].known && strokes[next].host_start_s > host_s)
            break;
        if (strokes[next].known)
            i = next;
    }
    *at = i;
    return true;
}

double timeline_plan_s(const struct timeline *timeline, double host_s, size_t *stroke, size_t *hint)
{
    size_t at = *hint;
    if (isnan(host_s) || timeline->stroke_count == 0 || !find(timeline, host_s, &at))
        return NAN;
    *hint = at;
    const struct timeline_stroke *found = &timeline->strokes[at];
    double rate = 1 + timeline->skew, plan_s;
    if (host_s <= found->host_end_s) {
        plan_s =
            fmin(found->plan_start_s + (host_s - found->host_start_s) / rate, found->plan_end_s);
    } else {
        if (found->left_s > 0 && host_s >= found->left_s)
            return NAN;
        plan_s = found->plan_end_s + (host_s - found->host_end_s) / rate;
        if (at + 1 == timeline->stroke_count) {
            if (plan_s >= timeline->plan_duration_s)
                return NAN;
        } else {
            const struct timeline_stroke *next = &timeline->strokes[at + 1];
            /* A hold that really was longer stays in its last moment; once a stroke that
             * isn't known may have begun, nothing is known. */
            if (plan_s >= next->plan_start_s && !next->known)
                return NAN;
            plan_s = fmin(plan_s, nextafter(next->plan_start_s, -INFINITY));
        }
    }
    if (stroke)
        *stroke = at;
    return plan_s;
}

bool timeline_window(const struct timeline *timeline, const struct plan_segment *segment,
                     double *host_start_s, double *host_end_s)
{
    if (segment->stroke >= timeline->stroke_count || !timeline->strokes[segment->stroke].known)
        return false;
    const struct timeline_stroke *stroke = &timeline->strokes[segment->stroke];
    double rate = 1 + timeline->skew;
    bool moves = segment->start_s < stroke->plan_end_s;
    double start_s = moves ? stroke->host_start_s + rate * (segment->start_s - stroke->plan_start_s)
                           : stroke->host_end_s + rate * (segment->start_s - stroke->plan_end_s);
    double end_s = start_s + rate * segment->duration_s;
    if (!moves && segment->stroke + 1 < timeline->stroke_count && stroke[1].known)
        end_s = fmin(end_s, stroke[1].host_start_s);
    if (!moves && stroke->left_s > 0)
        end_s = fmin(end_s, stroke->left_s);
    *host_start_s = start_s;
    *host_end_s = fmax(end_s, start_s);
    return true;
}
