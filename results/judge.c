/* SPDX-License-Identifier: GPL-3.0-or-later
 * Results against limits. */
#include "results/judge.h"

#include "base/statement.h"

#include <gsl/gsl_cdf.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static double below(double z, double dof)
{
    return isfinite(dof) ? gsl_cdf_tdist_P(z, dof) : gsl_cdf_ugaussian_P(z);
}

double judge_conformance(double value, double standard_uncertainty, double degrees_of_freedom,
                         double low, double high)
{
    double u = standard_uncertainty;
    if (!isfinite(value) || !isfinite(u) || !(degrees_of_freedom > 0))
        return NAN;
    if (u == 0)
        return value >= low && value <= high ? 1 : 0;
    double upto_high = isfinite(high) ? below((high - value) / u, degrees_of_freedom) : 1;
    double upto_low = isfinite(low) ? below((low - value) / u, degrees_of_freedom) : 0;
    return fmax(0, upto_high - upto_low);
}

/* One end in the result's unit. */
static int end_in(const struct limit *limit, const struct limit_end *end, const char *name,
                  const struct result *result, struct units *units, double *value,
                  struct rig_err *err)
{
    bool of_span = strncmp(result->unit, "% of", 4) == 0;
    double factor = 1, offset = 0;
    struct rig_err why;
    if (!end->given)
        return RIG_OK;
    bool suits = strcmp(end->unit, result->unit) == 0;
    if (!suits && of_span)
        suits = strcmp(end->unit, "%") == 0 || strcmp(end->unit, "percent") == 0;
    else if (!suits)
        suits = *end->unit &&
                units_factor(units, end->unit, result->unit, &factor, &offset, &why) == RIG_OK;
    if (!suits && !*end->unit && strcmp(result->unit, "1") == 0)
        suits = true;
    *value = offset + factor * end->value;
    if (!suits)
        return rig_fail(err, RIG_EINPUT, "%s:%d:%d: '%s' is in %s; %s%.32s%s does not suit it",
                        name, limit->line, limit->column, limit->name, result->unit,
                        *end->unit ? "'" : "", *end->unit ? end->unit : "a number without a unit",
                        *end->unit ? "'" : "");
    return RIG_OK;
}

static void miss(struct judged *judged, const char *reason)
{
    judged->verdict = JUDGE_MISSING;
    judged->margin = judged->conformance = NAN;
    snprintf(judged->reason, sizeof judged->reason, "%s", reason);
}

/* Is there a result whose name somebody may have meant? */
static int not_there(struct judged *judged, const char *name, const struct result_list *results,
                     struct rig_err *err)
{
    const char **names = calloc(results->count + 1, sizeof(char *));
    if (!names)
        return rig_fail_memory(err, "the results' names");
    for (size_t i = 0; i < results->count; i++)
        names[i] = results->results[i].name;
    const struct limit *limit = judged->limit;
    const char *near = nearest_word(limit->name, names, results->count);
    int code = RIG_OK;
    if (near)
        code = rig_fail(err, RIG_EINPUT, "%s:%d:%d: no result is called '%s'; did you mean '%s'?",
                        name, limit->line, limit->column, limit->name, near);
    free(names);
    miss(judged, "the recording was not asked for it");
    return code;
}

static int judge_one(struct judged *judged, double guard, const char *name,
                     const struct result_list *results, struct units *units, struct rig_err *err)
{
    const struct limit *limit = judged->limit;
    const struct result *result = result_find(results, limit->name);
    judged->value = judged->expanded = judged->margin = judged->conformance = NAN;
    judged->low = -INFINITY;
    judged->high = INFINITY;
    snprintf(judged->title, sizeof judged->title, "%s", result ? result->title : limit->name);
    if (!result)
        return not_there(judged, name, results, err);
    snprintf(judged->unit, sizeof judged->unit, "%s", result->unit);
    int code = end_in(limit, &limit->low, name, result, units, &judged->low, err);
    if (!code)
        code = end_in(limit, &limit->high, name, result, units, &judged->high, err);
    if (code)
        return code;
    if (!isfinite(result->value)) {
        miss(judged, *result->reason ? result->reason : "it is not known");
        return RIG_OK;
    }
    judged->value = result->value;
    judged->expanded = (result->high_95 - result->low_95) / 2;
    if (guard > 0 && !isfinite(judged->expanded)) {
        miss(judged, "it has no interval, which a guarded limit needs; 'rule simple' doesn't");
        return RIG_OK;
    }
    double inside = guard > 0 ? guard * judged->expanded : 0;
    judged->margin =
        fmin(judged->value - (judged->low + inside), judged->high - inside - judged->value);
    judged->conformance = judge_conformance(result->value, result->standard_uncertainty,
                                            result->degrees_of_freedom, judged->low, judged->high);
    judged->verdict = judged->margin >= 0 ? JUDGE_PASS : JUDGE_FAIL;
    return RIG_OK;
}

int judge_results(struct judgement *judgement, const struct limits *limits, const char *name,
                  const struct result_list *results, struct units *units, struct rig_err *err)
{
    int code = RIG_OK;
    *judgement = (struct judgement){.count = limits->count};
    for (size_t i = 0; !code && i < limits->count; i++) {
        judgement->judged[i].limit = &limits->limits[i];
        code = judge_one(&judgement->judged[i], limits->guard, name, results, units, err);
        judgement->failed += judgement->judged[i].verdict != JUDGE_PASS;
    }
    return code;
}
