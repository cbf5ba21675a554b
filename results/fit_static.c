/* SPDX-License-Identifier: GPL-3.0-or-later
 * The static curve: from stairs, else from ramps, else from holds. */
#include "results/curve_choose.h"
#include "results/fit_parts.h"
#include "results/fit_points.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* How often this family of dwells came before. */
static uint32_t cycle_of(uint32_t seen[], uint32_t family)
{
    return seen[family]++;
}

int fit_dwells(struct fit_work *work, struct rig_err *err)
{
    size_t segments = plan_segment_count(work->plan), holds = 0;
    const struct plan_segment *segment = plan_segments(work->plan);
    for (size_t i = 0; i < segments; i++)
        holds += segment[i].kind == SEGMENT_HOLD || segment[i].kind == SEGMENT_STAIR_HOLD;
    work->points = calloc(holds + 1, sizeof *work->points);
    uint32_t *seen = calloc(plan_family_count(work->plan) + 1, sizeof *seen);
    int code = work->points && seen ? RIG_OK : rig_fail_memory(err, "the dwells of a recording");
    for (size_t i = 0; !code && i < segments; i++) {
        if (segment[i].kind != SEGMENT_HOLD && segment[i].kind != SEGMENT_STAIR_HOLD)
            continue;
        struct digest_point *points = NULL;
        size_t count;
        double start_s, end_s;
        struct settled settled;
        code = fit_segment_points(work, work->sensor_source, work->sensor_channel, i, &points,
                                  &count, err);
        if (!code && digest_window(work->digests[work->sensor_source], i, &start_s, &end_s) &&
            fit_settled_mean(&settled, points, count, segment[i].duration_s))
            work->points[work->point_count++] = (struct static_point){
                .depth_mm = fit_depth_mm(work, segment[i].start_s + settled.middle_s),
                .reading = settled.mean,
                .row_sd = settled.row_sd,
                .n = settled.n,
                .host_s = start_s + settled.middle_s,
                .direction = segment[i].direction,
                .cycle = cycle_of(seen, segment[i].family),
                .segment = i,
                .settled = settled.settled,
                .stair = segment[i].kind == SEGMENT_STAIR_HOLD,
            };
        free(points);
    }
    free(seen);
    return code;
}

/* In the water, settled, and reached from a known side. */
static bool counts(const struct static_point *point, bool stair)
{
    return point->settled && point->depth_mm >= 0 && point->stair == stair && point->direction != 0;
}

static double slope_of(const void *curve, double depth_mm)
{
    return curve_slope(curve, depth_mm);
}

/* slope NULL: not known yet. */
static int centres_of_dwells(struct fit_work *work, bool stairs, centre_slope *slope,
                             struct rig_err *err)
{
    struct centre_sample *samples = calloc(work->point_count + 1, sizeof *samples);
    size_t n = 0;
    if (!samples)
        return rig_fail_memory(err, "the dwells of a recording");
    for (size_t i = 0; i < work->point_count; i++) {
        const struct static_point *point = &work->points[i];
        if (counts(point, stairs))
            samples[n++] = (struct centre_sample){.depth_mm = point->depth_mm,
                                                  .reading = point->reading,
                                                  .direction = point->direction,
                                                  .cycle = point->cycle};
    }
    int code = centres_at_rest(&work->centres, samples, n, slope, &work->curve, err);
    free(samples);
    return code;
}

/* The levels' means over the cycles and how well each is known: by the cycles' scatter, and by
 * the axis' steps, which come back alike in every cycle. Its play shifts all levels alike, between
 * rising and falling, and bends nothing. Returns how many there are. */
static size_t level_means(const struct fit_work *work, double depth[], double reading[], double u[])
{
    const struct centres *centres = &work->centres;
    double squares = 0, freedom = 0;
    size_t n = 0;
    for (size_t i = 0, next; i < centres->n; i = next, n++) {
        double mean = 0, square = 0;
        for (next = i; next < centres->n && centres->depth_mm[next] - centres->depth_mm[i] < 0.05;
             next++) {
            double off = centres->reading[next] - centres->reading[i];
            depth[n] += centres->depth_mm[next];
            mean += off;
            square += off * off;
        }
        double count = (double)(next - i);
        depth[n] /= count;
        reading[n] = centres->reading[i] + mean / count;
        squares += fmax(0, square - mean * mean / count);
        freedom += count - 1;
        u[n] = 1 / sqrt(count);
    }
    double slope = n > 1 ? (reading[n - 1] - reading[0]) / (depth[n - 1] - depth[0]) : 0;
    for (size_t i = 0; i < n; i++)
        u[i] = hypot(u[i] * sqrt(squares / fmax(freedom, 1)),
                     work->rig->axis.step_mm / sqrt(12) * slope);
    return n;
}

/* The curve that suits those means best, and what it leaves over of them; false: there are none,
 * and the choice is left to the points. As points of their own, cycles that repeat a level with
 * the same misfit would make a bend of a few micrometres look sure. */
