/* SPDX-License-Identifier: GPL-3.0-or-later
 * Drift of the zero: the reading clear of the water, lift by lift. In air a falling level
 * changes nothing, so this is the board alone. */
#include "results/fit_parts.h"

#include "results/lsq.h"
#include "results/trend.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

/* Below this many lifts ranks give no 95 % interval worth having (Sen 1968). */
enum { RANK_LIFTS = 8 };

struct lifts {
    double *t_h, *reading, *u;
    size_t n;
};

static bool in_air(const struct static_point *point)
{
    return point->settled && point->depth_mm < 0;
}

static int gather(const struct fit_work *work, struct lifts *lifts, struct rig_err *err)
{
    size_t room = work->point_count + 1;
    *lifts = (struct lifts){.t_h = calloc(room, sizeof *lifts->t_h),
                            .reading = calloc(room, sizeof *lifts->reading),
                            .u = calloc(room, sizeof *lifts->u)};
    if (!lifts->t_h || !lifts->reading || !lifts->u)
        return rig_fail_memory(err, "the lifts of a recording");
    /* A night longer than the trend takes is thinned evenly. */
    size_t all = 0, seen = 0;
    for (size_t i = 0; i < work->point_count; i++)
        all += in_air(&work->points[i]);
    size_t stride = 1 + all / TREND_LIMIT;
    for (size_t i = 0; i < work->point_count; i++) {
        const struct static_point *point = &work->points[i];
        if (!in_air(point) || seen++ % stride)
            continue;
        lifts->t_h[lifts->n] = point->host_s / 3600;
        lifts->reading[lifts->n] = point->reading;
        lifts->u[lifts->n++] = point->row_sd / sqrt(point->n);
    }
    return RIG_OK;
}

/* Few lifts: a straight line, its u from the readings' own noise. */
static void by_line(struct result *result, const struct lifts *lifts)
{
    struct lsq sums;
    struct lsq_fit fit;
    struct rig_err why = {0};
    int code = lsq_start(&sums, 2, &why);
    for (size_t i = 0; !code && i < lifts->n; i++) {
        const double row[] = {1, lifts->t_h[i] - lifts->t_h[0]};
        /* A reading that never changed by a step has no noise to judge by. */
        lsq_add(&sums, row, lifts->reading[i], fmax(lifts->u[i], 1e-12));
    }
    if (!code)
        code = lsq_solve(&fit, &sums, LSQ_FROM_STATED, &why);
    if (code)
        result_refuse(result, "%s", why.text);
    else
        result_set(result, fit.parameter[1], sqrt(fit.covariance[1][1]), INFINITY,
                   "straight line through the readings clear of the water");
}

static void by_ranks(struct result *result, const struct lifts *lifts)
{
    struct theil_sen trend;
    struct rig_err why = {0};
    if (theil_sen_of(&trend, lifts->t_h, lifts->reading, lifts->n, 0.95, &why)) {
        result_refuse(result, "%s", why.text);
        return;
    }
    result_set(result, trend.slope, (trend.high - trend.low) / (2 * 1.959964), INFINITY,
               "Theil-Sen slope of the readings clear of the water");
    result->low_95 = trend.low; /* the ranks' own interval, which need not be even */
    result->high_95 = trend.high;
}

int fit_drift(struct fit_work *work, struct rig_err *err)
{
    struct lifts lifts = {0};
    char unit[24];
    snprintf(unit, sizeof unit, "%.16s/h",
             work->rig->sources[work->sensor_source].channels[work->sensor_channel].unit);
    int code = gather(work, &lifts, err);
    struct result *result =
        code ? NULL : result_add(&work->fit->results, "zero_drift", "Drift of the zero", unit, err);
    if (!code && !result)
        code = err->code;
    if (result && lifts.n < 2)
        result_refuse(result, "it takes two settled holds clear of the water, and there %s",
                      lifts.n ? "is one" : "are none");
    else if (result && lifts.n < RANK_LIFTS)
        by_line(result, &lifts);
    else if (result)
        by_ranks(result, &lifts);
    free(lifts.t_h);
    free(lifts.reading);
    free(lifts.u);
    return code;
}
