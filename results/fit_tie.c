/* SPDX-License-Identifier: GPL-3.0-or-later
 * What ties the clocks, and what that says of the axis: results, and the start delay stroke by
 * stroke as a figure. */
#include "results/fit_parts.h"

#include <math.h>
#include <stdio.h>

static const char *unseen = "nothing sees the stage itself: needs a channel with role reference "
                            "or trip";

static int tell(struct fit_work *work, const char *name, const char *title, const char *unit,
                double value, double u, const char *reason, struct rig_err *err)
{
    char method[RESULT_TEXT_SIZE];
    struct result *result = result_add(&work->fit->results, name, title, unit, err);
    if (!result)
        return err->code;
    snprintf(method, sizeof method, "tied by %s", timeline_anchor_name(work->timeline.anchor));
    if (work->timeline.anchor == ANCHOR_NONE)
        result_refuse(result, "no stroke was run to its end");
    else if (!isfinite(value))
        result_refuse(result, "%s", reason);
    else
        result_set(result, value, u, INFINITY, method);
    return RIG_OK;
}

static double known_strokes(const struct timeline *timeline)
{
    double n = 0;
    for (size_t k = 0; k < timeline->stroke_count; k++)
        n += timeline->strokes[k].known;
    return n;
}

static int delay_figure(struct fit_work *work, struct rig_err *err)
{
    const struct timeline *timeline = &work->timeline;
    size_t count = (size_t)known_strokes(timeline), at = 0;
    if (!isfinite(timeline->start_delay_s) || count < 2)
        return RIG_OK;
    struct figure *figure = figure_add(&work->fit->figures, "clock-tie", "How late the axis starts",
                                       "time since the run began, s", "start delay, ms", err);
    if (!figure)
        return err->code;
    snprintf(
        figure->sentence, sizeof figure->sentence,
        "How long after its first line was sent the stage began each stroke, tied by %s; bars: "
        "95 %% of what varies from stroke to stroke.",
        timeline_anchor_name(timeline->anchor));
    struct figure_series *strokes =
        figure_series_add(figure, "strokes", FIGURE_POINTS, count, true, err);
    if (!strokes)
        return err->code;
    for (size_t k = 0; k < timeline->stroke_count && at < count; k++) {
        const struct timeline_stroke *stroke = &timeline->strokes[k];
        if (!stroke->known)
            continue;
        strokes->x[at] = stroke->sent_s;
        strokes->y[at] = 1000 * (stroke->host_start_s - stroke->sent_s);
        strokes->low[at] = strokes->y[at] - 1960 * stroke->scatter_s;
        strokes->high[at] = strokes->y[at] + 1960 * stroke->scatter_s;
        at++;
    }
    double from_s = strokes->x[0], to_s = strokes->x[count - 1];
    struct figure_series *mean = figure_series_add(figure, "mean", FIGURE_DASHED, 2, false, err);
    if (!mean)
        return err->code;
    mean->x[0] = from_s;
    mean->x[1] = to_s;
    mean->y[0] = mean->y[1] = 1000 * timeline->start_delay_s;
    return RIG_OK;
}

int fit_tie(struct fit_work *work, struct rig_err *err)
{
    const struct timeline *timeline = &work->timeline;
    int code = tell(work, "start_delay", "Axis starts after its line was sent", "s",
                    timeline->start_delay_s, timeline->start_delay_u_s,
                    "the acknowledgements don't say how much of the time between a line and "
                    "the end of its move came before it; position reports, or a channel with role "
                    "reference or trip do",
                    err);
    if (!code)
        code = tell(work, "start_delay_spread", "Start delay varies between strokes by", "s",
                    timeline->start_delay_spread_s,
                    timeline->start_delay_spread_s / sqrt(2 * fmax(known_strokes(timeline) - 1, 1)),
                    "as with the start delay", err);
    if (!code)
        code = tell(work, "clock_tie", "Clocks tied to within, all strokes alike", "s",
                    timeline->common_u_s, NAN, "", err);
    if (!code)
        code = tell(work, "axis_clock_skew", "Axis' clock against the computer's", "ppm",
                    -1e6 * timeline->skew, 1e6 * timeline->skew_u, "", err);
    if (!code)
        code = tell(work, "backlash", "Play of the axis", "mm", timeline->backlash_mm,
                    timeline->backlash_u_mm, unseen, err);
    if (!code)
        code = delay_figure(work, err);
    return code;
}
