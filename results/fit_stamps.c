/* SPDX-License-Identifier: GPL-3.0-or-later
 * How good the rows' time stamps were, source by source. */
#include "results/fit_parts.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

static int stamp_figure(struct fit_work *work, const struct rig_source *source,
                        const struct stamp_quality *quality, bool clocked, struct rig_err *err)
{
    char id[FIGURE_TEXT_SIZE], title[FIGURE_TEXT_SIZE], x_label[FIGURE_TEXT_SIZE];
    const char *unit;
    double unit_s = fit_time_unit(quality->t_s[quality->count - 1], &unit);
    snprintf(id, sizeof id, "stamps-%.60s", source->name);
    snprintf(title, sizeof title, "Time stamps of '%.60s'", source->name);
    snprintf(x_label, sizeof x_label, "time since the run began, %s", unit);
    struct figure *figure = figure_add(
        &work->fit->figures, id, title, x_label,
        clocked ? "late over the quickest rows, ms" : "time since the row before, ms", err);
    if (!figure)
        return err->code;
    figure->log_y = true;
    snprintf(figure->sentence, sizeof figure->sentence,
             clocked
                 ? "By how much rows came later than the quickest ones, by the board's own "
                   "clock: what the computer, the cable and the board's line added."
                 : "How evenly rows followed one another: the board sends no clock of its own.");
    for (int worst = 0; worst < 2; worst++) {
        struct figure_series *series =
            figure_series_add(figure, worst ? "latest row" : "mean",
                              worst ? FIGURE_POINTS : FIGURE_LINE, quality->count, false, err);
        if (!series)
            return err->code;
        for (size_t i = 0; i < quality->count; i++) {
            series->x[i] = quality->t_s[i] / unit_s;
            series->y[i] = 1000 * (worst ? quality->worst_s[i] : quality->mean_s[i]);
        }
    }
    return RIG_OK;
}

static int tell(struct fit_work *work, const struct rig_source *source, const char *name,
                const char *title, const char *unit, double value, const char *method,
                const char *reason, struct rig_err *err)
{
    char full[RESULT_NAME_SIZE], words[RESULT_TEXT_SIZE];
    snprintf(full, sizeof full, "%s_%.40s", name, source->name);
    snprintf(words, sizeof words, "%s, source '%.60s'", title, source->name);
    struct result *result = result_add(&work->fit->results, full, words, unit, err);
    if (!result)
        return err->code;
    if (reason)
        result_refuse(result, "%s", reason);
    else
        result_set(result, value, NAN, NAN, method);
    return RIG_OK;
}

int fit_stamps(struct fit_work *work, struct rig_err *err)
{
    struct stamp_quality *quality = calloc(1, sizeof *quality);
    int code = quality ? RIG_OK : rig_fail_memory(err, "the stamps of a recording");
    for (size_t s = 0; !code && s < work->rig->source_count; s++) {
        const struct rig_source *source = &work->rig->sources[s];
        const struct stamps *stamps = work->stamps[s];
        struct rig_err why = {0};
        int known = stamps_quality(quality, stamps, &why);
        const char *reason = known ? why.text : NULL;
        const char *method = !stamps->clocked ? "distance of rows"
                             : work->times[s]->count
                                 ? "over the quickest rows; rows are placed by the board's clock"
                                 : "over the quickest rows, by the board's clock";
        code = tell(work, source, "stamp_mean",
                    stamps->clocked ? "Rows come late, mean" : "Distance of rows, mean", "s",
                    quality->mean_of_all_s, method, reason, err);
        if (!code)
            code = tell(work, source, "stamp_worst",
                        stamps->clocked ? "Latest row" : "Largest distance of rows", "s",
                        quality->worst_of_all_s, method, reason, err);
        if (!code && stamps->clocked)
            code = tell(work, source, "clock_skew", "Board's clock against the computer's", "ppm",
                        -quality->skew_ppm, "line under the quickest rows", reason, err);
        if (!code && !known)
            code = stamp_figure(work, source, quality, stamps->clocked, err);
    }
    free(quality);
    return code;
}
