/* SPDX-License-Identifier: GPL-3.0-or-later
 * Recorded traces. Between its rows a trace is drawn as a monotone cubic (M. Steffen,
 * Astron. Astrophys. 239, 443-450, 1990): it passes through every row, turns only
 * at rows, and has a speed everywhere, where straight lines between rows would ask the
 * axis for jumps of speed. It starts and ends at rest. Rows of equal depth are
 * waits. Between its turns a trace is a run like half a sine. */
#include "motion/plan_curve.h"

#include "base/table.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

struct trace {
    size_t rows;
    double *t_s, *stage_mm, *speed_mm_s; /* t from 0 */
    double first_mm, last_mm;            /* depth */
};

static int trace_load(struct plan_builder *b, const struct profile_node *node, struct table *table)
{
    char *bytes = NULL;
    size_t size = 0;
    if (!b->files || !b->files->load)
        return build_fail(b, 1, RIG_EINPUT, "traces can't be read here; take 'follow' out");
    struct rig_err why = {0};
    int code = b->files->load(b->files->context, node->text, &bytes, &size, &why);
    if (code)
        return build_fail(b, 1, (enum rig_code)code, "%s", why.text);
    code = table_read(table, node->text, bytes, size, b->err);
    free(bytes);
    return code;
}

static int check_rows(struct plan_builder *b, const struct table *table, size_t time_column,
                      size_t depth_column, const double t[], const double depth[])
{
    const struct rig_axis *axis = &b->plan->axis;
    double low = rig_depth_from_stage(b->rig, axis->travel_low_mm);
    double high = rig_depth_from_stage(b->rig, axis->travel_high_mm);
    for (size_t i = 0; i < table->rows; i++) {
        if (i && !(t[i] > t[i - 1])) {
            table_fail(
                table, i, time_column, b->err,
                "time goes from %.9g s to %.9g s; each row must be later than the one before",
                t[i - 1], t[i]);
            return RIG_EINPUT;
        }
        if (depth[i] < low - 1e-9 || depth[i] > high + 1e-9) {
            table_fail(table, i, depth_column, b->err,
                       "depth %.6g mm is outside the axis' travel (%.6g mm to %.6g mm of depth); "
                       "scale or shift the trace, or correct 'travel' in the rig file",
                       depth[i], low, high);
            if (b->err)
                b->err->code = RIG_ELIMIT;
            return RIG_ELIMIT;
        }
    }
    return 0;
}

/* Slopes at the rows: 0 where the trace turns or rests, and at its ends. */
static void set_slopes(struct trace *trace)
{
    const double *t = trace->t_s, *z = trace->stage_mm;
    trace->speed_mm_s[0] = trace->speed_mm_s[trace->rows - 1] = 0;
    for (size_t i = 1; i + 1 < trace->rows; i++) {
        double h0 = t[i] - t[i - 1], h1 = t[i + 1] - t[i];
        double s0 = (z[i] - z[i - 1]) / h0, s1 = (z[i + 1] - z[i]) / h1;
        double p = (s0 * h1 + s1 * h0) / (h0 + h1);
        double sign = (s0 > 0) - (s0 < 0) + (s1 > 0) - (s1 < 0);
        trace->speed_mm_s[i] = sign * fmin(fmin(fabs(s0), fabs(s1)), 0.5 * fabs(p));
    }
}

static int trace_read(struct plan_builder *b, const struct profile_node *node, struct trace *trace)
{
    struct table table = {0};
    size_t time_column, depth_column;
    double *t = NULL, *depth = NULL;
    int code = trace_load(b, node, &table);
    if (code)
        return code;
    if ((code = table_need_column(&table, "t_s", &time_column, b->err)) ||
        (code = table_need_column(&table, "depth_mm", &depth_column, b->err)))
        goto out;
    if (table.rows < 2) {
        code = rig_fail(b->err, RIG_EINPUT,
                        "%s:1:1: a trace needs at least two rows of t_s and depth_mm; this one has "
                        "%zu",
                        node->text, table.rows);
        goto out;
    }
    t = malloc(3 * table.rows * sizeof *t);
    depth = malloc(table.rows * sizeof *depth);
    if (!t || !depth) {
        code = rig_fail_memory(b->err, "reading a trace");
        goto out;
    }
    if ((code = table_numbers(&table, time_column, t, b->err)) ||
        (code = table_numbers(&table, depth_column, depth, b->err)) ||
        (code = check_rows(b, &table, time_column, depth_column, t, depth)))
        goto out;
    *trace = (struct trace){.rows = table.rows,
                            .t_s = t,
                            .stage_mm = t + table.rows,
                            .speed_mm_s = t + 2 * table.rows,
                            .first_mm = depth[0],
                            .last_mm = depth[table.rows - 1]};
    double first_s = t[0];
    for (size_t i = 0; i < table.rows; i++) {
        t[i] -= first_s;
        /* On counts of the wire, so that equal rows are equal. */
        trace->stage_mm[i] =
            plan_mm_of_ct(plan_ct_of_mm(&b->plan->axis, rig_stage_from_depth(b->rig, depth[i])));
    }
    set_slopes(trace);
    t = NULL;
out:
    free(t);
    free(depth);
    table_free(&table);
    return code;
}

