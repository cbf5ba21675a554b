/* SPDX-License-Identifier: GPL-3.0-or-later
 * Steps as figures: the first of a direction with its model, and what the model leaves over
 * of all of them. */
#include "results/fit_step.h"

#include "results/student.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

enum { MODEL_POINTS = 240 };

/* What is worth a look: from a second before the step to where the response has settled. */
static void stretch(const struct fit_step_data *data, const struct step_fit *fit, double *from_s,
                    double *to_s)
{
    *from_s = fmax(data->samples[0].t_s, -1);
    *to_s = fmin(data->samples[data->count - 1].t_s,
                 fmax(6 * response_mean_lag(&fit->model), 1) + data->pieces[0].end_s + 1);
}

int fit_step_figure(struct fit_work *work, const struct fit_step_data *data,
                    const struct step_fit *fit, int direction, struct rig_err *err)
{
    const char *way = direction > 0 ? "rising" : "falling";
    char id[64], title[FIGURE_TEXT_SIZE];
    snprintf(id, sizeof id, "step-%s", way);
    snprintf(title, sizeof title, "Step response, %s water", way);
    struct figure *figure = figure_add(&work->fit->figures, id, title,
                                       "time since the step began, s", "depth, mm", err);
    if (!figure)
        return err->code;
    snprintf(figure->sentence, sizeof figure->sentence,
             "The first step with %s water: where the water really was, what the reading said, "
             "and the model (%s).",
             way, response_kind_name(fit->kind));
    double from_s, to_s;
    stretch(data, fit, &from_s, &to_s);
    struct response response;
    if (response_open(&response, data->pieces, data->piece_count, data->settled_mm, err))
        return err->code;
    response_set(&response, &fit->model);
    size_t shown = 0, first = 0;
    for (size_t i = 0; i < data->count; i++) {
        first += data->samples[i].t_s < from_s;
        shown += data->samples[i].t_s >= from_s && data->samples[i].t_s <= to_s;
    }
    struct figure_series *truth =
        figure_series_add(figure, "true depth", FIGURE_DASHED, MODEL_POINTS, false, err);
    double height = response_input(&response, to_s) - data->settled_mm;
    for (size_t i = 0; truth && i < MODEL_POINTS; i++) {
        truth->x[i] = from_s + (to_s - from_s) * (double)i / (MODEL_POINTS - 1);
        truth->y[i] = response_input(&response, truth->x[i]);
    }
    struct figure_series *model =
        truth ? figure_series_add(figure, "model", FIGURE_LINE, MODEL_POINTS, false, err) : NULL;
    for (size_t i = 0; model && i < MODEL_POINTS; i++) {
        model->x[i] = from_s + (to_s - from_s) * (double)i / (MODEL_POINTS - 1);
        double share =
            height != 0 ? (response_at(&response, model->x[i]) - data->settled_mm) / height : 0;
        model->y[i] = fit->initial.value + share * (fit->final.value - fit->initial.value);
    }
    response_free(&response);
    struct figure_series *read =
        model ? figure_series_add(figure, "from the reading", FIGURE_POINTS, shown, false, err)
              : NULL;
    for (size_t i = 0; read && i < shown; i++) {
        read->x[i] = data->samples[first + i].t_s;
        read->y[i] = data->samples[first + i].value;
    }
    return read ? RIG_OK : (int)err->code;
}

void fit_step_left_begin(struct fit_step_left *left, const struct fit_step_data *data,
                         const struct step_fit *fit)
{
    *left = (struct fit_step_left){0};
    stretch(data, fit, &left->from_s, &left->to_s);
}

void fit_step_left_add(struct fit_step_left *left, const struct fit_step_data *data)
{
    double sum[FIT_STEP_LEFT_BINS] = {0}, weight[FIT_STEP_LEFT_BINS] = {0};
    double width_s = (left->to_s - left->from_s) / FIT_STEP_LEFT_BINS;
    for (size_t i = 0; i < data->count; i++) {
        double at = (data->samples[i].t_s - left->from_s) / width_s;
        if (!(at >= 0 && at < FIT_STEP_LEFT_BINS) || !isfinite(data->left[i]))
            continue;
        sum[(size_t)at] += data->samples[i].weight * data->left[i];
        weight[(size_t)at] += data->samples[i].weight;
    }
    for (size_t k = 0; k < FIT_STEP_LEFT_BINS; k++)
        if (weight[k] > 0) {
            double mean = sum[k] / weight[k];
            left->sum[k] += mean;
            left->squares[k] += mean * mean;
            left->steps[k]++;
        }
}

