/* SPDX-License-Identifier: GPL-3.0-or-later
 * Cycles that were repeated: finds them among the settled holds, hands them to the
 * estimator, and takes what moved out of the readings, so that nothing else in the fit
 * mistakes drift or evaporation for something of its own. */
#include "results/fit_parts.h"

#include "results/trend.h"

#include <math.h>
#include <stdlib.h>

static double value_of(const void *context, double depth_mm)
{
    return curve_value(context, depth_mm);
}

static double slope_of(const void *context, double depth_mm)
{
    return curve_slope(context, depth_mm);
}

static double depth_of(const void *context, double reading)
{
    return curve_depth_extended(context, reading);
}

static struct night_curve curve_of(const struct fit_work *work)
{
    return (struct night_curve){
        .value = value_of, .slope = slope_of, .context = &work->night.curve};
}

static uint32_t family_of(const struct fit_work *work, size_t point)
{
    return plan_segments(work->plan)[work->points[point].segment].family;
}

/* In air, or within the depths of the curve. */
static bool serves(const struct fit_work *work, const struct static_point *point)
{
    double beyond = 0.05 * (work->high_mm - work->low_mm);
    return point->settled &&
           (point->depth_mm < 0 || (work->has_curve && point->depth_mm >= work->low_mm - beyond &&
                                    point->depth_mm <= work->high_mm + beyond));
}

/* The hold that marks the cycle: of those in air the one that comes most often, else of all
 * that come back the rarest, and the first of those. False: nothing comes back. */
static bool find_marker(const struct fit_work *work, const size_t instances[], uint32_t *marker,
                        bool *ends)
{
    bool air = false, found = false;
    size_t best = 0, first = 0, last = 0;
    for (size_t i = 0; i < work->point_count; i++) {
        size_t times = instances[family_of(work, i)];
        bool here = work->points[i].depth_mm < 0;
        if (!serves(work, &work->points[i]) || times < 2 || (air && !here))
            continue;
        if (!found || (here && !air) || (air ? times > best : times < best)) {
            best = times;
            *marker = family_of(work, i);
            air = here;
            found = true;
        }
    }
    for (size_t i = 0, seen = 0; found && i < work->point_count; i++)
        if (family_of(work, i) == *marker) {
            first = seen++ ? first : i;
            last = i;
        }
    /* More before its first than after its last: it stands at the end of the cycle. */
    *ends = found && first > work->point_count - 1 - last;
    return found;
}

/* number[i]: cycle of point i. Returns how many cycles there are, 0 for none. */
static size_t number_cycles(const struct fit_work *work, size_t number[], const size_t instances[])
{
    uint32_t marker = 0;
    bool ends;
    if (!find_marker(work, instances, &marker, &ends))
        return 0;
    size_t cycle = 0;
    for (size_t i = 0; i < work->point_count; i++) {
        bool here = family_of(work, i) == marker;
        if (here && !ends && i > 0)
            cycle++;
        number[i] = cycle;
        cycle += here && ends;
    }
    return work->point_count ? number[work->point_count - 1] + 1 : 0;
}

/* Mean temperature of each point's dwell, NaN where there is none; all of them NaN without
 * a channel for it. */
static int temperatures(const struct fit_work *work, double degc[], struct rig_err *err)
{
    size_t source = SIZE_MAX, channel = 0;
    for (size_t s = 0; s < work->rig->source_count && source == SIZE_MAX; s++)
        for (size_t c = 0; c < work->rig->sources[s].channel_count; c++)
            if (work->rig->sources[s].channels[c].role == ROLE_TEMPERATURE) {
                source = s;
                channel = c;
                break;
            }
    for (size_t i = 0; i < work->point_count; i++) {
        struct digest_point *points = NULL;
        size_t count = 0;
        double sum = 0, n = 0;
        degc[i] = NAN;
        if (source == SIZE_MAX)
            continue;
        int code = fit_segment_points(work, source, channel, work->points[i].segment, &points,
                                      &count, err);
        if (code)
            return code;
        for (size_t k = 0; k < count; k++) {
            sum += points[k].n * points[k].mean;
            n += points[k].n;
        }
        free(points);
        degc[i] = n > 0 ? sum / n : NAN;
    }
    return RIG_OK;
}

