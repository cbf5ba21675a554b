/* SPDX-License-Identifier: GPL-3.0-or-later
 * The chain from the water to the actuator. At rest every link follows the one before by a static
 * map of its own; through the maps and the sensor's curve all links say a depth, and what one says
 * later than the one before it is its lag, pass by pass and step by step. */
#include "results/fit_parts.h"

#include "results/links.h"
#include "results/loop.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { LINKS = 3, STEP_VALUES = 4, FEWEST_STEPS = 3, MOST_STEPS = 24 };

struct link {
    const char *role; /* "controller" */
    const struct rig_channel *channel;
    struct fit_work work; /* as if this were the sensor; shares digests, timeline and curve */
    bool own;             /* points and passes of the work are its own */
    struct curve map;     /* its readings to those of the link before, at rest */
    bool has_map;
    bool updates;
    struct update_interval update;
    /* Behind the link before, from ramps; value NaN: not known. */
    struct estimate rising_s, falling_s;
    /* The same from steps: mean lag, dead time, time constant, time to 63.2 %. */
    struct estimate step[STEP_VALUES];
    struct estimate rate_mm_s; /* of a limit; value NaN: none was met */
    double fastest_mm_s;       /* change that it was seen to make */
    size_t passes;
    double lag_s; /* mean of both ways; NaN: not known */
    char reason[RESULT_TEXT_SIZE];
};

struct chain {
    struct link links[LINKS];
    size_t count;
    struct fit_work *work;
};

static struct result *add(struct chain *chain, const struct link *link, const char *name,
                          const char *title, const char *unit, struct rig_err *err)
{
    char full[RESULT_NAME_SIZE];
    snprintf(full, sizeof full, "%s_%s", name, link->role);
    return result_add(&chain->work->fit->results, full, title, unit, err);
}

/* ---- gathering ---- */

static void find_links(struct chain *chain, const struct rig *rig)
{
    static const struct {
        enum channel_role role;
        const char *name;
    } roles[LINKS] = {
        {ROLE_SENSOR, "sensor"}, {ROLE_CONTROLLER, "controller"}, {ROLE_ACTUATOR, "actuator"}};
    for (size_t r = 0; r < LINKS; r++)
        for (size_t s = 0, found = 0; s < rig->source_count && !found; s++)
            for (size_t c = 0; c < rig->sources[s].channel_count && !found; c++) {
                if (rig->sources[s].channels[c].role != roles[r].role)
                    continue;
                struct link *link = &chain->links[chain->count++];
                *link = (struct link){.role = roles[r].name,
                                      .channel = &rig->sources[s].channels[c],
                                      .rising_s = ESTIMATE_UNKNOWN,
                                      .falling_s = ESTIMATE_UNKNOWN,
                                      .rate_mm_s = ESTIMATE_UNKNOWN,
                                      .lag_s = NAN};
                for (int v = 0; v < STEP_VALUES; v++)
                    link->step[v] = ESTIMATE_UNKNOWN;
                link->work = *chain->work;
                link->work.sensor_source = s;
                link->work.sensor_channel = c;
                found = 1;
            }
}

static const struct static_point *same_dwell(const struct fit_work *work, size_t segment)
{
    for (size_t i = 0; i < work->point_count; i++)
        if (work->points[i].segment == segment)
            return &work->points[i];
    return NULL;
}

/* The static map from the dwells in which both have settled. */
static int fit_map(struct link *link, const struct link *before, struct rig_err *err)
{
    const struct fit_work *own = &link->work;
    double *from = calloc(2 * own->point_count + 1, sizeof *from), *to = from + own->point_count;
    size_t n = 0;
    if (from == NULL)
        return rig_fail_memory(err, "a link's dwells");
    for (size_t i = 0; i < own->point_count; i++) {
        const struct static_point *dwell = &own->points[i];
        const struct static_point *other = same_dwell(&before->work, dwell->segment);
        if (!other || !dwell->settled || !other->settled || dwell->depth_mm < own->low_mm ||
            dwell->depth_mm > own->high_mm)
            continue;
        from[n] = dwell->reading;
        to[n++] = other->reading;
    }
    /* A straight line unless a bend is plain: links add scales, seldom curves. */
    const struct curve_points points = {.n = n, .depth = from, .reading = to};
    const struct curve_options straight = {.kind = CURVE_POLYNOMIAL, .degree = 1};
    const struct curve_options chosen = {.kind = CURVE_POLYNOMIAL};
    struct curve bent;
    struct rig_err why = {0};
    link->has_map = curve_fit(&link->map, &points, &straight, &why) == RIG_OK;
    if (link->has_map && n >= 8 && curve_fit(&bent, &points, &chosen, &why) == RIG_OK &&
        bent.residual_sd < 0.7 * link->map.residual_sd)
        link->map = bent;
    if (!link->has_map)
        snprintf(link->reason, sizeof link->reason,
                 "no static map of the %s: it takes three depths or more at which it and the %s "
                 "come to rest",
                 link->role, before->role);
    free(from);
    return RIG_OK;
}

