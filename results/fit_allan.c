/* SPDX-License-Identifier: GPL-3.0-or-later
 * Allan deviation of the reading over the longest holds: how far averaging helps. */
#include "results/fit_parts.h"

#include "results/allan_curve.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

enum { SERIES_LIMIT = 64 };

/* The family of holds that lasts longest, of those that were run; false: none lasts
 * DIGEST_EVEN_FROM_S. */
static bool find_longest(const struct fit_work *work, uint32_t *family)
{
    const struct plan_segment *segments = plan_segments(work->plan);
    double longest_s = 0, start_s, end_s;
    for (size_t i = 0; i < plan_segment_count(work->plan); i++) {
        if ((segments[i].kind != SEGMENT_HOLD && segments[i].kind != SEGMENT_STAIR_HOLD) ||
            segments[i].duration_s < DIGEST_EVEN_FROM_S || segments[i].duration_s <= longest_s ||
            !digest_window(work->digests[work->sensor_source], i, &start_s, &end_s))
            continue;
        longest_s = segments[i].duration_s;
        *family = segments[i].family;
    }
    return longest_s > 0;
}

/* The longest run of bins without a gap that are as wide as the last ones; that last itself may
 * be cut. Moves it to the beginning of `y`. Returns how many. */
static size_t even_run(double y[], const struct digest_point points[], size_t count,
                       double *width_s)
{
    size_t best = 0, best_at = 0, here = 0;
    if (count < 2)
        return 0;
    *width_s = points[count - 2].width_s;
    for (size_t i = 0; i + 1 < count; i++) {
        bool even = fabs(points[i].width_s / *width_s - 1) < 1e-6;
        bool follows = here && points[i].t_s - points[i - 1].t_s < 1.5 * *width_s;
        here = !even ? 0 : follows ? here + 1 : 1;
        if (here > best) {
            best = here;
            best_at = i + 1 - here;
        }
    }
    for (size_t i = 0; i < best; i++)
        y[i] = points[best_at + i].mean;
    return best;
}

/* Series of all holds of the family, as they were read: what the night did within a hold
 * is what this is about. */
static int gather(const struct fit_work *work, uint32_t family, struct allan_series series[],
                  double *buffers[], size_t *count, double *tau0_s, struct rig_err *err)
{
    const struct plan_segment *segments = plan_segments(work->plan);
    const struct digest *digest = work->digests[work->sensor_source];
    for (size_t i = 0; i < plan_segment_count(work->plan) && *count < SERIES_LIMIT; i++) {
        if (segments[i].family != family)
            continue;
        size_t room = digest_bin_count(digest, i) + 1;
        struct digest_point *points = calloc(room, sizeof *points);
        double *y = calloc(room, sizeof *y);
        if (!points || !y) {
            free(points);
            free(y);
            return rig_fail_memory(err, "the means of a hold");
        }
        size_t n =
            even_run(y, points, digest_points(digest, i, work->sensor_channel, points), tau0_s);
        free(points);
        if (n < ALLAN_CURVE_LEAST) { /* cut short, or full of gaps */
            free(y);
            continue;
        }
        buffers[*count] = y;
        series[(*count)++] = (struct allan_series){y, n};
    }
    return RIG_OK;
}

static int draw(struct fit_work *work, const struct allan_point points[], size_t count,
                const char *unit, struct rig_err *err)
{
    char label[FIGURE_TEXT_SIZE];
    snprintf(label, sizeof label, "Allan deviation, %.60s", unit);
    struct figure *figure = figure_add(&work->fit->figures, "allan", "How far averaging helps",
                                       "averaging time, s", label, err);
    if (!figure)
        return err->code;
    figure->log_x = figure->log_y = true;
    snprintf(figure->sentence, sizeof figure->sentence,
             "By how much averages that follow one another differ: noise falls along the line, and "
             "where the points leave it or rise, drift or wander sets in.");
    struct figure_series *series =
        figure_series_add(figure, "averages of the longest holds", FIGURE_POINTS, count, true, err);
    if (!series)
        return err->code;
    for (size_t i = 0; i < count; i++) {
        series->x[i] = points[i].tau_s;
        series->y[i] = points[i].deviation;
        series->low[i] = points[i].low;
        series->high[i] = points[i].high;
    }
    double row_s = work->row_interval_s[work->sensor_source];
    if (!isfinite(work->row_noise) || !(row_s > 0))
        return RIG_OK;
    if (!(series = figure_series_add(figure, "independent rows of this noise", FIGURE_DASHED, 2,
                                     false, err)))
        return err->code;
    for (size_t i = 0; i < 2; i++) {
        series->x[i] = points[i ? count - 1 : 0].tau_s;
        series->y[i] = work->row_noise * sqrt(row_s / series->x[i]);
    }
    return RIG_OK;
}

static int put_results(struct fit_work *work, const struct allan_point *least, const char *reason,
                       const char *unit, struct rig_err *err)
{
    struct result *result =
        result_add(&work->fit->results, "allan_least", "Least Allan deviation", unit, err);
    if (!result)
        return err->code;
    if (least) {
        result_set(result, least->deviation, (least->high - least->low) / (2 * 1.959964),
                   least->edf, "overlapping Allan deviation over the longest holds (NIST SP 1065)");
        result->low_95 = least->low;
        result->high_95 = least->high;
    } else {
        result_refuse(result, "%s", reason);
    }
    if (!(result = result_add(&work->fit->results, "allan_least_tau",
                              "Averaging time of the least Allan deviation", "s", err)))
        return err->code;
    if (least)
        result_set(result, least->tau_s, NAN, INFINITY,
                   "longer averages gain nothing; no interval, as the curve is flat there");
    else
        result_refuse(result, "%s", reason);
    return RIG_OK;
}

int fit_allan(struct fit_work *work, struct rig_err *err)
{
    const char *unit = work->rig->sources[work->sensor_source].channels[work->sensor_channel].unit;
    uint32_t family = 0;
    struct allan_series series[SERIES_LIMIT];
    double *buffers[SERIES_LIMIT], tau0_s = NAN;
    struct allan_point points[ALLAN_CURVE_LIMIT];
    size_t series_count = 0, count = 0, least = 0;
    struct rig_err why = {0};
    if (!find_longest(work, &family)) {
        char reason[96];
        snprintf(reason, sizeof reason, "no hold lasts %g s or longer", DIGEST_EVEN_FROM_S);
        return put_results(work, NULL, reason, unit, err);
    }
    int code = gather(work, family, series, buffers, &series_count, &tau0_s, err);
    bool known = !code && !allan_curve_of(points, &count, series, series_count, tau0_s, &why) &&
                 !allan_curve_least(&least, points, count, unit, &why);
    if (!code && why.code == RIG_EMEMORY) {
        *err = why;
        code = RIG_EMEMORY;
    }
    if (!code)
        code = put_results(work, known ? &points[least] : NULL, why.text, unit, err);
    if (!code && count)
        code = draw(work, points, count, unit, err);
    for (size_t i = 0; i < series_count; i++)
        free(buffers[i]);
    return code;
}
