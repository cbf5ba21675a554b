/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "rig/live.h"

#include <jansson.h>

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { LINE = 240 };
static const double SAMPLE_S = 0.0999, RATE_S = 2;

struct live_trace {
    struct {
        double t_s, value;
    } samples[LIVE_SAMPLES];
    uint64_t count; /* ever; the last LIVE_SAMPLES are kept */
};

struct live_column {
    double depth_low, depth_high, reading_low, reading_high; /* NaN: nothing seen */
};

struct live_line {
    double t_s;
    char kind[24], text[LINE];
};

struct live {
    const struct plan *plan;
    struct live_now now;
    struct live_trace depth, reading;
    struct live_column columns[LIVE_COLUMNS];
    double column_s;
    struct live_line events[LIVE_EVENTS];
    uint64_t event_count;
    /* Rate of rows: by the host's clock over RATE_S. */
    int64_t rate_ns;
    uint64_t rate_rows;
    double rate;
};

static const struct live_column empty = {NAN, NAN, NAN, NAN};

struct live *live_open(const struct plan *plan, double first_span_s, struct rig_err *err)
{
    struct live *live = calloc(1, sizeof *live);
    if (!live) {
        rig_fail_memory(err, "the live page");
        return NULL;
    }
    live->plan = plan;
    live->now = (struct live_now){
        .t_s = 0,
        .plan_s = NAN,
        .left_s = NAN,
        .segment = SIZE_MAX,
        .depth_mm = NAN,
        .reading = NAN,
        .rows = UINT64_MAX,
        .malformed = UINT64_MAX,
        .lost = UINT64_MAX,
        .resends = UINT64_MAX,
        .disk_free_bytes = NAN,
    };
    live->rate = NAN;
    live->rate_rows = UINT64_MAX;
    live->column_s = fmax(first_span_s, 1) / LIVE_COLUMNS;
    for (size_t i = 0; i < LIVE_COLUMNS; i++)
        live->columns[i] = empty;
    return live;
}

void live_free(struct live *live)
{
    free(live);
}

static double least(double a, double b)
{
    return isnan(a) || b < a ? b : a;
}

static double most(double a, double b)
{
    return isnan(a) || b > a ? b : a;
}

/* Two columns become one: the run is longer than was thought. */
static void fold(struct live *live)
{
    for (size_t i = 0; i < LIVE_COLUMNS / 2; i++) {
        const struct live_column a = live->columns[2 * i], b = live->columns[2 * i + 1];
        live->columns[i] = (struct live_column){
            least(a.depth_low, b.depth_low), most(a.depth_high, b.depth_high),
            least(a.reading_low, b.reading_low), most(a.reading_high, b.reading_high)};
    }
    for (size_t i = LIVE_COLUMNS / 2; i < LIVE_COLUMNS; i++)
        live->columns[i] = empty;
    live->column_s *= 2;
}

static void keep(struct live_trace *trace, double t_s, double value)
{
    if (!isfinite(value) ||
        (trace->count && t_s - trace->samples[(trace->count - 1) % LIVE_SAMPLES].t_s < SAMPLE_S))
        return;
    trace->samples[trace->count % LIVE_SAMPLES].t_s = t_s;
    trace->samples[trace->count++ % LIVE_SAMPLES].value = value;
}

void live_sample(struct live *live, double t_s, double depth_mm, double reading)
{
    if (!(t_s >= 0) || t_s > 1e9)
        return;
    while (t_s >= live->column_s * LIVE_COLUMNS)
        fold(live);
    struct live_column *column = &live->columns[(size_t)(t_s / live->column_s)];
    if (isfinite(depth_mm)) {
        column->depth_low = least(column->depth_low, depth_mm);
        column->depth_high = most(column->depth_high, depth_mm);
    }
    if (isfinite(reading)) {
        column->reading_low = least(column->reading_low, reading);
        column->reading_high = most(column->reading_high, reading);
    }
    keep(&live->depth, t_s, depth_mm);
    keep(&live->reading, t_s, reading);
}

static void count_rate(struct live *live, int64_t now_ns)
{
    uint64_t rows = live->now.rows;
    double passed_s = (double)(now_ns - live->rate_ns) * 1e-9;
    if (rows == UINT64_MAX || (live->rate_rows != UINT64_MAX && passed_s < RATE_S))
        return;
    if (live->rate_rows != UINT64_MAX && rows >= live->rate_rows)
        live->rate = (double)(rows - live->rate_rows) / passed_s;
    live->rate_rows = rows;
    live->rate_ns = now_ns;
}

void live_take(struct live *live, const struct live_now *now, int64_t now_ns)
{
    live->now = *now;
    count_rate(live, now_ns);
}

void live_event(struct live *live, double t_s, const char *kind, const char *text)
{
    struct live_line *line = &live->events[live->event_count++ % LIVE_EVENTS];
    line->t_s = t_s;
    snprintf(line->kind, sizeof line->kind, "%s", kind);
    snprintf(line->text, sizeof line->text, "%s", text);
    if (strcmp(kind, "phase") == 0 && !*live->now.phase)
        snprintf(live->now.phase, sizeof live->now.phase, "%.63s", text);
}

/* ---- as JSON ---- */

/* Enough for a drawing: depth to a micrometre, time to a millisecond. */
static json_t *number(double value, double step)
{
    return isfinite(value) ? json_real(rint(value / step) * step) : json_null();
}