static unsigned chosen_of(unsigned kinds)
{
    unsigned chosen = 0;
    while (chosen + 1 < RESPONSE_KIND_COUNT && !(kinds & 1u << chosen))
        chosen++;
    return chosen;
}

/* By how much the others' AICc lies beyond the chosen one's. */
static void say_others(char sentence[FIGURE_SENTENCE_SIZE], unsigned kinds,
                       const double aicc[RESPONSE_KIND_COUNT], size_t judged)
{
    unsigned chosen = chosen_of(kinds);
    size_t used = strlen(sentence);
    bool first = true;
    for (unsigned k = 0; k < RESPONSE_KIND_COUNT && used < FIGURE_SENTENCE_SIZE; k++) {
        if (k == chosen)
            continue;
        char beyond[24] = "no better";
        if (isfinite(aicc[k]))
            snprintf(beyond, sizeof beyond, "%+.1f", aicc[k] - aicc[chosen]);
        int size = snprintf(sentence + used, FIGURE_SENTENCE_SIZE - used, "%s %s %s",
                            first ? " AICc beside it:" : ",",
                            response_kind_name((enum response_kind)k), beyond);
        used += size > 0 ? (size_t)size : 0;
        first = false;
    }
    if (used < FIGURE_SENTENCE_SIZE)
        snprintf(sentence + used, FIGURE_SENTENCE_SIZE - used, " (%zu steps).", judged);
}

int fit_step_left_figure(struct fit_work *work, const struct fit_step_left *left, int direction,
                         unsigned kinds, const double aicc[RESPONSE_KIND_COUNT], size_t judged,
                         struct rig_err *err)
{
    const char *way = direction > 0 ? "rising" : "falling";
    char id[64], title[FIGURE_TEXT_SIZE];
    size_t count = 0, most = 0;
    for (size_t k = 0; k < FIT_STEP_LEFT_BINS; k++) {
        count += left->steps[k] > 0;
        most = left->steps[k] > most ? left->steps[k] : most;
    }
    if (!count)
        return RIG_OK;
    snprintf(id, sizeof id, "step-residual-%s", way);
    snprintf(title, sizeof title, "What the step's model leaves over, %s water", way);
    struct figure *figure =
        figure_add(&work->fit->figures, id, title, "time since the step began, s",
                   "reading less model, mm", err);
    if (!figure)
        return err->code;
    snprintf(figure->sentence, sizeof figure->sentence,
             "Mean of up to %zu steps; the model has %s. A shape that stands out of the noise is "
             "what it does not know.",
             most, response_kind_name((enum response_kind)chosen_of(kinds)));
    say_others(figure->sentence, kinds, aicc, judged);
    struct figure_series *series =
        figure_series_add(figure, "reading less model", FIGURE_POINTS, count, most >= 4, err);
    if (!series)
        return err->code;
    double width_s = (left->to_s - left->from_s) / FIT_STEP_LEFT_BINS;
    for (size_t k = 0, at = 0; k < FIT_STEP_LEFT_BINS; k++) {
        if (!left->steps[k])
            continue;
        double n = (double)left->steps[k], mean = left->sum[k] / n;
        series->x[at] = left->from_s + ((double)k + 0.5) * width_s;
        series->y[at] = mean;
        if (series->low) {
            double variance =
                n > 1 ? fmax(0, left->squares[k] - n * mean * mean) / (n - 1) / n : (double)NAN;
            double half = n > 1 ? student_coverage(0.95, n - 1) * sqrt(variance) : (double)NAN;
            series->low[at] = mean - half;
            series->high[at] = mean + half;
        }
        at++;
    }
    return RIG_OK;
}