/* ---- runs between turns ---- */

struct stretch {
    const struct trace *trace;
    size_t first, last; /* rows; first < last */
};

/* Acceleration of the cubic of interval i at its start and end. */
static void bends(const struct trace *trace, size_t i, double *start, double *end)
{
    double h = trace->t_s[i + 1] - trace->t_s[i];
    double s = (trace->stage_mm[i + 1] - trace->stage_mm[i]) / h;
    double v0 = trace->speed_mm_s[i], v1 = trace->speed_mm_s[i + 1];
    *start = (6 * s - 4 * v0 - 2 * v1) / h;
    *end = (2 * v0 + 4 * v1 - 6 * s) / h;
}

static double stretch_at(const void *context, double t_s)
{
    const struct stretch *stretch = context;
    const struct trace *trace = stretch->trace;
    double t = t_s + trace->t_s[stretch->first];
    size_t low = stretch->first, high = stretch->last;
    while (high - low > 1) {
        size_t middle = low + (high - low) / 2;
        if (trace->t_s[middle] <= t)
            low = middle;
        else
            high = middle;
    }
    double h = trace->t_s[low + 1] - trace->t_s[low], u = fmin(t - trace->t_s[low], h);
    double s = (trace->stage_mm[low + 1] - trace->stage_mm[low]) / h;
    double v0 = trace->speed_mm_s[low], v1 = trace->speed_mm_s[low + 1];
    double a = (v0 + v1 - 2 * s) / (h * h), c = (3 * s - 2 * v0 - v1) / h;
    return trace->stage_mm[low] + u * (v0 + u * (c + u * a));
}

static int refuse_run(struct plan_builder *b, const struct stretch *stretch,
                      const struct curve_run *run, enum curve_trouble trouble)
{
    const struct rig_axis *axis = &b->plan->axis;
    double from_s = stretch->trace->t_s[stretch->first];
    double to_s = stretch->trace->t_s[stretch->last];
    switch (trouble) {
    case CURVE_MEMORY:
        return rig_fail_memory(b->err, "planning");
    case CURVE_SPEED:
        return build_fail(
            b, 1, RIG_ELIMIT,
            "between %.6g s and %.6g s the trace is faster than the axis (%.4g mm/s); "
            "stretch it in time or make it smaller",
            from_s, to_s, axis->speed_mm_s);
    case CURVE_RATE:
        return build_fail(
            b, 1, RIG_ELIMIT,
            "between %.6g s and %.6g s the trace needs about %.4g lines/s to stay within "
            "half a step, and the port carries %.4g; stretch it in time, smooth it or "
            "make it smaller",
            from_s, to_s, b->curve->need_hz, axis->line_rate_hz);
    case CURVE_LOOKAHEAD:
        return build_fail(
            b, 1, RIG_ELIMIT,
            "between %.6g s and %.6g s the trace is too fast for a controller that looks "
            "%d lines ahead; stretch it in time or make it smaller",
            from_s, to_s, axis->lookahead_lines);
    default:
        return build_fail(
            b, 1, RIG_ELIMIT,
            "between %.6g s and %.6g s the trace needs %.4g mm/s2 and the axis follows up "
            "to %.4g mm/s2; stretch it in time, smooth it or make it smaller%s",
            from_s, to_s, run->peak_mm_s2, plan_curve_share() * axis->acceleration_mm_s2,
            stretch->first == 0 || stretch->last + 1 == stretch->trace->rows
                ? " (it starts and ends at rest: let it do so gently)"
                : "");
    }
}

static int append(struct plan_builder *b, const struct shape_line *line)
{
    struct plan *plan = b->plan;
    if (plan->line_count >= PLAN_LINE_LIMIT)
        return build_fail(b, 1, RIG_ELIMIT,
                          "the trace needs more than %d lines of motion; shorten or smooth it",
                          PLAN_LINE_LIMIT);
    int code = plan_room((void **)&plan->lines, &plan->line_room, plan->line_count,
                         sizeof *plan->lines, b->err);
    if (!code)
        plan->lines[plan->line_count++] = *line;
    return code;
}