static bool choose_by_means(struct fit_work *work, struct curve *chosen)
{
    size_t room = work->centres.n + 1;
    double *depth = calloc(room, sizeof *depth), *reading = calloc(room, sizeof *reading);
    double *u = calloc(room, sizeof *u);
    bool known = false;
    if (depth && reading && u) {
        struct curve_points points = {.depth = depth, .reading = reading, .reading_u = u};
        points.n = level_means(work, depth, reading, u);
        known = points.n >= 3 && points.n < work->centres.n && u[0] > 0 &&
                curve_choose(chosen, &points, NULL) == RIG_OK;
        if (known) {
            work->curve_left_u = curve_left_u(chosen, &points);
            work->curve_left_dof = chosen->degrees_of_freedom;
        }
    }
    free(depth);
    free(reading);
    free(u);
    return known;
}

/* Fits what the centres hold; false, with the reason in `why`, when that is too little. */
static bool fit_centres(struct fit_work *work, int degree, struct rig_err *why)
{
    const struct centres *centres = &work->centres;
    struct curve_points points = {.n = centres->n,
                                  .depth = centres->depth_mm,
                                  .reading = centres->reading,
                                  .common_depth_u = centres->common_depth_u_mm,
                                  .cycle = centres->cycle,
                                  .cycles = centres->cycles};
    if (centres->n < 3) /* a line through two points has nothing left to judge it by */
        return rig_fail(why, RIG_EUNKNOWABLE,
                        "a curve needs readings at three depths at least, and has %zu",
                        centres->n) == RIG_OK;
    struct curve chosen;
    work->curve_left_u = 0;
    bool asked = degree > 0, by_means = !asked && choose_by_means(work, &chosen);
    const struct curve_options options = {.kind = by_means ? chosen.kind : CURVE_POLYNOMIAL,
                                          .degree = asked      ? (size_t)degree
                                                    : by_means ? chosen.polynomial.degree
                                                               : 0,
                                          .knots = by_means ? chosen.spline.knots : 0};
    if (asked || by_means ? curve_fit(&work->curve, &points, &options, why)
                          : curve_choose(&work->curve, &points, why))
        return false;
    if (isnan(work->curve.usable_low))
        return rig_fail(why, RIG_EUNKNOWABLE,
                        "the reading does not change with the depth beyond its noise: is the board "
                        "in the water, and this its channel?") == RIG_OK;
    if (by_means) {
        work->curve.chosen = true;
        work->curve.candidate_count = chosen.candidate_count;
        memcpy(work->curve.candidates, chosen.candidates, sizeof chosen.candidates);
    }
    return true;
}

/* Stairs first, then ramps, then holds: the first that give a curve. */
static int find_curve(struct fit_work *work, int degree, struct rig_err *why, struct rig_err *err)
{
    static const char *const from[] = {"settled dwells of stairs",
                                       "ramps, drawn to rest over their speeds", "settled holds"};
    for (int way = 0; way < 3 && !work->has_curve; way++) {
        struct rig_err here = {0};
        centres_free(&work->centres);
        int code = way == 1 ? fit_centres_of_ramps(work, err)
                            : centres_of_dwells(work, way == 0, NULL, err);
        if (code)
            return code;
        work->has_curve = fit_centres(work, degree, &here);
        if (work->has_curve && way != 1) { /* once more, with loops as wide as the curve is steep */
            centres_free(&work->centres);
            if ((code = centres_of_dwells(work, way == 0, slope_of, err)))
                return code;
            work->has_curve = fit_centres(work, degree, &here);
        }
        work->curve_from = from[way];
        if (way == 0 || work->centres.n > 0)
            *why = here;
    }
    return RIG_OK;
}

static int make_curve(struct fit_work *work, int degree, struct rig_err *why, struct rig_err *err)
{
    work->has_curve = false;
    int code = find_curve(work, degree, why, err);
    if (!code && work->has_curve) {
        work->low_mm = work->curve.low;
        work->high_mm = work->curve.high;
        work->span =
            curve_value(&work->curve, work->high_mm) - curve_value(&work->curve, work->low_mm);
    }
    return code;
}

int fit_static(struct fit_work *work, int degree, struct rig_err *err)
{
    struct rig_err why = {0};
    int code = fit_dwells(work, err);
    if (!code)
        code = make_curve(work, degree, &why, err);
    if (!code)
        code = fit_night(work, err);
    if (!code && work->night.undo) /* the same again without what moved meanwhile */
        code = make_curve(work, degree, &why, err);
    if (!code && work->has_curve && work->centres.one_sided)
        fit_warn(work->fit,
                 "The water went one way only: the curve lies half a loop to that side.");
    if (!code && work->has_curve && work->curve_left_u > 0)
        fit_warn(
            work->fit,
            "The curve leaves %.2g mm (one standard deviation) over at its levels, beyond their "
            "scatter: a step or a knee that neither a polynomial nor a spline of few knots "
            "follows.",
            work->curve_left_u * (work->high_mm - work->low_mm) / fabs(work->span));
    if (!code)
        code = fit_curve_results(work, why.text, err);
    if (!code)
        code = fit_noise(work, err);
    return code;
}
