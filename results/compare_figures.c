/* SPDX-License-Identifier: GPL-3.0-or-later
 * Plots of before and after in one frame. */
#include "results/compare_page.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

enum { DIFFERENCE_POINTS = 101, SERIES_A_SIDE = 4 };

/* What is worth laying over one another, with the sentence that then holds. */
static const struct {
    const char *id, *title, *sentence;
} overlaid[] = {
    {"loops", "Up and down loops",
     "How far the depth that the reading stands for lies from the true one, for the last passes "
     "drawn of each side: a narrower loop is the better one."},
    {"loop-width", "Loop width and speed",
     "How far falling lies above rising, pair by pair: at speed zero the hysteresis at rest, and "
     "its slope the sum of both lags."},
    {"step-rising", "Step response, rising water",
     "The first step of each side with rising water, and its model."},
    {"step-falling", "Step response, falling water",
     "The first step of each side with falling water, and its model."},
    {"gain", "Frequency response: gain", "How much of a wave's height the reading shows."},
    {"phase", "Frequency response: phase", "How far the reading's wave lies behind the water's."},
};

static const struct figure *figure_of(const struct fit *fit, const char *id)
{
    for (size_t f = 0; f < fit->figures.count; f++)
        if (strcmp(fit->figures.figures[f].id, id) == 0)
            return &fit->figures.figures[f];
    return NULL;
}

static int copy_series(struct figure *to, const struct figure_series *from, const char *side,
                       struct rig_err *err)
{
    char name[FIGURE_TEXT_SIZE];
    /* The true depth is nobody's. */
    if (strcmp(from->name, "true depth") == 0)
        snprintf(name, sizeof name, "%s", from->name);
    else
        snprintf(name, sizeof name, "%s: %.80s", side, from->name);
    struct figure_series *made =
        figure_series_add(to, name, from->mark, from->count, from->low != NULL, err);
    if (!made)
        return err->code;
    for (size_t i = 0; i < from->count; i++) {
        made->x[i] = from->x[i];
        made->y[i] = from->y[i];
        if (from->low) {
            made->low[i] = from->low[i];
            made->high[i] = from->high[i];
        }
    }
    return RIG_OK;
}

static int overlay(struct figure_list *figures, size_t which, const struct figure *before,
                   const struct figure *after, struct rig_err *err)
{
    struct figure *figure = figure_add(figures, overlaid[which].id, overlaid[which].title,
                                       after->x_label, after->y_label, err);
    if (!figure)
        return err->code;
    snprintf(figure->sentence, sizeof figure->sentence, "%s", overlaid[which].sentence);
    figure->log_x = after->log_x;
    figure->log_y = after->log_y;
    const struct figure *const sides[2] = {before, after};
    for (int s = 0; s < 2; s++) {
        size_t count = sides[s]->series_count;
        for (size_t i = count > SERIES_A_SIDE ? count - 2 : 0; i < count; i++) {
            /* The true depth of a step is one and the same. */
            if (s == 0 && strcmp(sides[s]->series[i].name, "true depth") == 0)
                continue;
            int code = copy_series(figure, &sides[s]->series[i], s ? "after" : "before", err);
            if (code)
                return code;
        }
    }
    return RIG_OK;
}

/* What somebody would be wrong by who goes on using the curve of before. */
static int curves_figure(struct figure_list *figures, const struct fit *before,
                         const struct fit *after, struct rig_err *err)
{
    double low = fmax(before->low_mm, after->low_mm), high = fmin(before->high_mm, after->high_mm);
    if (!(high > low))
        return RIG_OK;
    struct figure *figure = figure_add(figures, "curves", "The two calibration curves", "depth, mm",
                                       "depth by the curve of before less true, mm", err);
    if (!figure)
        return err->code;
    snprintf(figure->sentence, sizeof figure->sentence,
             "By how much the board would be read wrongly afterwards with the curve of before, "
             "with the 95 %% interval of both curves.");
    struct figure_series *series = figure_series_add(figure, "curve of before, board of after",
                                                     FIGURE_LINE, DIFFERENCE_POINTS, true, err);
    if (!series)
        return err->code;
    for (size_t i = 0; i < DIFFERENCE_POINTS; i++) {
        double depth = low + (high - low) * (double)i / (DIFFERENCE_POINTS - 1);
        double reading = curve_value(&after->curve, depth);
        double u = curve_depth_u(&before->curve, depth, curve_value_u(&after->curve, depth));
        series->x[i] = depth;
        series->y[i] = curve_depth_extended(&before->curve, reading) - depth;
        series->low[i] = series->y[i] - 1.96 * u;
        series->high[i] = series->y[i] + 1.96 * u;
    }
    return RIG_OK;
}

int compare_figures(struct figure_list *figures, const struct compare_input *input,
                    struct rig_err *err)
{
    const struct fit *before = input->before->fits[0], *after = input->after->fits[0];
    int code = curves_figure(figures, before, after, err);
    for (size_t i = 0; !code && i < sizeof overlaid / sizeof *overlaid; i++) {
        const struct figure *first = figure_of(before, overlaid[i].id);
        const struct figure *second = figure_of(after, overlaid[i].id);
        if (first && second)
            code = overlay(figures, i, first, second, err);
    }
    return code;
}