/* Temperature of each solved cycle and the noise of one: from dwell to dwell within a cycle,
 * and at least what the steps of the sensor make of it. */
static void cycle_temperatures(struct fit_night *of, const double degc[], const size_t number[],
                               size_t points, size_t stride)
{
    const struct night *night = &of->night;
    double squares = 0, freedom = 0, per_cycle = 0, smallest = INFINITY;
    size_t at = 0;
    of->has_degc = night->count > 0;
    for (size_t i = 1; i < points; i++)
        if (degc[i] != degc[i - 1] && isfinite(degc[i] - degc[i - 1]))
            smallest = fmin(smallest, fabs(degc[i] - degc[i - 1]));
    for (size_t c = 0; c < night->count; c++) {
        double sum = 0, square = 0, n = 0, origin = NAN;
        while (at < points && number[at] / stride < night->origin[c])
            at++;
        for (; at < points && number[at] / stride == night->origin[c]; at++) {
            if (isnan(degc[at]))
                continue;
            origin = isnan(origin) ? degc[at] : origin;
            sum += degc[at] - origin;
            square += (degc[at] - origin) * (degc[at] - origin);
            n++;
        }
        of->degc[c] = n > 0 ? origin + sum / n : NAN;
        of->has_degc &= n > 0;
        squares += n > 0 ? square - sum * sum / n : 0;
        freedom += n > 0 ? n - 1 : 0;
        per_cycle += n / (double)night->count;
    }
    double scatter = freedom > 0 ? squares / freedom / fmax(per_cycle, 1) : 0;
    double steps = isfinite(smallest) ? smallest * smallest / 12 : 0;
    of->degc_u = sqrt(fmax(scatter, steps));
}

static int drifts(struct fit_night *of, struct rig_err *err)
{
    const struct night *night = &of->night;
    double *t_h = calloc(night->count + 1, sizeof *t_h),
           *value = calloc(night->count + 1, sizeof *value),
           *u = calloc(night->count + 1, sizeof *u);
    int code = t_h && value && u ? RIG_OK : rig_fail_memory(err, "a night's trends");
    for (int kind = 0; !code && kind < 3; kind++) {
        for (size_t i = 0; i < night->count; i++) {
            const struct night_cycle *cycle = &night->cycles[i];
            t_h[i] = cycle->t_s / 3600;
            value[i] = kind == 0 ? cycle->zero : kind == 1 ? cycle->span : cycle->water_mm;
            u[i] = kind == 0 ? cycle->zero_u : kind == 1 ? cycle->span_u : cycle->water_u;
            u[i] = fmax(u[i], 1e-12); /* nothing moves by less than a reading's last digit */
        }
        struct drift_series series = {.n = night->count,
                                      .t_h = t_h,
                                      .value = value,
                                      .u = u,
                                      /* Evaporation has a rate, not a temperature's swing. */
                                      .temperature = of->has_degc && kind < 2 ? of->degc : NULL,
                                      .temperature_u = of->degc_u};
        code = drift_of(kind == 0 ? &of->zero : kind == 1 ? &of->span : &of->water, &series, err);
    }
    free(t_h);
    free(value);
    free(u);
    return code;
}

static bool moved(const struct drift *drift)
{
    return drift->slope.low > 0 || drift->slope.high < 0 || drift->explains;
}

/* Beyond its cycles a recording's drift is not known: brought back within them only, it would
 * be left with a jump where they end, which ramps at several speeds would take for lag. */
static bool cycles_cover(const struct fit_work *work)
{
    const struct night *night = &work->night.night;
    if (night->count < 3)
        return false;
    double whole_s = work->points[work->point_count - 1].host_s - work->points[0].host_s;
    return night->cycles[night->count - 1].t_s - night->cycles[0].t_s >= 0.8 * whole_s;
}

/* The state at the recording's start, when the datum was read off: a straight line through
 * the first quarter of the cycles. */