/* Six digits, of whatever size. */
static json_t *reading(double value)
{
    if (!isfinite(value))
        return json_null();
    if (value == 0)
        return json_real(0);
    double step = pow(10, floor(log10(fabs(value))) - 5);
    return step > 0 ? number(value, step) : json_real(value);
}

static json_t *count(uint64_t value)
{
    return value == UINT64_MAX ? json_null() : json_integer((json_int_t)value);
}

/* Words may hold bytes off a wire; what is no UTF-8 is shown as question marks. */
static json_t *words(const char *text)
{
    json_t *string = json_string(text);
    if (string)
        return string;
    char plain[sizeof((struct live_now *)0)->why];
    size_t size = 0;
    for (; text[size] && size < sizeof plain - 1; size++)
        plain[size] = text[size] < 0x20 || text[size] > 0x7e ? '?' : text[size];
    plain[size] = 0;
    return json_string(plain);
}

static const char *way(int direction)
{
    return direction > 0 ? "rising" : direction < 0 ? "falling" : "";
}

static json_t *now_json(const struct live *live)
{
    const struct live_now *now = &live->now;
    size_t segments = plan_segment_count(live->plan);
    const struct plan_segment *segment =
        now->segment < segments ? &plan_segments(live->plan)[now->segment] : NULL;
    return json_pack(
        "{s:s, s:o, s:o, s:o, s:o, s:o, s:o, s:I, s:s, s:s, s:o, s:o, s:o, s:o, s:o, s:o, s:o, "
        "s:b, s:o, s:o}",
        "state", run_state_name(now->state), "phase", words(now->phase), "why", words(now->why),
        "t_s", number(now->t_s, 1e-3), "plan_s", number(now->plan_s, 1e-3), "left_s",
        number(now->left_s, 1e-1), "segment",
        segment ? json_integer((json_int_t)now->segment + 1) : json_null(), "segments",
        (json_int_t)segments, "kind",
        segment ? segment_kind_name((enum segment_kind)segment->kind) : "", "way",
        segment ? way(segment->direction) : "", "depth_mm", number(now->depth_mm, 1e-3), "reading",
        reading(now->reading), "rows", count(now->rows), "rows_per_s", number(live->rate, 0.1),
        "malformed", count(now->malformed), "lost", count(now->lost), "resends",
        count(now->resends), "stopping", now->stopping, "quiet_s", number(now->quiet_s, 0.1),
        "disk_free_bytes", number(now->disk_free_bytes, 1));
}

static json_t *trace_json(const struct live_trace *trace, uint64_t after)
{
    uint64_t oldest = trace->count > LIVE_SAMPLES ? trace->count - LIVE_SAMPLES : 0;
    json_t *list = json_array();
    /* A number from another run's page: all is sent. */
    uint64_t from = after > trace->count || after < oldest ? oldest : after;
    for (uint64_t i = from; list && i < trace->count; i++)
        if (json_array_append_new(
                list, json_pack("[o, o]", number(trace->samples[i % LIVE_SAMPLES].t_s, 1e-3),
                                reading(trace->samples[i % LIVE_SAMPLES].value))))
            break;
    return json_pack("{s:I, s:o}", "count", (json_int_t)trace->count, "new", list);
}

static json_t *events_json(const struct live *live, uint64_t after)
{
    uint64_t oldest = live->event_count > LIVE_EVENTS ? live->event_count - LIVE_EVENTS : 0;
    json_t *list = json_array();
    uint64_t from = after > live->event_count || after < oldest ? oldest : after;
    for (uint64_t i = from; list && i < live->event_count; i++) {
        const struct live_line *line = &live->events[i % LIVE_EVENTS];
        if (json_array_append_new(list, json_pack("{s:o, s:s, s:s}", "t_s", number(line->t_s, 1e-3),
                                                  "kind", line->kind, "text", line->text)))
            break;
    }
    return json_pack("{s:I, s:o}", "count", (json_int_t)live->event_count, "new", list);
}

static json_t *columns_json(const struct live *live)
{
    json_t *list = json_array();
    size_t last = LIVE_COLUMNS;
    while (last > 0 && isnan(live->columns[last - 1].depth_low) &&
           isnan(live->columns[last - 1].reading_low))
        last--;
    for (size_t i = 0; list && i < last; i++) {
        const struct live_column *column = &live->columns[i];
        if (json_array_append_new(list, json_pack("[o, o, o, o]", number(column->depth_low, 1e-2),
                                                  number(column->depth_high, 1e-2),
                                                  reading(column->reading_low),
                                                  reading(column->reading_high))))
            break;
    }
    return json_pack("{s:f, s:o}", "step_s", live->column_s, "low_high", list);
}

char *live_state_json(const struct live *live, const struct live_seen *seen, bool columns)
{
    json_t *state = json_pack("{s:o, s:o, s:o, s:o, s:o}", "now", now_json(live), "depth",
                              trace_json(&live->depth, seen->depths), "reading",
                              trace_json(&live->reading, seen->readings), "events",
                              events_json(live, seen->events), "whole",
                              columns ? columns_json(live) : json_null());
    char *text = state ? json_dumps(state, JSON_COMPACT | JSON_REAL_PRECISION(12)) : NULL;
    json_decref(state);
    return text;
}
