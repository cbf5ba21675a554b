/* SPDX-License-Identifier: GPL-3.0-or-later
 * Cling beside the film that a wholly wetted board would keep: a reference line, no fit. And
 * the power of the speed by which water clings. */
#include "results/fit_parts.h"

#include "results/cling.h"
#include "results/film.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

enum { LINE_POINTS = 41 };

/* A rising and a falling pass of one speed, one after the other. */
static size_t pair_passes(const struct fit_work *work, struct cling_pair pairs[])
{
    size_t count = 0;
    for (size_t i = 0; i + 1 < work->pass_count; i++) {
        const struct ramp_pass *first = &work->passes[i], *second = &work->passes[i + 1];
        if (first->direction == second->direction ||
            fabs(first->speed_mm_s - second->speed_mm_s) > 0.02 * first->speed_mm_s)
            continue;
        const struct ramp_pass *falling = first->direction < 0 ? first : second;
        const struct ramp_pass *rising = first->direction < 0 ? second : first;
        pairs[count++] = (struct cling_pair){.speed_mm_s = first->speed_mm_s,
                                             .cling_mm = falling->late_mm - rising->late_mm};
        i++;
    }
    return count;
}

static int compare(const void *a, const void *b)
{
    const struct cling_pair *left = a, *right = b;
    return (left->speed_mm_s > right->speed_mm_s) - (left->speed_mm_s < right->speed_mm_s);
}

/* By the run's own statement, else by a channel, else 20 degC. */
static int water_temperature(const struct fit_work *work, double *degc, const char **from,
                             struct rig_err *err)
{
    *degc = recording_facts(work->recording)->water_degc;
    *from = "as stated for the run";
    for (size_t s = 0; !isfinite(*degc) && s < work->rig->source_count; s++)
        for (size_t c = 0; c < work->rig->sources[s].channel_count; c++) {
            double sum = 0, n = 0;
            if (work->rig->sources[s].channels[c].role != ROLE_TEMPERATURE || isfinite(*degc))
                continue;
            for (size_t i = 0; i < work->pass_count; i++) {
                struct digest_point *points = NULL;
                size_t count;
                int code =
                    fit_segment_points(work, s, c, work->passes[i].segment, &points, &count, err);
                if (code)
                    return code;
                for (size_t k = 0; k < count; k++) {
                    sum += points[k].n * points[k].mean;
                    n += points[k].n;
                }
                free(points);
            }
            *degc = n > 0 ? sum / n : NAN;
            *from = "by its channel";
        }
    if (isfinite(*degc))
        return RIG_OK;
    *degc = 20;
    *from = "taken as such, since none is known";
    return RIG_OK;
}

static int power_result(struct fit_work *work, const struct cling_pair pairs[], size_t count,
                        const char *reason, struct rig_err *err)
{
    struct cling_power power;
    struct rig_err why = {0};
    struct result *result = result_add(&work->fit->results, "cling_power",
                                       "Power of the speed by which water clings", "1", err);
    if (!result)
        return err->code;
    if (reason || cling_power_of(&power, pairs, count, &why)) {
        result_refuse(result, "%s", reason ? reason : why.text);
        return RIG_OK;
    }
    static const struct {
        double power;
        const char *means;
    } kinds[] = {{1, "1: a delay, of the electronics or of a film that drains in its own time"},
                 {2.0 / 3, "2/3: a film drawn out by a wholly wetted board"},
                 {0.5, "1/2: the thick film of a partly wetted board"}};
    char method[RESULT_TEXT_SIZE];
    const char *means = "none of 1, 2/3 and 1/2 fits";
    size_t fitting = 0;
    for (size_t i = 0; i < sizeof kinds / sizeof *kinds; i++)
        if (power.low <= kinds[i].power && kinds[i].power <= power.high) {
            means = kinds[i].means;
            fitting++;
        }
    snprintf(method, sizeof method, "falling less rising lateness over %zu speeds; %s",
             power.speeds,
             fitting > 1 ? "it leaves open which of 1 (a delay), 2/3 and 1/2 (films)" : means);
    result_set(result, power.power, (power.high - power.low) / (2 * 1.959964), INFINITY, method);
    result->low_95 = power.low;
    result->high_95 = power.high;
    return RIG_OK;
}

