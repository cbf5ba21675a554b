/* SPDX-License-Identifier: GPL-3.0-or-later
 * What the live page is told once: who and what, and the plan in outline. */
#include "rig/live.h"

#include "rig/plan_outline.h"

#include <jansson.h>

#include <math.h>
#include <stdlib.h>
#include <string.h>

bool live_reading(const struct rig *rig, size_t *source, size_t *channel)
{
    for (size_t s = 0; s < rig->source_count; s++)
        for (size_t c = 0; c < rig->sources[s].channel_count; c++)
            if (rig->sources[s].channels[c].role == ROLE_SENSOR) {
                *source = s;
                *channel = c;
                return true;
            }
    return false;
}

/* Of a path: the folders are of the machine, not of the measurement. */
static const char *base_name(const char *path)
{
    const char *slash = strrchr(path, '/');
    return slash ? slash + 1 : path;
}

static json_t *rounded(double value)
{
    return json_real(rint(value * 100) / 100);
}

static json_t *outline_json(const struct plan *plan, struct rig_err *err)
{
    json_t *list = json_array();
    struct plan_column *columns = calloc(LIVE_COLUMNS, sizeof *columns);
    int code = list && columns
                   ? plan_outline(plan, 0, plan_duration_s(plan), LIVE_COLUMNS, columns, NULL, err)
                   : rig_fail_memory(err, "the plan's outline");
    for (size_t i = 0; !code && i < LIVE_COLUMNS; i++) {
        json_t *pair = columns[i].any ? json_pack("[o, o]", rounded(columns[i].low.value),
                                                  rounded(columns[i].high.value))
                                      : json_null();
        if (json_array_append_new(list, pair))
            code = rig_fail_memory(err, "the plan's outline");
    }
    free(columns);
    if (code) {
        json_decref(list);
        return NULL;
    }
    return list;
}

static double deepest(const struct plan *plan)
{
    double mm = 0;
    for (size_t i = 0; i < plan_segment_count(plan); i++)
        mm = fmax(
            mm, fmax((double)plan_segments(plan)[i].from_mm, (double)plan_segments(plan)[i].to_mm));
    return mm;
}

char *live_plan_json(const struct live_about *about, struct rig_err *err)
{
    const struct run_facts *facts = about->facts;
    size_t source, channel;
    bool reads = live_reading(about->rig, &source, &channel);
    const struct rig_channel *sensor =
        reads ? &about->rig->sources[source].channels[channel] : NULL;
    json_t *outline = outline_json(about->plan, err);
    if (!outline)
        return NULL;
    json_t *plan = json_pack(
        "{s:s, s:s, s:s, s:s, s:s, s:s, s:s, s:s, s:s, s:f, s:o, s:o, s:s, s:s, s:b, s:f, s:o}",
        "title", plan_title(about->plan), "board", facts->board, "revision", facts->revision,
        "coating", facts->coating, "note", facts->note, "profile", base_name(facts->profile_name),
        "rig", base_name(facts->rig_name), "recording", base_name(about->folder), "started",
        facts->started, "duration_s", plan_duration_s(about->plan), "park_mm",
        rounded(about->rig->axis.park_mm), "deepest_mm", rounded(deepest(about->plan)),
        "reading_name", sensor ? sensor->name : "", "reading_unit", sensor ? sensor->unit : "",
        "can_stop", about->can_stop, "bytes_planned", about->bytes_planned, "outline", outline);
    char *text = plan ? json_dumps(plan, JSON_COMPACT | JSON_REAL_PRECISION(10)) : NULL;
    json_decref(plan);
    if (!text)
        rig_fail(err, RIG_EINPUT, "the run's names are no text in UTF-8, or memory is out");
    return text;
}
