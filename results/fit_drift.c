/* SPDX-License-Identifier: GPL-3.0-or-later
 * What moved from cycle to cycle, as results and figures: zero, span and water, and what
 * temperature had to do with it. */
#include "results/fit_parts.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

static const char *unit_of(const struct fit_work *work)
{
    return work->rig->sources[work->sensor_source].channels[work->sensor_channel].unit;
}

/* A level that falls by one lets immersion shrink by this, since the board's own section
 * sinks with it (docs/methods.md, Displacement). */
static double immersion_per_level(const struct fit_work *work)
{
    const struct rig *rig = work->rig;
    double tank = rig->water.tank_area_mm2, board = rig->water.board_area_mm2;
    return tank > board && board > 0 ? tank / (tank - board) : 1;
}

static void set(struct result *result, struct serial_value value, double factor, const char *method)
{
    double ends[] = {factor * value.low, factor * value.high};
    result_set(result, factor * value.value, fabs(factor) * value.u, INFINITY, method);
    if (!isfinite(result->value))
        return;
    result->low_95 = fmin(ends[0], ends[1]); /* the interval need not be even */
    result->high_95 = fmax(ends[0], ends[1]);
}

/* One of the three, and what temperature explains of it. */
struct kind {
    const struct drift *drift;
    bool told;
    const char *reason;
    double factor; /* from what was estimated to what is reported */
    const char *name, *title, *unit;
    const char *left_name, *left_title;
    const char *by_name, *by_title, *by_unit; /* NULL: temperature doesn't enter */
};

static int add_kind(struct fit_work *work, const struct kind *kind, struct rig_err *err)
{
    const struct drift *drift = kind->drift;
    struct result *result =
        result_add(&work->fit->results, kind->name, kind->title, kind->unit, err);
    if (!result)
        return err->code;
    bool known = kind->told && isfinite(drift->slope.value);
    if (known)
        set(result, drift->slope, kind->factor, drift->method);
    else
        result_refuse(result, "%s", kind->told ? drift->reason : kind->reason);
    if (!kind->by_name)
        return RIG_OK;
    bool warmed = known && isfinite(drift->coefficient.value);
    const char *why = known ? drift->temperature_reason : result->reason;
    char reason[RESULT_TEXT_SIZE];
    snprintf(reason, sizeof reason, "%s", why); /* the list may move */
    if (!(result =
              result_add(&work->fit->results, kind->by_name, kind->by_title, kind->by_unit, err)))
        return err->code;
    if (warmed)
        set(result, drift->coefficient, kind->factor,
            "line in time and temperature over the cycles, serial correlation allowed for");
    else
        result_refuse(result, "%s", reason);
    if (!(result =
              result_add(&work->fit->results, kind->left_name, kind->left_title, kind->unit, err)))
        return err->code;
    if (warmed)
        set(result, drift->left, kind->factor,
            drift->explains ? "what temperature leaves: the line's slope in time"
                            : "the line's slope in time; temperature explains nothing for sure");
    else
        result_refuse(result, "%s", reason);
    return RIG_OK;
}

static void lay_series(struct figure_series *series, const struct fit_work *work, int kind,
                       double slope, double range_mm)
{
    const struct night *night = &work->night.night;
    const double reach = 1.959964;
    for (size_t i = 0; i < night->count; i++) {
        const struct night_cycle *c = &night->cycles[i];
        double value = kind == 0 ? c->zero / slope : kind == 1 ? c->span * range_mm : c->water_mm;
        double u = kind == 0   ? c->zero_u / fabs(slope)
                   : kind == 1 ? c->span_u * range_mm
                               : c->water_u;
        series->x[i] = c->t_s / 3600;
        series->y[i] = value;
        series->low[i] = value - reach * u;
        series->high[i] = value + reach * u;
    }
}

static int night_figures(struct fit_work *work, struct rig_err *err)
{
    static const char *const names[] = {"zero, as depth", "span, at full depth", "water"};
    const struct fit_night *of = &work->night;
    const bool told[] = {of->night.zero_told, of->night.span_told, of->night.water_told};
    struct figure_series *series;
    if (of->night.count < 3 || !work->has_curve || !(told[0] || told[1] || told[2]))
        return RIG_OK;
    struct figure *figure =
        figure_add(&work->fit->figures, "night", "What moved from cycle to cycle", "time, h",
                   "change, mm of depth", err);
    if (!figure)
        return err->code;
    snprintf(
        figure->sentence, sizeof figure->sentence,
        "Zero, span and water, cycle by cycle, against their means and as the depths that they "
        "look like: a falling line of the water is evaporation.");
    double slope = curve_slope(&work->curve, (work->low_mm + work->high_mm) / 2);
    double range_mm = (curve_value(&work->curve, work->high_mm) - of->night.air) / slope;
    for (int kind = 0; kind < 3; kind++) {
        if (!told[kind])
            continue;
        series = figure_series_add(figure, names[kind], FIGURE_POINTS, of->night.count, true, err);
        if (!series)
            return err->code;
        lay_series(series, work, kind, slope, range_mm);
    }
    if (!of->has_degc)
        return RIG_OK;
    if (!(figure =
              figure_add(&work->fit->figures, "night-temperature",
                         "Temperature from cycle to cycle", "time, h", "temperature, degC", err)))
        return err->code;
    snprintf(figure->sentence, sizeof figure->sentence,
             "Mean temperature of each cycle: what the zero or the span does along with it may be "
             "its doing.");
    series = figure_series_add(figure, "temperature", FIGURE_LINE, of->night.count, false, err);
    if (!series)
        return err->code;
    for (size_t i = 0; i < of->night.count; i++) {
        series->x[i] = of->night.cycles[i].t_s / 3600;
        series->y[i] = of->degc[i];
    }
    return RIG_OK;
}

int fit_drift(struct fit_work *work, struct rig_err *err)
{
    const struct fit_night *of = &work->night;
    const struct night *night = &of->night;
    char per_h[24], per_degc[24];
    snprintf(per_h, sizeof per_h, "%.16s/h", unit_of(work));
    snprintf(per_degc, sizeof per_degc, "%.16s/degC", unit_of(work));
    const struct kind kinds[] = {
        {.drift = &of->zero,
         .told = night->zero_told,
         .reason = night->zero_reason,
         .factor = 1,
         .name = "zero_drift",
         .title = "Drift of the zero",
         .unit = per_h,
         .left_name = "zero_drift_left",
         .left_title = "Drift of the zero at steady temperature",
         .by_name = "temperature_coefficient",
         .by_title = "Temperature coefficient of the zero",
         .by_unit = per_degc},
        {.drift = &of->span,
         .told = night->span_told,
         .reason = night->span_reason,
         .factor = 1e6,
         .name = "span_drift",
         .title = "Drift of the span",
         .unit = "ppm/h",
         .left_name = "span_drift_left",
         .left_title = "Drift of the span at steady temperature",
         .by_name = "span_temperature_coefficient",
         .by_title = "Temperature coefficient of the span",
         .by_unit = "ppm/degC"},
        {.drift = &of->water,
         .told = night->water_told,
         .reason = night->water_reason,
         .factor = -1 / immersion_per_level(work),
         .name = "evaporation",
         .title = "Fall of the water level",
         .unit = "mm/h"},
    };
    for (size_t i = 0; i < sizeof kinds / sizeof *kinds; i++)
        if (add_kind(work, &kinds[i], err))
            return err->code;
    return night_figures(work, err);
}
