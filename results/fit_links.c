/* SPDX-License-Identifier: GPL-3.0-or-later
 * The chain from the water to the actuator. At rest every link follows the one before by a static
 * map of its own; through the maps and the sensor's curve all links say a depth, and what one says
 * later than the one before it is its lag, pass by pass and step by step. */
#include "results/fit_links.h"

#include "results/loop.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

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
                                      .bandwidth_hz = ESTIMATE_UNKNOWN,
                                      .lag_s = NAN};
                for (int v = 0; v < STEP_VALUES; v++)
                    link->step[v] = ESTIMATE_UNKNOWN;
                link->work = *chain->work;
                link->work.sensor_source = s;
                link->work.sensor_channel = c;
                if (roles[r].role != ROLE_SENSOR)
                    link->work.rail_low = link->work.rail_high = NAN;
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
    int code = link_tell_update(chain, link, why.text, err);
    if (code)
        return code;
    if (index == 0)
        return chain->count > 1 ? prepare(link, NULL, err) : RIG_OK;
    struct link *before = &chain->links[index - 1];
    if ((code = prepare(link, before, err)))
        return code;
    if (!work->has_curve)
        snprintf(link->reason, sizeof link->reason, "there is no calibration curve of the sensor");
    else if (link->has_map && ((code = from_ramps(link, before, err)) ||
                               (code = link_from_steps(link, before, err)) ||
                               (code = link_from_sines(link, before, err))))
        return code;
    return link_tell(chain, link, before, err);
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
    if (!code)
        code = chain_tell_others(chain, err);
    if (!code && chain->count > 1)
        code = chain_tell(chain, err);
    if (!code)
        code = chain_figures(chain, err);
    for (size_t i = 0; i < chain->count; i++)
        free_link(&chain->links[i]);
    free(chain);
    return code;
}
