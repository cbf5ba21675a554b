/* SPDX-License-Identifier: GPL-3.0-or-later
 * Links of the chain as results and figures. */
#include "results/fit_links.h"
#include "results/fit_place.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static struct result *add(struct chain *chain, const struct link *link, const char *name,
                          const char *title, const char *unit, struct rig_err *err)
{
    char full[RESULT_NAME_SIZE];
    snprintf(full, sizeof full, "%s_%s", name, link->role);
    return result_add(&chain->work->fit->results, full, title, unit, err);
}

/* Two lines come late by two delays, of which the rig file bounds each: what one link is found to
 * lag behind the other is then wrong by their difference. */
static void contribute_delays(struct result *result, const struct link *link,
                              const struct link *before)
{
    const struct link *both[] = {before, link};
    if (link->work.sensor_source == before->work.sensor_source)
        return;
    for (size_t i = 0; i < 2; i++) {
        char name[RESULT_TEXT_SIZE];
        double middle_s, half_s;
        fit_delay(&both[i]->work, both[i]->work.sensor_source, &middle_s, &half_s);
        snprintf(name, sizeof name, "delay of the %s's line", both[i]->role);
        result_contribute_within(result, name, half_s);
    }
}

int link_tell_update(struct chain *chain, const struct link *link, const char *reason,
                     struct rig_err *err)
{
    char title[RESULT_TEXT_SIZE];
    snprintf(title, sizeof title, "Update interval of the %s", link->role);
    struct result *result = add(chain, link, "update_interval", title, "s", err);
    if (!result)
        return err->code;
    if (link->updates) {
        result_contribute(result, "scatter of its changes", 'A', link->update.interval_s.u,
                          link->update.interval_s.dof);
        result_combine(result, link->update.interval_s.value,
                       link->update.each_line ? "comb of its changes: renewed with each line"
                                              : "comb of its changes: slower than its lines");
    } else
        result_refuse(result, "%s", reason);
    snprintf(title, sizeof title, "Repeated values of the %s", link->role);
    if (!(result = add(chain, link, "repeat_share", title, "%", err)))
        return err->code;
    if (link->updates && isfinite(link->update.repeated_share))
        result_set(result, 100 * link->update.repeated_share, NAN, NAN,
                   "lines that only repeat the value before, while it changes");
    else
        result_refuse(result, "%s", *reason ? reason : "it does not change");
    return RIG_OK;
}

static bool is_told(const struct chain *chain, const struct rig_channel *channel)
{
    char name[RESULT_NAME_SIZE];
    snprintf(name, sizeof name, "update_interval_%s", channel->name);
    bool told = result_find(&chain->work->fit->results, name) != NULL;
    for (size_t i = 0; i < chain->count && !told; i++)
        told = chain->links[i].channel == channel;
    return told;
}

int chain_tell_others(struct chain *chain, struct rig_err *err)
{
    const struct fit_work *work = chain->work;
    for (size_t s = 0; s < work->rig->source_count; s++)
        for (size_t c = 0; c < work->rig->sources[s].channel_count; c++) {
            const struct rig_channel *channel = &work->rig->sources[s].channels[c];
            struct link link = {.role = channel->name, .channel = channel, .updates = true};
            if (is_told(chain, channel))
                continue;
            int code = update_interval_of(&link.update, work->changes[s][c],
                                          work->row_interval_s[s], NULL);
            if (code == RIG_EMEMORY)
                return rig_fail_memory(err, "a channel's changes");
            if (!code && (code = link_tell_update(chain, &link, "", err)))
                return code;
        }
    return RIG_OK;
}