static void find_start(struct fit_night *of)
{
    const struct night *night = &of->night;
    size_t n = night->count / 4 > 3 ? night->count / 4 : night->count < 3 ? night->count : 3;
    double t = 0, tt = 0, sum[3] = {0}, product[3] = {0}, start[3] = {0};
    for (size_t i = 0; i < n; i++)
        t += night->cycles[i].t_s / (double)n;
    for (size_t i = 0; i < n; i++) {
        const struct night_cycle *c = &night->cycles[i];
        const double value[] = {c->zero, c->span, c->water_mm};
        tt += (c->t_s - t) * (c->t_s - t);
        for (int k = 0; k < 3; k++) {
            sum[k] += value[k] / (double)n;
            product[k] += (c->t_s - t) * value[k];
        }
    }
    for (int k = 0; k < 3; k++)
        start[k] = sum[k] - (tt > 0 ? product[k] / tt * t : 0);
    of->start = (struct night_state){start[0], start[1], start[2]};
}

static int solve(struct fit_work *work, const size_t number[], size_t cycles, size_t stride,
                 struct rig_err *err)
{
    struct night_reading *readings = calloc(work->point_count + 1, sizeof *readings);
    double rows = 0, squares = 0;
    size_t n = 0;
    if (!readings)
        return rig_fail_memory(err, "a night's readings");
    for (size_t i = 0; i < work->point_count; i++)
        if (work->points[i].settled && work->points[i].n > 2) {
            rows += work->points[i].n - 2;
            squares += (work->points[i].n - 2) * work->points[i].row_sd * work->points[i].row_sd;
        }
    double row_sd = rows > 0 ? sqrt(squares / rows) : 0;
    for (size_t i = 0; i < work->point_count; i++) {
        const struct static_point *point = &work->points[i];
        if (serves(work, point))
            readings[n++] = (struct night_reading){
                .cycle = number[i] / stride,
                .level = family_of(work, i),
                .t_s = point->host_s,
                .depth_mm = point->depth_mm,
                .in_air = point->depth_mm < 0,
                .reading = point->reading,
                .u = fmax(row_sd, 1e-9 * fmax(fabs(work->span), 1e-3)) / sqrt(point->n),
            };
    }
    struct night_curve curve = curve_of(work);
    int code = night_solve(&work->night.night, work->night.has_curve ? &curve : NULL, readings, n,
                           cycles / stride + 1, plan_family_count(work->plan), err);
    free(readings);
    return code;
}

int fit_night(struct fit_work *work, struct rig_err *err)
{
    struct fit_night *of = &work->night;
    of->has_curve = work->has_curve;
    of->curve = work->curve;
    size_t *number = calloc(work->point_count + 1, sizeof *number);
    size_t *instances = calloc(plan_family_count(work->plan) + 1, sizeof *instances);
    double *degc = calloc(work->point_count + 1, sizeof *degc);
    int code = number && instances && degc ? RIG_OK : rig_fail_memory(err, "a night's cycles");
    for (size_t i = 0; !code && i < work->point_count; i++)
        instances[family_of(work, i)] += serves(work, &work->points[i]);
    size_t cycles = code ? 0 : number_cycles(work, number, instances);
    size_t stride = 1 + cycles / TREND_LIMIT; /* longer nights: several cycles count as one */
    if (!code)
        code = solve(work, number, cycles, stride, err);
    if (!code) {
        of->degc = calloc(of->night.count + 1, sizeof *of->degc);
        code = of->degc ? temperatures(work, degc, err) : rig_fail_memory(err, "temperatures");
    }
    if (!code) {
        cycle_temperatures(of, degc, number, work->point_count, stride);
        code = drifts(of, err);
    }
    if (!code && cycles_cover(work) &&
        (moved(&of->zero) || moved(&of->span) || moved(&of->water))) {
        find_start(of);
        of->undo = true;
        for (size_t i = 0; i < work->point_count; i++)
            work->points[i].reading =
                fit_steady_reading(work, work->points[i].host_s, work->points[i].reading);
    }
    free(number);
    free(instances);
    free(degc);
    return code;
}

double fit_steady_reading(const struct fit_work *work, double host_s, double reading)
{
    const struct fit_night *of = &work->night;
    if (!of->undo || !isfinite(reading))
        return reading;
    struct night_state change = night_at(&of->night, host_s);
    change.zero -= of->start.zero;
    change.span -= of->start.span;
    change.water_mm -= of->start.water_mm;
    struct night_curve curve = curve_of(work);
    return night_undone(&of->night, change, of->has_curve ? &curve : NULL, depth_of, reading);
}