/* Dwells, map and passes of a link; of the sensor its own, as they were read. */
static int prepare(struct link *link, const struct link *before, struct rig_err *err)
{
    struct fit_work *work = &link->work;
    link->own = true;
    work->points = NULL;
    work->point_count = 0;
    work->passes = NULL;
    work->pass_count = 0;
    work->night.undo = false; /* both links as they were read */
    int code = fit_dwells(work, err);
    if (!code && before && before->work.map_count && !before->has_map)
        snprintf(link->reason, sizeof link->reason, "there is no static map of the %s before it",
                 before->role);
    else if (!code && before)
        code = fit_map(link, before, err);
    if (!code && before) {
        work->maps[0] = &link->map;
        for (size_t m = 0; m < before->work.map_count; m++)
            work->maps[m + 1] = before->work.maps[m];
        work->map_count = before->work.map_count + 1;
    }
    if (!code && (!before || link->has_map))
        code = fit_ramp_passes(work, err);
    return code;
}

static void free_link(struct link *link)
{
    if (link->own) {
        free(link->work.points);
        free(link->work.passes);
    }
}

/* ---- ramps ---- */

static const struct ramp_pass *same_segment(const struct fit_work *work, size_t segment)
{
    for (size_t i = 0; i < work->pass_count; i++)
        if (work->passes[i].segment == segment)
            return &work->passes[i];
    return NULL;
}

/* What the passes of both differ by, as offsets of the link behind the one before: where the
 * map is off is in the loop's centre, and not in the lag. */
static int from_ramps(struct link *link, const struct link *before, struct rig_err *err)
{
    const struct fit_work *own = &link->work;
    struct loop_offset *offsets = calloc(own->pass_count + 1, sizeof *offsets);
    struct loop_directions loop;
    struct rig_err why = {0};
    if (!offsets)
        return rig_fail_memory(err, "a link's passes");
    for (size_t i = 0; i < own->pass_count; i++) {
        const struct ramp_pass *pass = &own->passes[i];
        const struct ramp_pass *other = same_segment(&before->work, pass->segment);
        if (other)
            offsets[link->passes++] = (struct loop_offset){
                .speed_mm_s = pass->speed_mm_s,
                .direction = pass->direction,
                .at_s = pass->host_s,
                .offset_mm = -pass->direction * (pass->late_mm - other->late_mm)};
    }
    if (loop_by_direction(&loop, offsets, link->passes, 0, &why) == RIG_OK) {
        link->rising_s = loop.lag_rising_s;
        link->falling_s = loop.lag_falling_s;
    } else
        snprintf(link->reason, sizeof link->reason, "%.*s", RESULT_TEXT_SIZE - 1, why.text);
    free(offsets);
    return RIG_OK;
}

/* ---- steps ---- */

struct side {
    struct sample *samples; /* from the plan's segment start */
    size_t count;
};

static int add_segment(const struct fit_work *work, size_t index, double origin_s, double from_s,
                       struct side *side, struct rig_err *err)
{
    struct digest_point *points;
    size_t count;
    int code = fit_segment_points(work, work->sensor_source, work->sensor_channel, index, &points,
                                  &count, err);
    if (code)
        return code;
    struct sample *larger =
        realloc(side->samples, (side->count + count + 1) * sizeof *side->samples);
    if (!larger) {
        free(points);
        return rig_fail_memory(err, "a link's step");
    }
    side->samples = larger;
    double start_s = plan_segments(work->plan)[index].start_s - origin_s;
    for (size_t i = 0; i < count; i++) {
        double depth = fit_inferred_depth(work, points[i].mean), t_s = start_s + points[i].t_s;
        bool later = !side->count || t_s > side->samples[side->count - 1].t_s;
        if (isfinite(depth) && t_s >= from_s && later)
            side->samples[side->count++] =
                sample_of_bin(t_s, points[i].width_s, depth, points[i].n);
    }
    free(points);
    return RIG_OK;
}

static bool holds(const struct fit_work *work, size_t index)
{
    return index < plan_segment_count(work->plan) &&
           plan_segments(work->plan)[index].kind == SEGMENT_HOLD;
}

