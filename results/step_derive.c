/* SPDX-License-Identifier: GPL-3.0-or-later
 * What follows from a fitted step: times by the delta method, and the area. */
#include "results/step_private.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static struct response_model of_parameters(const struct step_fit *fit, const double p[])
{
    struct response_model model = fit->model;
    model.dead_s = p[STEP_DEAD];
    if (fit->parameter_count > STEP_TAU)
        model.tau_s = p[STEP_TAU];
    if (fit->kind == RESPONSE_TWO_TIME_CONSTANTS)
        model.tau2_s = p[STEP_SHAPE];
    if (fit->kind == RESPONSE_STRETCHED)
        model.beta = p[STEP_SHAPE];
    return model;
}

static double time_63(const void *fit, const double p[])
{
    struct response_model model = of_parameters(fit, p);
    return response_step_time(&model, 1 - exp(-1));
}

static double transition(const void *fit, const double p[])
{
    struct response_model model = of_parameters(fit, p);
    return response_transition(&model);
}

static double settling(const void *fit, const double p[])
{
    struct response_model model = of_parameters(fit, p);
    return response_settling(&model);
}

static double mean_lag(const void *fit, const double p[])
{
    struct response_model model = of_parameters(fit, p);
    return response_mean_lag(&model);
}

static struct estimate own(const struct step_fit *fit, const double p[], size_t k)
{
    return (struct estimate){p[k], sqrt(fit->covariance[k][k]), fit->dof};
}

void step_derive(struct step_fit *fit)
{
    double p[STEP_PARAMETER_LIMIT] = {fit->initial.value, fit->final.value, fit->model.dead_s,
                                      fit->model.tau_s};
    p[STEP_SHAPE] = fit->kind == RESPONSE_TWO_TIME_CONSTANTS ? fit->model.tau2_s : fit->model.beta;
    const struct {
        double (*function)(const void *, const double[]);
        struct estimate *to;
    } derived[] = {{mean_lag, &fit->mean_lag_s},
                   {time_63, &fit->time_63_s},
                   {transition, &fit->transition_s},
                   {settling, &fit->settling_s}};
    fit->dead_s = fit->tau_s = fit->tau2_s = fit->beta = ESTIMATE_UNKNOWN;
    fit->initial = own(fit, p, STEP_INITIAL);
    fit->final = own(fit, p, STEP_FINAL);
    for (size_t i = 0; i < 4; i++) {
        *derived[i].to = ESTIMATE_UNKNOWN;
        if (i > 0 && !fit->resolved)
            continue;
        *derived[i].to = (struct estimate){
            derived[i].function(fit, p),
            nonlinear_propagate(derived[i].function, fit, p, fit->parameter_count, fit->covariance),
            fit->dof};
    }
    if (!fit->resolved)
        return;
    fit->dead_s = own(fit, p, STEP_DEAD);
    fit->tau_s = own(fit, p, STEP_TAU);
    if (fit->kind == RESPONSE_TWO_TIME_CONSTANTS)
        fit->tau2_s = own(fit, p, STEP_SHAPE);
    if (fit->kind == RESPONSE_STRETCHED)
        fit->beta = own(fit, p, STEP_SHAPE);
}

/* Where the answer counts as settled: this little of the step is left. What is cut off is of that
 * order of the lag, and taken from the model. */
static const double settled_share = 5e-4;
enum { LEVEL_SAMPLES = 3 };

struct level {
    double sum, weight;
    size_t n;
};

static struct level level_between(const struct step_job *job, const double values[], double from_s,
                                  double to_s)
{
    struct level level = {0, 0, 0};
    for (size_t i = 0; i < job->n; i++) {
        const struct sample *sample = &job->samples[i];
        if (!job->use[i] || sample->t_s - sample->width_s / 2 < from_s ||
            sample->t_s + sample->width_s / 2 > to_s)
            continue;
        level.sum += sample->weight * values[i];
        level.weight += sample->weight;
        level.n++;
    }
    return level;
}

struct area {
    double lag_s, variance; /* of values with unit variance at weight 1 */
    struct level before, after;
    size_t inner;
};

/* Trapezoids over the mean times from (begin, low) through the values to (end, high): area = sum
 * of c_i times the value, c half the distance of the neighbours. Without both levels there is
 * none. */
static struct area area_between(const struct step_job *job, const double values[], double begin_s,
                                double end_s)
{
    struct area area = {.lag_s = NAN,
                        .variance = 0,
                        .before = level_between(job, values, -INFINITY, begin_s),
                        .after = level_between(job, values, end_s, INFINITY)};
    if (area.before.n < LEVEL_SAMPLES || area.after.n < LEVEL_SAMPLES ||
        area.before.sum / area.before.weight == area.after.sum / area.after.weight)
        return area;
    double low = area.before.sum / area.before.weight, high = area.after.sum / area.after.weight;
    double h = high - low, sum = 0, by_low = 0, by_high = 0, last_s = begin_s;
    for (size_t i = 0; i < job->n; i++) {
        const struct sample *sample = &job->samples[i];
        if (!job->use[i] || sample->t_s <= begin_s || sample->t_s >= end_s)
            continue;
        size_t next = i + 1;
        while (next < job->n && !job->use[next])
            next++;
        double next_s = next < job->n ? fmin(job->samples[next].t_s, end_s) : end_s;
        double c = (next_s - last_s) / 2, relative = (values[i] - low) / h;
        sum += c * relative;
        by_high += c * relative / h;
        by_low += c * (1 - relative) / h;
        area.variance += c * c / (h * h * sample->weight);
        last_s = sample->t_s;
        area.inner++;
    }
    sum += (end_s - last_s) / 2; /* the corner at (end, high) */
    area.variance += by_low * by_low / area.before.weight + by_high * by_high / area.after.weight;
    double length_s = end_s - begin_s;
    double moved =
        (response_input_mean(&job->response, (begin_s + end_s) / 2, length_s) - job->settled) /
        job->height * length_s;
    area.lag_s = moved - sum;
    return area;
}

void step_area(struct step_fit *fit, struct step_job *job, double widen)
{
    double begin_s = job->move_start_s;
    double end_s = job->move_end_s + response_step_time(&fit->model, 1 - settled_share);
    double *values = job->columns;
    for (size_t i = 0; i < job->n; i++)
        values[i] = job->samples[i].value;
    struct area area = area_between(job, values, begin_s, end_s);
    fit->area_lag_s = ESTIMATE_UNKNOWN;
    if (area.before.n < LEVEL_SAMPLES || area.after.n < LEVEL_SAMPLES) {
        snprintf(fit->area_reason, sizeof fit->area_reason,
                 area.before.n < LEVEL_SAMPLES
                     ? "no settled values from before the step: the area has no lower end"
                     : "the hold ends before the answer has settled (%.3g s after the move): the "
                       "area has no upper end",
                 end_s - job->move_end_s);
        return;
    }
    if (area.inner == 0) {
        snprintf(fit->area_reason, sizeof fit->area_reason,
                 isnan(area.lag_s)
                     ? "the level after the step is the level before it"
                     : "no value between the start of the move and its settled answer");
        return;
    }
    /* What the trapezoids and the cut make of the model, whose lag is known, they make of the
     * values too. */
    step_answer(job, &fit->model);
    double cut_s =
        area_between(job, job->answer, begin_s, end_s).lag_s - response_mean_lag(&fit->model);
    fit->area_lag_s = (struct estimate){area.lag_s - cut_s,
                                        fit->residual_sd * widen * sqrt(area.variance), fit->dof};
}