/* Thicknesses at the fastest ramps. A value without an interval: nothing was measured. */
static int film_results(struct fit_work *work, const struct water *water, const char *from,
                        double speed, struct rig_err *err)
{
    char title[RESULT_TEXT_SIZE], method[RESULT_TEXT_SIZE];
    snprintf(title, sizeof title, "Film that a wholly wetted board draws out at %.3g mm/s", speed);
    const double mm = (work->high_mm - work->low_mm) / 2, s = 60;
    const struct {
        const char *name, *title;
        double um;
        const char *method;
    } films[] = {
        {"film_drawn", title, film_thickness_um(water, speed),
         "Landau, Levich and Derjaguin: 0.9458 l Ca^(2/3)"},
        {"film_drained", "Film left half way down the range a minute later",
         fmin(film_draining_um(water, mm, s), film_thickness_um(water, speed)),
         "Jeffreys: sqrt(mu x/(rho g t)), or what was drawn out if that is less"},
    };
    for (size_t i = 0; i < sizeof films / sizeof *films; i++) {
        struct result *result =
            result_add(&work->fit->results, films[i].name, films[i].title, "um", err);
        if (!result)
            return err->code;
        snprintf(method, sizeof method, "reference, not a fit: %s; water at %.3g degC, %s",
                 films[i].method, water->t_degc, from);
        result_set(result, films[i].um, NAN, INFINITY, method);
    }
    return RIG_OK;
}

static int film_figure(struct fit_work *work, const struct cling_pair pairs[], size_t count,
                       const struct water *water, struct rig_err *err)
{
    size_t positive = 0, at = 0;
    double low = pairs[0].speed_mm_s, high = pairs[count - 1].speed_mm_s;
    for (size_t i = 0; i < count; i++)
        positive += pairs[i].cling_mm > 0;
    if (positive == 0)
        return RIG_OK;
    struct figure *figure = figure_add(&work->fit->figures, "film", "Cling and film", "speed, mm/s",
                                       "depth, or film, mm", err);
    if (!figure)
        return err->code;
    figure->log_x = figure->log_y = true;
    snprintf(
        figure->sentence, sizeof figure->sentence,
        "By how much more falling water is read late than rising water, as depth, beside how "
        "thick a film a wholly wetted board keeps: the slopes tell a delay (1) from films (2/3 "
        "drawn out, 1/2 draining). The lines are a reference, not a fit.");
    struct figure_series *series =
        figure_series_add(figure, "measured cling", FIGURE_POINTS, positive, false, err);
    if (!series)
        return err->code;
    for (size_t i = 0; i < count; i++)
        if (pairs[i].cling_mm > 0) {
            series->x[at] = pairs[i].speed_mm_s;
            series->y[at++] = pairs[i].cling_mm;
        }
    for (int kind = 0; kind < 2; kind++) {
        series = figure_series_add(
            figure, kind ? "film that drains (Jeffreys)" : "film drawn out (Landau-Levich)",
            kind ? FIGURE_DASHED : FIGURE_LINE, LINE_POINTS, false, err);
        if (!series)
            return err->code;
        for (size_t i = 0; i < LINE_POINTS; i++) {
            series->x[i] = low * pow(high / low, (double)i / (LINE_POINTS - 1));
            series->y[i] = 1e-3 * (kind ? film_gravity_limit_um(water, series->x[i])
                                        : film_thickness_um(water, series->x[i]));
        }
    }
    return RIG_OK;
}

static int refuse(struct fit_work *work, const char *reason, struct rig_err *err)
{
    static const char *const names[][3] = {
        {"film_drawn", "Film that a wholly wetted board draws out", "um"},
        {"film_drained", "Film left half way down the range a minute later", "um"},
    };
    for (size_t i = 0; i < sizeof names / sizeof *names; i++) {
        struct result *result =
            result_add(&work->fit->results, names[i][0], names[i][1], names[i][2], err);
        if (!result)
            return err->code;
        result_refuse(result, "%s", reason);
    }
    return power_result(work, NULL, 0, reason, err);
}

int fit_film(struct fit_work *work, struct rig_err *err)
{
    if (!work->has_curve)
        return refuse(work, "there is no calibration curve to turn readings into depth", err);
    struct cling_pair *pairs = calloc(work->pass_count + 1, sizeof *pairs);
    if (!pairs)
        return rig_fail_memory(err, "pairs of passes");
    size_t count = pair_passes(work, pairs);
    int code;
    if (count == 0) {
        code = refuse(
            work, "it takes a rising and a falling ramp of one speed, one after the other", err);
    } else {
        double degc;
        const char *from;
        qsort(pairs, count, sizeof *pairs, compare);
        code = water_temperature(work, &degc, &from, err);
        struct water water = water_at(degc);
        if (!code)
            code = film_results(work, &water, from, pairs[count - 1].speed_mm_s, err);
        if (!code)
            code = power_result(work, pairs, count, NULL, err);
        if (!code && isfinite(water.mu_upa_s))
            code = film_figure(work, pairs, count, &water, err);
    }
    free(pairs);
    return code;
}
