/* SPDX-License-Identifier: GPL-3.0-or-later
 * What a bench's truth means in the words of results.json. The formulas stand in sim.h. */
#include "rig/sim.h"

#include <jansson.h>
#include <math.h>
#include <stdio.h>

struct builder {
    json_t *object;
    bool failed;
};

static void put(struct builder *builder, const char *name, double value)
{
    if (isfinite(value) && json_object_set_new(builder->object, name, json_real(value)))
        builder->failed = true;
}

static double link_lag_s(const struct sim_link *link)
{
    return link->dead_time_s + link->time_constant_s + link->interval_s / 2;
}

static void put_link(struct builder *builder, const char *who, const struct sim_link *link)
{
    char name[64];
    const struct {
        const char *what;
        double value;
    } facts[] = {
        {"link_lag", link_lag_s(link)},
        {"own_dead_time", link->dead_time_s},
        {"own_time_constant", link->time_constant_s},
        {"update_interval", link->interval_s > 0 ? link->interval_s : NAN},
        {"own_rate_limit", link->rate_limit > 0 ? link->rate_limit : NAN},
    };
    for (size_t i = 0; link->present && i < sizeof facts / sizeof facts[0]; i++) {
        snprintf(name, sizeof name, "%s_%s", facts[i].what, who);
        put(builder, name, facts[i].value);
    }
}

char *sim_truth_json(const struct sim_truth *truth)
{
    struct builder builder = {.object = json_object()};
    if (!builder.object)
        return NULL;
    double rising = truth->lag_rising_s + truth->sensor_dead_time_s;
    double falling = truth->lag_falling_s + truth->sensor_dead_time_s;
    const struct {
        const char *name;
        double value;
    } facts[] = {
        {"lag_rising", rising},
        {"lag_falling", falling},
        {"cling_difference", falling - rising},
        {"lag_sum", falling + rising},
        {"hysteresis_at_rest", truth->hysteresis_mm},
        {"sensor_dead_time", truth->sensor_dead_time_s},
        {"update_interval_sensor", truth->line_interval_s},
        {"noise_sd", hypot(truth->noise_sd, truth->resolution / sqrt(12))},
        {"zero_drift", truth->zero_drift_per_h},
        {"span_drift", truth->span_drift_ppm_h},
        {"evaporation", truth->evaporation_mm_h},
        {"temperature_coefficient", truth->temperature_coefficient},
        {"span_temperature_coefficient", truth->span_temperature_ppm},
        {"zero_drift_left", truth->zero_drift_per_h},
        {"span_drift_left", truth->span_drift_ppm_h},
        {"start_delay", truth->start_delay_s},
        {"axis_clock_skew", truth->axis_skew_ppm},
        {"board_clock_skew", truth->clock_skew_ppm},
        {"line_delay_least", truth->line_delay_s},
        {"line_delay_mean", truth->line_delay_s + truth->line_delay_sd_s},
        {"backlash", truth->backlash_mm},
        {"datum", truth->datum_mm},
    };
    for (size_t i = 0; i < sizeof facts / sizeof facts[0]; i++)
        put(&builder, facts[i].name, facts[i].value);
    put_link(&builder, "controller", &truth->controller);
    put_link(&builder, "actuator", &truth->actuator);
    json_t *curve = json_array();
    for (size_t i = 0; i < sizeof truth->curve / sizeof truth->curve[0]; i++)
        if (json_array_append_new(curve, json_real(truth->curve[i])))
            builder.failed = true;
    if (json_object_set_new(builder.object, "curve", curve))
        builder.failed = true;
    char *text = builder.failed
                     ? NULL
                     : json_dumps(builder.object, JSON_INDENT(2) | JSON_REAL_PRECISION(12));
    json_decref(builder.object);
    return text;
}
