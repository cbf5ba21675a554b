/* SPDX-License-Identifier: GPL-3.0-or-later
 * The mean lag by three roads: steps, ramps, slow waves. They must agree within what they do
 * not share. */
#include "results/fit_parts.h"

#include "results/agree.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* Lines of a budget that all roads have alike: they can't set them apart. */
static bool shared(const struct result_contribution *line)
{
    static const char *const names[] = {"clock alignment", "clock of the board",
                                        "delay of the board's line"};
    for (size_t i = 0; i < sizeof names / sizeof *names; i++)
        if (strcmp(line->name, names[i]) == 0)
            return true;
    return false;
}

/* Adds the square of a result's own uncertainty; the fewest degrees of freedom of what matters in
 * it. False: it has no value. */
static bool add_own(const struct result *result, double *own2, double *dof)
{
    if (!result || !isfinite(result->value) || !isfinite(result->standard_uncertainty))
        return false;
    for (size_t i = 0; i < result->budget_count; i++) {
        const struct result_contribution *line = &result->budget[i];
        double u2 = line->standard_uncertainty * line->standard_uncertainty;
        if (shared(line))
            continue;
        *own2 += u2;
        if (4 * u2 > *own2)
            *dof = fmin(*dof, line->degrees_of_freedom);
    }
    return true;
}

/* A share of a result, or of two together; the second NULL for one. */
static struct estimate road(const struct fit_work *work, const char *first, const char *second,
                            double share)
{
    const struct result *a = result_find(&work->fit->results, first);
    const struct result *b = second ? result_find(&work->fit->results, second) : NULL;
    double own2 = 0, dof = INFINITY;
    if (!add_own(a, &own2, &dof) || (second && !add_own(b, &own2, &dof)))
        return ESTIMATE_UNKNOWN;
    return (struct estimate){share * (a->value + (b ? b->value : 0)), share * sqrt(own2), dof};
}

static void list_roads(const struct agree_road roads[], size_t n, char *text, size_t room)
{
    size_t used = 0;
    for (size_t i = 0; i < n && used < room; i++)
        if (isfinite(roads[i].value.value))
            used += (size_t)snprintf(text + used, room - used, "%s%s %.4g s", used ? ", " : "",
                                     roads[i].name, roads[i].value.value);
}

int fit_agree(struct fit_work *work, struct rig_err *err)
{
    const struct agree_road roads[] = {
        {"steps", road(work, "step_lag_rising", "step_lag_falling", 0.5)},
        {"ramps", road(work, "lag_sum", NULL, 0.5)},
        {"waves", road(work, "sine_mean_lag", NULL, 1)},
    };
    enum { ROADS = sizeof roads / sizeof *roads };
    struct agreement agreement;
    struct rig_err why = {0};
    struct result *result = result_add(&work->fit->results, "mean_lag",
                                       "Mean lag, rising and falling, by all roads", "s", err);
    if (!result)
        return err->code;
    if (agree_check(&agreement, roads, ROADS, 0, "s", &why)) {
        result_refuse(result, "%s",
                      why.code == RIG_EUNKNOWABLE
                          ? "neither steps, nor ramps, nor slow waves told a lag"
                          : why.text);
        return RIG_OK;
    }
    char list[RESULT_TEXT_SIZE] = "", method[RESULT_TEXT_SIZE];
    list_roads(roads, ROADS, list, sizeof list);
    snprintf(method, sizeof method, "%.110s: %.140s", list, agreement.text);
    if (!agreement.agree)
        fit_warn(
            work->fit,
            "Mean lag: %s. A board that drains otherwise after a step than after a ramp can do "
            "that; so can a clock that is tied wrongly.",
            agreement.text);
    result_contribute(result, "of the roads, weighted", 'A', agreement.mean.u, agreement.mean.dof);
    fit_contribute_time(work, result, 1);
    result_combine(result, agreement.mean.value, method);
    return RIG_OK;
}
