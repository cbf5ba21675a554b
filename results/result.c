/* SPDX-License-Identifier: GPL-3.0-or-later
 * The list of results: a value with its interval, or the reason why there is none.
 * Does no statistics of its own beyond JCGM 100's combination of uncertainties. */
#include "results/result.h"

#include "results/student.h"
#include "results/uncertainty.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

struct result *result_add(struct result_list *list, const char *name, const char *title,
                          const char *unit, struct rig_err *err)
{
    if (strlen(name) >= RESULT_NAME_SIZE) {
        rig_fail(err, RIG_EBUG, "the result's name '%s' is too long", name);
        return NULL;
    }
    if (result_find(list, name)) {
        rig_fail(err, RIG_EBUG, "the result '%s' is there twice", name);
        return NULL;
    }
    if (list->count == list->room) {
        size_t room = list->room ? 2 * list->room : 32;
        struct result *larger = realloc(list->results, room * sizeof *larger);
        if (!larger) {
            rig_fail_memory(err, "the results");
            return NULL;
        }
        list->results = larger;
        list->room = room;
    }
    struct result *result = &list->results[list->count++];
    *result = (struct result){.value = NAN,
                              .standard_uncertainty = NAN,
                              .low_95 = NAN,
                              .high_95 = NAN,
                              .degrees_of_freedom = NAN};
    snprintf(result->name, sizeof result->name, "%s", name);
    snprintf(result->title, sizeof result->title, "%s", title);
    snprintf(result->unit, sizeof result->unit, "%s", unit);
    return result;
}

void result_set(struct result *result, double value, double standard_uncertainty,
                double degrees_of_freedom, const char *method)
{
    if (!isfinite(value) || isinf(standard_uncertainty) || standard_uncertainty < 0) {
        result_refuse(result, "the calculation gave no finite number");
        return;
    }
    *result->reason = 0;
    result->value = value;
    result->standard_uncertainty = standard_uncertainty;
    result->degrees_of_freedom = isnan(standard_uncertainty) ? NAN : degrees_of_freedom;
    result->low_95 = result->high_95 = NAN;
    snprintf(result->method, sizeof result->method, "%s", method);
    double factor =
        degrees_of_freedom > 0 ? student_coverage(0.95, degrees_of_freedom) : (double)NAN;
    double half = factor * standard_uncertainty;
    if (!isfinite(half)) { /* unknown, or so few degrees of freedom that the factor overflows */
        if (!isnan(standard_uncertainty))
            snprintf(result->reason, sizeof result->reason,
                     "no interval: too few degrees of freedom");
        return;
    }
    result->low_95 = value - half;
    result->high_95 = value + half;
}

static struct uncertainty_sum combine(const struct result_contribution parts[], size_t count)
{
    struct uncertainty_input inputs[RESULT_BUDGET_LIMIT] = {{0}};
    for (size_t i = 0; i < count; i++)
        inputs[i] = (struct uncertainty_input){.name = parts[i].name,
                                               .type = parts[i].type,
                                               .sensitivity = 1,
                                               .u = parts[i].standard_uncertainty,
                                               .dof = parts[i].degrees_of_freedom};
    return uncertainty_combine(inputs, count, 0.95);
}

static void contribute(struct result *result, const char *name, struct result_contribution part)
{
    snprintf(part.name, sizeof part.name, "%s", name);
    if (result->budget_count < RESULT_BUDGET_LIMIT) {
        result->budget[result->budget_count++] = part;
        return;
    }
    /* Full: the last line takes up the rest. Nothing is lost, as the combination
     * of combinations is that of all. */
    struct result_contribution *last = &result->budget[RESULT_BUDGET_LIMIT - 1];
    struct result_contribution both[2] = {*last, part};
    struct uncertainty_sum sum = combine(both, 2);
    last->standard_uncertainty = sum.u;
    last->degrees_of_freedom = sum.dof_effective;
    last->type = 'B';
    last->rectangular = false;
    snprintf(last->name, sizeof last->name, "all others");
}

void result_contribute(struct result *result, const char *name, char type,
                       double standard_uncertainty, double degrees_of_freedom)
{
    contribute(result, name,
               (struct result_contribution){.type = type,
                                            .standard_uncertainty = standard_uncertainty,
                                            .degrees_of_freedom = degrees_of_freedom});
}

void result_contribute_within(struct result *result, const char *name, double half_width)
{
    if (half_width == 0)
        return;
    contribute(result, name,
               (struct result_contribution){.type = 'B',
                                            .standard_uncertainty = half_width / sqrt(3),
                                            .degrees_of_freedom = INFINITY,
                                            .rectangular = true});
}

/* The interval's half width: what follows a t by JCGM 100, convolved with the rectangles. */
static double half_width(const struct result *result)
{
    struct result_contribution smooth[RESULT_BUDGET_LIMIT] = {{{0}, 0, 0, 0, false}};
    double rectangles[RESULT_BUDGET_LIMIT] = {0};
    size_t smooth_count = 0, count = 0;
    for (size_t i = 0; i < result->budget_count; i++)
        if (result->budget[i].rectangular)
            rectangles[count++] = sqrt(3) * result->budget[i].standard_uncertainty;
        else
            smooth[smooth_count++] = result->budget[i];
    struct uncertainty_sum sum = combine(smooth, smooth_count);
    double dof = sum.dof_effective < 1 ? sum.dof_effective : sum.dof;
    return uncertainty_half_width(smooth_count ? sum.u : 0, smooth_count ? dof : INFINITY,
                                  rectangles, count, 0.95);
}

void result_combine(struct result *result, double value, const char *method)
{
    for (size_t i = 0; i < result->budget_count; i++) {
        const struct result_contribution *part = &result->budget[i];
        if (isfinite(part->standard_uncertainty) && part->standard_uncertainty >= 0 &&
            part->degrees_of_freedom > 0)
            continue;
        result_set(result, value, NAN, NAN, method);
        if (isfinite(value))
            snprintf(result->reason, sizeof result->reason,
                     "no interval: the contribution '%s' is not known", part->name);
        return;
    }
    struct uncertainty_sum sum = combine(result->budget, result->budget_count);
    /* Less than one degree stays what it is: rounding it up would be bolder than the data. */
    result_set(result, value, sum.u, sum.dof_effective < 1 ? sum.dof_effective : sum.dof, method);
    double half = half_width(result);
    if (!isfinite(result->low_95) || !isfinite(half))
        return;
    result->low_95 = value - half;
    result->high_95 = value + half;
}

void result_refuse(struct result *result, const char *format, ...)
{
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(result->reason, sizeof result->reason, format, arguments);
    va_end(arguments);
    result->value = result->standard_uncertainty = NAN;
    result->low_95 = result->high_95 = result->degrees_of_freedom = NAN;
    result->budget_count = 0;
}

struct result *result_find_mutable(struct result_list *list, const char *name)
{
    for (size_t i = 0; i < list->count; i++)
        if (strcmp(list->results[i].name, name) == 0)
            return &list->results[i];
    return NULL;
}

const struct result *result_find(const struct result_list *list, const char *name)
{
    return result_find_mutable((struct result_list *)list, name);
}

void result_list_free(struct result_list *list)
{
    free(list->results);
    *list = (struct result_list){0};
}