/* before: whose line's delay counts too; NULL: one that leaves this result alone. */
static int put(struct chain *chain, const struct link *link, const struct link *before,
               const char *name, const char *title, const char *unit, struct estimate estimate,
               const char *method, struct rig_err *err)
{
    char full[RESULT_TEXT_SIZE];
    snprintf(full, sizeof full, "%s of the %s", title, link->role);
    struct result *result = add(chain, link, name, full, unit, err);
    if (!result)
        return err->code;
    if (isfinite(estimate.value) && isfinite(estimate.u)) {
        result_contribute(result, "replication by passes or steps", 'A', estimate.u, estimate.dof);
        if (before)
            contribute_delays(result, link, before);
        result_combine(result, estimate.value, method);
    } else
        result_refuse(result, "%s",
                      *link->reason ? link->reason
                                    : "it takes three steps with a hold after each, or more");
    return RIG_OK;
}

/* Of rising and falling water, whose errors may go together. */
static struct estimate both_ways(const struct link *link)
{
    if (isnan(link->rising_s.value) || isnan(link->falling_s.value))
        return link->step[0];
    return (struct estimate){(link->rising_s.value + link->falling_s.value) / 2,
                             (link->rising_s.u + link->falling_s.u) / 2,
                             fmin(link->rising_s.dof, link->falling_s.dof)};
}

/* Where it rests: when a gain is changed this may move, and is then no lag. */
static int tell_rest(struct chain *chain, const struct link *link, struct rig_err *err)
{
    const struct fit_work *work = &link->work;
    double middle = (work->low_mm + work->high_mm) / 2;
    char title[RESULT_TEXT_SIZE];
    snprintf(title, sizeof title, "Output of the %s at rest at %.4g mm", link->role, middle);
    struct result *result = add(chain, link, "link_rest", title, link->channel->unit, err);
    if (!result)
        return err->code;
    if (!link->has_map || !isfinite(middle)) {
        result_refuse(result, "%s", *link->reason ? link->reason : "there is no curve");
        return RIG_OK;
    }
    /* Back through the maps: from the sensor's reading at that depth to this link's. */
    double value = curve_value(&work->curve, middle), slope = curve_slope(&work->curve, middle);
    double sensor_u = curve_value_u(&work->curve, middle), sensor_slope = slope;
    for (size_t m = work->map_count; m-- > 0;) {
        value = curve_depth_extended(work->maps[m], value);
        double steep = curve_slope(work->maps[m], value);
        slope = steep != 0 ? slope / steep : (double)NAN;
    }
    double u = sensor_slope != 0 ? fabs(sensor_u / sensor_slope * slope) : (double)NAN;
    result_contribute(result, work->curve_from, 'A', u, work->curve.parameter_dof);
    result_contribute(result, "map of the link", 'A', curve_depth_u(&link->map, value, 0),
                      fmax(1, link->map.degrees_of_freedom));
    fit_contribute_place(work, result, slope);
    fit_contribute_datum(work, result, slope);
    result_combine(result, value, "static maps of the links and the sensor's curve");
    return RIG_OK;
}

static int tell_bandwidth(struct chain *chain, const struct link *link, struct rig_err *err)
{
    char title[RESULT_TEXT_SIZE];
    snprintf(title, sizeof title, "Bandwidth, -3 dB, of the %s", link->role);
    struct result *result = add(chain, link, "link_bandwidth", title, "Hz", err);
    if (!result)
        return err->code;
    if (!isfinite(link->bandwidth_hz.value) || !isfinite(link->bandwidth_hz.u)) {
        result_refuse(result, "%s",
                      *link->wave_reason ? link->wave_reason
                      : *link->reason    ? link->reason
                                         : "there is no static map of it");
        return RIG_OK;
    }
    result_contribute(result, "noise of the waves", 'A', link->bandwidth_hz.u,
                      link->bandwidth_hz.dof);
    result_contribute_within(result, "between the frequencies", fabs(link->bandwidth_drawn_hz));
    result_combine(result, link->bandwidth_hz.value,
                   "gain over that of the link before it, drawn between frequencies");
    return RIG_OK;
}