/* Rest until the trace's time end_s; waits are whole milliseconds on the wire. */
static int append_wait(struct plan_builder *b, struct plan_shape *shape, double end_s,
                       int32_t at_ct)
{
    double wait_s = rint((end_s - shape->cycle_s) * 1e3) / 1e3;
    if (!(wait_s > 0))
        return 0;
    struct shape_line line = {.start_s = shape->cycle_s, .target_ct = at_ct};
    int code = append(b, &line);
    shape->cycle_s += wait_s;
    shape->line_count++;
    return code;
}

static int append_run(struct plan_builder *b, const struct stretch *stretch,
                      struct plan_shape *shape)
{
    const struct trace *trace = stretch->trace;
    struct curve_run run = {.duration_s = trace->t_s[stretch->last] - trace->t_s[stretch->first],
                            .late_s = shape->cycle_s - trace->t_s[stretch->first],
                            .at = stretch_at,
                            .context = stretch};
    double start, end;
    for (size_t i = stretch->first; i < stretch->last; i++) {
        bends(trace, i, &start, &end);
        run.peak_mm_s2 = fmax(run.peak_mm_s2, fmax(fabs(start), fabs(end)));
        if (i == stretch->first)
            run.start_mm_s2 = fabs(start);
        if (i + 1 == stretch->last)
            run.end_mm_s2 = fabs(end);
    }
    enum curve_trouble trouble = plan_curve_fit(b->plan, &run, b->curve);
    if (trouble)
        return refuse_run(b, stretch, &run, trouble);
    for (size_t i = 0; i < b->curve->count; i++) {
        struct shape_line line = b->curve->lines[i];
        line.start_s += shape->cycle_s;
        int code = append(b, &line);
        if (code)
            return code;
    }
    shape->cycle_s += b->curve->duration_s;
    shape->line_count += (uint32_t)b->curve->count;
    shape->peak_mm_s = fmax(shape->peak_mm_s, b->curve->peak_mm_s);
    shape->peak_mm_s2 = fmax(shape->peak_mm_s2, b->curve->peak_mm_s2);
    return 0;
}

static int make_trace(struct plan_builder *b, const struct trace *trace, struct plan_figure *figure)
{
    struct plan *plan = b->plan;
    struct plan_shape shape = {.first_line = (uint32_t)plan->line_count, .repeats = 1};
    int32_t at_ct = plan_ct_of_mm(&plan->axis, trace->stage_mm[0]);
    shape.from_ct = at_ct;
    for (size_t i = 0; i + 1 < trace->rows;) {
        size_t j = i + 1;
        double way = trace->stage_mm[j] - trace->stage_mm[i];
        while (j + 1 < trace->rows && (trace->stage_mm[j + 1] - trace->stage_mm[j]) * way > 0)
            j++;
        struct stretch stretch = {.trace = trace, .first = i, .last = j};
        int code = way == 0 ? append_wait(b, &shape, trace->t_s[j], at_ct)
                            : append_run(b, &stretch, &shape);
        if (code)
            return code;
        if (way != 0)
            figure->end_direction = way > 0 ? 1 : -1;
        at_ct = plan_ct_of_mm(&plan->axis, trace->stage_mm[j]);
        i = j;
    }
    if (figure->end_direction == 0)
        return build_fail(b, 1, RIG_EINPUT, "the trace doesn't move; write a 'hold' instead");
    figure->end_ct = at_ct;
    figure->start_mm = trace->first_mm;
    figure->end_mm = trace->last_mm;
    figure->family.from_mm = trace->first_mm;
    figure->family.to_mm = trace->last_mm;
    figure->family.peak_speed_mm_s = shape.peak_mm_s;
    figure->family.peak_acceleration_mm_s2 = shape.peak_mm_s2;
    figure->family.duration_s = shape.cycle_s;
    figure->family.lines = shape.line_count;
    return plan_add_shape(plan, &shape, &figure->shape, b->err);
}

int build_follow(struct plan_builder *b, const struct profile_node *node)
{
    const struct plan_figure *figure = NULL;
    for (size_t i = 0; i < b->figure_count && !figure; i++)
        if (b->figures[i].path && strcmp(b->figures[i].path, node->text) == 0)
            figure = &b->figures[i];
    if (!figure) {
        struct plan_figure fresh = {.path = node->text,
                                    .family = {.kind = SEGMENT_FOLLOW,
                                               .instances = 1,
                                               .source_line = node->statement->line}};
        struct trace trace = {0};
        int code = trace_read(b, node, &trace);
        if (!code)
            code = make_trace(b, &trace, &fresh);
        free(trace.t_s);
        if (!code)
            code = build_keep_figure(b, &fresh, &figure);
        if (code)
            return code;
    }
    return build_figure(b, figure);
}