/* The end of the hold before a step, the step, and the hold after it. */
static int around(const struct fit_work *work, size_t index, struct side *side, struct rig_err *err)
{
    const struct plan_segment *segments = plan_segments(work->plan);
    double origin_s = segments[index].start_s;
    int code = RIG_OK;
    side->count = 0;
    if (index > 0 && holds(work, index - 1))
        code = add_segment(work, index - 1, origin_s,
                           -fmin(0.4 * segments[index - 1].duration_s, 2), side, err);
    if (!code)
        code = add_segment(work, index, origin_s, -INFINITY, side, err);
    if (!code)
        code = add_segment(work, index + 1, origin_s, -INFINITY, side, err);
    return code;
}

struct tally {
    double sum, squares;
    size_t n;
};

static void take(struct tally *tally, double value)
{
    if (!isfinite(value))
        return;
    tally->sum += value;
    tally->squares += value * value;
    tally->n++;
}

static struct estimate mean_of(const struct tally *tally)
{
    double n = (double)tally->n, mean = n > 0 ? tally->sum / n : (double)NAN;
    if (tally->n < FEWEST_STEPS)
        return ESTIMATE_UNKNOWN;
    return (struct estimate){mean, sqrt(fmax(0, tally->squares - n * mean * mean) / (n - 1) / n),
                             n - 1};
}

static int from_steps(struct link *link, const struct link *before, struct rig_err *err)
{
    const struct fit_work *work = &link->work;
    struct side ahead = {0}, behind = {0};
    struct tally tally[STEP_VALUES] = {0}, rate = {0};
    size_t limited = 0, steps = 0;
    size_t all = 0, met = 0, every;
    for (size_t i = 0; i < plan_segment_count(work->plan); i++)
        all += plan_segments(work->plan)[i].kind == SEGMENT_STEP;
    every = all / MOST_STEPS + 1; /* of a night's, some spread evenly; an odd number both ways */
    every += every > 1 && every % 2 == 0;
    double interval_s = link->updates ? link->update.interval_s.value : 0;
    double window_s = fmax(2.2 * interval_s, 5 * work->row_interval_s[work->sensor_source]);
    int code = RIG_OK;
    for (size_t i = 0; !code && i < plan_segment_count(work->plan); i++) {
        struct step_fit fit;
        struct rig_err why = {0};
        double start_s, end_s;
        if (plan_segments(work->plan)[i].kind != SEGMENT_STEP || !holds(work, i + 1) ||
            !digest_window(work->digests[work->sensor_source], i, &start_s, &end_s) ||
            met++ % every)
            continue;
        if ((code = around(&before->work, i, &ahead, err)) ||
            (code = around(work, i, &behind, err)))
            break;
        struct link_rate seen =
            link_rate_of(ahead.samples, ahead.count, behind.samples, behind.count, window_s);
        steps++;
        link->fastest_mm_s = fmax(link->fastest_mm_s, seen.most_mm_s);
        limited += seen.share > 0.5 && seen.most_mm_s < 0.85 * seen.input_mm_s;
        take(&rate, seen.most_mm_s);
        int known = link_step(&fit, ahead.samples, ahead.count, behind.samples, behind.count, &why);
        if (known == RIG_EMEMORY)
            code = rig_fail_memory(err, "a link's step");
        if (known)
            continue;
        take(&tally[0], fit.mean_lag_s.value);
        take(&tally[1], fit.resolved ? fit.dead_s.value : (double)NAN);
        take(&tally[2], fit.resolved ? fit.tau_s.value : (double)NAN);
        take(&tally[3], fit.resolved ? fit.time_63_s.value : (double)NAN);
    }
    free(ahead.samples);
    free(behind.samples);
    for (int v = 0; v < STEP_VALUES; v++)
        link->step[v] = mean_of(&tally[v]);
    if (steps >= FEWEST_STEPS && 2 * limited > steps)
        link->rate_mm_s = mean_of(&rate);
    return code;
}

/* ---- results ---- */

