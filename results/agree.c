/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "results/agree.h"

#include <math.h>
#include <stdio.h>

#include <gsl/gsl_cdf.h>

static const double disagree_p = 0.01;

static double spread(const struct estimate *estimate)
{
    double dof = estimate->dof;
    if (!(dof < 1e6))
        return estimate->u * estimate->u;
    return estimate->u * estimate->u * (dof >= 3 ? dof / (dof - 2) : 3);
}

int agree_check(struct agreement *agreement, const struct agree_road roads[], size_t n,
                double shared_u, const char *unit, struct rig_err *err)
{
    if (n > AGREE_LIMIT)
        return rig_fail(err, RIG_EBUG, "%zu roads to one number", n);
    struct agreement found = {.chi_squared = NAN, .p = NAN, .agree = true};
    double weight_sum = 0, sum = 0, variances[AGREE_LIMIT];
    size_t only = 0;
    for (size_t i = 0; i < n; i++) {
        variances[i] = NAN;
        if (!isfinite(roads[i].value.value))
            continue;
        variances[i] = spread(&roads[i].value);
        if (!(variances[i] > 0) || !isfinite(variances[i]))
            return rig_fail(err, RIG_EBUG, "the %s road has no uncertainty", roads[i].name);
        weight_sum += 1 / variances[i];
        sum += roads[i].value.value / variances[i];
        found.roads++;
        only = i;
    }
    if (found.roads == 0)
        return rig_fail(err, RIG_EUNKNOWABLE, "no road led to a value");
    if (found.roads == 1) {
        found.mean = roads[only].value;
        found.mean.u = hypot(found.mean.u, shared_u);
        snprintf(found.text, sizeof found.text, "only the %s road gave a value: nothing tests it",
                 roads[only].name);
        *agreement = found;
        return 0;
    }
    double mean = sum / weight_sum, worst = -1;
    found.chi_squared = 0;
    for (size_t i = 0; i < n; i++) {
        if (isnan(variances[i]))
            continue;
        double off = roads[i].value.value - mean;
        found.chi_squared += off * off / variances[i];
        for (size_t k = 0; k < i; k++) {
            double apart = fabs(roads[i].value.value - roads[k].value.value) /
                           sqrt(variances[i] + variances[k]);
            if (!isnan(variances[k]) && apart > worst) {
                worst = apart;
                found.worst = k;
                found.other = i;
            }
        }
    }
    found.degrees_of_freedom = (double)(found.roads - 1);
    found.p = gsl_cdf_chisq_Q(found.chi_squared, found.degrees_of_freedom);
    found.agree = found.p >= disagree_p;
    double widen = found.agree ? 1 : sqrt(found.chi_squared / found.degrees_of_freedom);
    found.mean = (struct estimate){mean, hypot(widen / sqrt(weight_sum), shared_u),
                                   found.agree ? INFINITY : found.degrees_of_freedom};
    const struct agree_road *a = &roads[found.worst], *b = &roads[found.other];
    if (found.agree)
        snprintf(found.text, sizeof found.text,
                 "%zu roads agree (chi-squared %.3g for %.0f, p = %.2g)", found.roads,
                 found.chi_squared, found.degrees_of_freedom, found.p);
    else
        snprintf(found.text, sizeof found.text,
                 "the roads disagree (p = %.2g): %s says %.4g %s and %s %.4g %s, %.1f times their "
                 "combined uncertainty apart",
                 found.p, a->name, a->value.value, unit, b->name, b->value.value, unit, worst);
    *agreement = found;
    return 0;
}