int link_tell(struct chain *chain, struct link *link, const struct link *before,
              struct rig_err *err)
{
    static const struct {
        const char *name, *title;
        bool on_clocks; /* both lines' delays are in it */
    } steps[STEP_VALUES] = {{"link_step_lag", "Mean lag after a step", true},
                            {"link_dead_time", "Dead time", true},
                            {"link_time_constant", "Time constant", false},
                            {"link_time_63", "Time to 63.2 %", true},
                            {"link_transition", "Transition duration, 10 to 90 %,", false}};
    char how[RESULT_TEXT_SIZE];
    struct estimate lag = both_ways(link);
    snprintf(how, sizeof how, "offset behind the %s on ramps, against speed", before->role);
    int code = put(chain, link, before, "link_lag_rising", "Lag with rising water", "s",
                   link->rising_s, how, err);
    if (!code)
        code = put(chain, link, before, "link_lag_falling", "Lag with falling water", "s",
                   link->falling_s, how, err);
    if (isnan(link->rising_s.value))
        snprintf(how, sizeof how, "model behind what the %s did after steps", before->role);
    else
        snprintf(how, sizeof how, "behind the %s, mean of rising and falling water", before->role);
    if (!code)
        code = put(chain, link, before, "link_lag", "Mean lag", "s", lag, how, err);
    link->lag_s = lag.value;
    *link->reason = 0;
    if (!code)
        code = tell_rest(chain, link, err);
    snprintf(how, sizeof how, "one time constant and a dead time behind what the %s did",
             before->role);
    snprintf(link->reason, sizeof link->reason, "%s", link->step_reason);
    for (int v = 0; !code && v < STEP_VALUES; v++)
        code = put(chain, link, steps[v].on_clocks ? before : NULL, steps[v].name, steps[v].title,
                   "s", link->step[v], how, err);
    if (!code)
        code = tell_bandwidth(chain, link, err);
    if (!code && isnan(link->rate_mm_s.value))
        snprintf(link->reason, sizeof link->reason,
                 "no limit was met; the fastest change was %.3g mm/s", link->fastest_mm_s);
    if (!code)
        code = put(chain, link, NULL, "link_rate_limit", "Rate limit", "mm/s", link->rate_mm_s,
                   "fastest change after steps, where the link before was faster", err);
    return code;
}

/* The sensor's own, against the water: from what the fit found. */
static void sensor_lag(struct chain *chain, struct link *sensor)
{
    static const char *const pairs[][2] = {{"lag_rising", "lag_falling"},
                                           {"step_lag_rising", "step_lag_falling"}};
    for (size_t i = 0; i < 2 && isnan(sensor->lag_s); i++) {
        const struct result *rising = result_find(&chain->work->fit->results, pairs[i][0]);
        const struct result *falling = result_find(&chain->work->fit->results, pairs[i][1]);
        if (rising && falling)
            sensor->lag_s = (rising->value + falling->value) / 2;
    }
}

static int tell_shares(struct chain *chain, struct rig_err *err)
{
    double whole_s = 0;
    size_t slowest = 0;
    for (size_t i = 0; i < chain->count; i++) {
        whole_s += chain->links[i].lag_s;
        if (chain->links[i].lag_s > chain->links[slowest].lag_s)
            slowest = i;
    }
    bool known = isfinite(whole_s) && whole_s > 0;
    for (size_t i = 0; i < chain->count; i++) {
        char title[RESULT_TEXT_SIZE];
        snprintf(title, sizeof title, "Share of the %s in the whole lag", chain->links[i].role);
        struct result *result = add(chain, &chain->links[i], "link_share", title, "%", err);
        if (!result)
            return err->code;
        if (known)
            result_set(result, 100 * chain->links[i].lag_s / whole_s, NAN, NAN,
                       "mean lag over the sum of all links");
        else
            result_refuse(result, "the lag of every link must be known");
    }
    struct result *result = result_add(&chain->work->fit->results, "slowest_link_share",
                                       "Slowest link of the chain", "%", err);
    if (!result)
        return err->code;
    if (!known) {
        result_refuse(result, "the lag of every link must be known");
        return RIG_OK;
    }
    const struct link *link = &chain->links[slowest];
    char method[RESULT_TEXT_SIZE], of_updates[96] = "";
    snprintf(result->title, sizeof result->title, "Slowest link: the %s", link->role);
    if (link->updates && !link->update.each_line)
        snprintf(of_updates, sizeof of_updates, ", of which %.3g s wait for its next update",
                 link->update.interval_s.value / 2);
    snprintf(method, sizeof method, "its mean lag of %.3g s is the largest of %zu, %.3g s in all%s",
             link->lag_s, chain->count, whole_s, of_updates);
    result_set(result, rint(1000 * link->lag_s / whole_s) / 10, NAN, NAN, method);
    snprintf(chain->work->fit->slow_link, FIT_LINK_SIZE, "%s", link->role);
    return RIG_OK;
}