static int tell_update(struct chain *chain, const struct link *link, const char *reason,
                       struct rig_err *err)
{
    char title[RESULT_TEXT_SIZE];
    snprintf(title, sizeof title, "Update interval of the %s", link->role);
    struct result *result = add(chain, link, "update_interval", title, "s", err);
    if (!result)
        return err->code;
    if (link->updates)
        result_set(result, link->update.interval_s.value, link->update.interval_s.u,
                   link->update.interval_s.dof,
                   link->update.each_line ? "comb of its changes: renewed with each line"
                                          : "comb of its changes: slower than its lines");
    else
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

static int put(struct chain *chain, const struct link *link, const char *name, const char *title,
               const char *unit, struct estimate estimate, const char *method, struct rig_err *err)
{
    char full[RESULT_TEXT_SIZE];
    snprintf(full, sizeof full, "%s of the %s", title, link->role);
    struct result *result = add(chain, link, name, full, unit, err);
    if (!result)
        return err->code;
    if (isfinite(estimate.value) && isfinite(estimate.u))
        result_set(result, estimate.value, estimate.u, estimate.dof, method);
    else
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
    fit_contribute_datum(result, slope);
    result_combine(result, value, "static maps of the links and the sensor's curve");
    return RIG_OK;
}

static int tell_link(struct chain *chain, struct link *link, const struct link *before,
                     struct rig_err *err)
{
    static const char *const steps[STEP_VALUES] = {"link_step_lag", "link_dead_time",
                                                   "link_time_constant", "link_time_63"};
    static const char *const titles[STEP_VALUES] = {"Mean lag after a step", "Dead time",
                                                    "Time constant", "Time to 63.2 %"};
    char how[RESULT_TEXT_SIZE];
    struct estimate lag = both_ways(link);
    snprintf(how, sizeof how, "offset behind the %s on ramps, against speed", before->role);
    int code =
        put(chain, link, "link_lag_rising", "Lag with rising water", "s", link->rising_s, how, err);
    if (!code)
        code = put(chain, link, "link_lag_falling", "Lag with falling water", "s", link->falling_s,
                   how, err);
    if (isnan(link->rising_s.value))
        snprintf(how, sizeof how, "model behind what the %s did after steps", before->role);
    else
        snprintf(how, sizeof how, "behind the %s, mean of rising and falling water", before->role);
    if (!code)
        code = put(chain, link, "link_lag", "Mean lag", "s", lag, how, err);
    link->lag_s = lag.value;
    *link->reason = 0;
    if (!code)
        code = tell_rest(chain, link, err);
    snprintf(how, sizeof how, "one time constant and a dead time behind what the %s did",
             before->role);
    for (int v = 0; !code && v < STEP_VALUES; v++)
        code = put(chain, link, steps[v], titles[v], "s", link->step[v], how, err);
    if (!code && isnan(link->rate_mm_s.value))
        snprintf(link->reason, sizeof link->reason,
                 "no limit was met; the fastest change was %.3g mm/s", link->fastest_mm_s);
    if (!code)
        code = put(chain, link, "link_rate_limit", "Rate limit", "mm/s", link->rate_mm_s,
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

/* ---- all ---- */

static int one_link(struct chain *chain, size_t index, struct rig_err *err)
{
    struct link *link = &chain->links[index];
    const struct fit_work *work = &link->work;
    struct rig_err why = {0};
    int known =
        update_interval_of(&link->update, work->changes[work->sensor_source][work->sensor_channel],
                           work->row_interval_s[work->sensor_source], &why);
    if (known == RIG_EMEMORY)
        return rig_fail_memory(err, "a channel's changes");
    link->updates = known == RIG_OK;
    int code = tell_update(chain, link, why.text, err);
    if (code)
        return code;
    if (index == 0)
        return chain->count > 1 ? prepare(link, NULL, err) : RIG_OK;
    struct link *before = &chain->links[index - 1];
    if ((code = prepare(link, before, err)))
        return code;
    if (!work->has_curve)
        snprintf(link->reason, sizeof link->reason, "there is no calibration curve of the sensor");
    else if (link->has_map &&
             ((code = from_ramps(link, before, err)) || (code = from_steps(link, before, err))))
        return code;
    return tell_link(chain, link, before, err);
}

int fit_links(struct fit_work *work, struct rig_err *err)
{
    struct chain *chain = calloc(1, sizeof *chain);
    if (!chain)
        return rig_fail_memory(err, "the chain of links");
    chain->work = work;
    find_links(chain, work->rig);
    int code = RIG_OK;
    for (size_t i = 0; !code && i < chain->count; i++)
        code = one_link(chain, i, err);
    if (!code && chain->count > 1) {
        sensor_lag(chain, &chain->links[0]);
        code = tell_shares(chain, err);
        if (!code)
            code = chain_figure(chain, err);
    }
    for (size_t i = 0; !code && i < chain->count; i++)
        if (chain->links[i].updates)
            code = update_figure(chain, &chain->links[i], err);
    for (size_t i = 0; i < chain->count; i++)
        free_link(&chain->links[i]);
    free(chain);
    return code;
}