/* ---- figures ---- */

static int chain_figure(struct chain *chain, struct rig_err *err)
{
    for (size_t i = 0; i < chain->count; i++)
        if (!(chain->links[i].lag_s > 0))
            return RIG_OK;
    struct figure *figure =
        figure_add(&chain->work->fit->figures, "chain", "The chain from the water to the actuator",
                   "mean lag behind the water, ms", "link", err);
    if (!figure)
        return err->code;
    snprintf(figure->sentence, sizeof figure->sentence,
             "What each link adds to the delay, one after the other: the longest bar is the link "
             "to work on.");
    double from_ms = 0;
    for (size_t i = 0; i < chain->count; i++) {
        const struct link *link = &chain->links[i];
        if (figure_row_add(figure, link->role, err))
            return err->code;
        struct figure_series *series =
            figure_series_add(figure, link->role, FIGURE_SPANS, 2, false, err);
        if (!series)
            return err->code;
        series->x[0] = from_ms;
        series->x[1] = from_ms += 1000 * link->lag_s;
        series->y[0] = series->y[1] = (double)i;
    }
    return RIG_OK;
}

/* How far apart the changes of each link lie, as shares of all. */
static int update_figure(struct chain *chain, const struct link *link, struct rig_err *err)
{
    enum { BARS = 60 };
    const struct update_changes *changes =
        link->work.changes[link->work.sensor_source][link->work.sensor_channel];
    double widest_s = 3.2 * link->update.interval_s.value, bars[BARS] = {0}, all = 0;
    for (size_t i = 1; i < changes->count; i++) {
        double gap = changes->t_s[i] - changes->t_s[i - 1];
        if (gap <= 0)
            continue;
        all++;
        if (gap < widest_s)
            bars[(size_t)(gap / widest_s * BARS)]++;
    }
    char id[FIGURE_TEXT_SIZE], title[FIGURE_TEXT_SIZE];
    snprintf(id, sizeof id, "update-%s", link->role);
    snprintf(title, sizeof title, "Changes of the %s", link->role);
    struct figure *figure = figure_add(&chain->work->fit->figures, id, title,
                                       "time since the change before, ms", "share, %", err);
    if (!figure)
        return err->code;
    snprintf(figure->sentence, sizeof figure->sentence,
             "How long the %s holds a value before the next one: %.4g ms, and multiples of it "
             "where an update brings the same value again.",
             link->role, 1000 * link->update.interval_s.value);
    struct figure_series *series =
        figure_series_add(figure, link->role, FIGURE_BARS, BARS, false, err);
    for (size_t b = 0; series && b < BARS; b++) {
        series->x[b] = 1000 * widest_s * ((double)b + 0.5) / BARS;
        series->y[b] = all > 0 ? 100 * bars[b] / all : 0;
    }
    return series ? RIG_OK : (int)err->code;
}

int chain_tell(struct chain *chain, struct rig_err *err)
{
    sensor_lag(chain, &chain->links[0]);
    return tell_shares(chain, err);
}

int chain_figures(struct chain *chain, struct rig_err *err)
{
    int code = chain->count > 1 ? chain_figure(chain, err) : RIG_OK;
    for (size_t i = 0; !code && i < chain->count; i++)
        if (chain->links[i].updates)
            code = update_figure(chain, &chain->links[i], err);
    return code;
}
