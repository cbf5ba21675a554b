/* SPDX-License-Identifier: GPL-3.0-or-later
 * Ports that go away and come back, and time that went by unseen. */
#include "rig/bench_parts.h"

#include "base/text.h"

#include <stdio.h>

/* The first try comes soon: a device that is enumerated anew is back within a second or
 * two. Later ones are for people with a cable in their hand. */
static const int64_t FIRST_PAUSE_NS = 200000000, LONGEST_PAUSE_NS = 5000000000;
/* While another thread is opening a port. */
static const int64_t OPENING_NS = 50000000;
/* A source that is there and says nothing is opened anew, which restarts many boards. */
static const int64_t SILENT_NS = 10000000000, LONGEST_SILENT_NS = 60000000000;
/* A loop that wakes so much later than it meant to was held: by a machine that stood still,
 * or a debugger. */
static const int64_t HELD_NS = 2000000000;

static void begin(struct bench_retry *retry, int64_t now_ns)
{
    *retry = (struct bench_retry){.lost_ns = now_ns,
                                  .next_ns = now_ns + FIRST_PAUSE_NS,
                                  .pause_ns = FIRST_PAUSE_NS,
                                  .most_ns = LONGEST_PAUSE_NS};
}

static void put_off(struct bench_retry *retry, int64_t now_ns)
{
    int64_t twice_ns = 2 * retry->pause_ns;
    retry->next_ns = now_ns + retry->pause_ns;
    retry->pause_ns = twice_ns < retry->most_ns ? twice_ns : retry->most_ns;
}

/* ---- the axis ---- */

static void close_axis(struct bench *bench)
{
    if (bench->axis_open)
        transport_close(&bench->axis_port);
    bench->axis_open = false;
    bench->out_size = 0;
}

void bench_lose_axis(struct bench *bench, const struct rig_err *err)
{
    char text[640];
    snprintf(text, sizeof text, "the axis' port is gone: %s", err->text);
    close_axis(bench);
    begin(&bench->axis_retry, bench->now_ns);
    supervisor_axis_lost(bench->supervisor, text, bench->now_ns);
}

static void axis_is_back(struct bench *bench)
{
    bench->axis_open = true;
    bench->out_size = 0;
    supervisor_axis_back(bench->supervisor, bench->now_ns);
}

static void replug_axis(struct bench *bench)
{
    const struct bench_settings *settings = bench->settings;
    struct bench_retry *retry = &bench->axis_retry;
    struct rig_err err = {0};
    bool wanted = supervisor_wants_axis(bench->supervisor);
    if (!wanted) {
        /* One that is lost on the way is wanted as soon as that is noticed. */
        if (bench->axis_open)
            retry->pause_ns = 0;
        return;
    }
    if (retry->pause_ns == 0)
        begin(retry, bench->now_ns);
    if (bench->now_ns < retry->next_ns)
        return;
    if (!settings->reopen) {
        if (bench->axis_open)
            axis_is_back(bench);
        put_off(retry, bench->now_ns);
        return;
    }
    close_axis(bench);
    int code = settings->reopen(settings->reopen_context, BENCH_AXIS, &bench->axis_port, &err);
    if (code == BENCH_OPENING) {
        retry->next_ns = bench->now_ns + OPENING_NS;
        return;
    }
    put_off(retry, bench->now_ns);
    if (code == RIG_OK) {
        bench_event(bench, "plugged", "the axis' port is open again");
        axis_is_back(bench);
    }
}

/* ---- sources ---- */

static void close_source(struct bench *bench, size_t index)
{
    struct bench_source *source = &bench->sources[index];
    if (source->open)
        transport_close(&source->port);
    source->open = false;
}

void bench_lose_source(struct bench *bench, size_t index, const struct rig_err *err)
{
    struct bench_source *source = &bench->sources[index];
    char text[640];
    snprintf(text, sizeof text, "source '%s' is gone: %s",
             bench->settings->rig->sources[index].name, err->text);
    close_source(bench, index);
    begin(&source->retry, bench->now_ns);
    supervisor_source_lost(bench->supervisor, index, text, bench->now_ns);
}

static void source_is_back(struct bench *bench, size_t index, bool hung)
{
    struct bench_source *source = &bench->sources[index];
    char text[160], lost[32];
    source->open = true;
    supervisor_source_opened(bench->supervisor, index);
    /* It has time to begin to speak before it counts as one that hangs. */
    source->retry.opened_ns = bench->now_ns;
    source->retry.most_ns = LONGEST_SILENT_NS;
    if (source->retry.pause_ns < SILENT_NS)
        source->retry.pause_ns = SILENT_NS;
    decoder_restart(source->decoder);
    bench_greet_source(bench, index);
    const char *name = bench->settings->rig->sources[index].name;
    if (hung)
        snprintf(text, sizeof text, "the port of source '%s' was opened anew, to restart it", name);
    else
        snprintf(text, sizeof text, "the port of source '%s' is open again after %s", name,
                 text_duration(lost, rig_ns_to_s(bench->now_ns - source->retry.lost_ns)));
    bench_event(bench, "plugged", text);
}

/* Waiting for a source whose port is there: it may hang. */
static bool hangs(const struct bench *bench, size_t index)
{
    struct supervisor_view run;
    if (supervisor_wants_source(bench->supervisor, index))
        return true;
    if (bench->now_ns - bench->sources[index].last_ns < SILENT_NS)
        return false;
    supervisor_look(bench->supervisor, bench->now_ns, &run);
    return run.phase == PHASE_WAIT;
}

static void replug_source(struct bench *bench, size_t index)
{
    const struct bench_settings *settings = bench->settings;
    struct bench_source *source = &bench->sources[index];
    struct bench_retry *retry = &source->retry;
    struct rig_err err = {0};
    if (source->open && !hangs(bench, index)) {
        if (source->last_ns > retry->opened_ns)
            retry->pause_ns = 0;
        return;
    }
    if (source->open && retry->pause_ns == 0)
        *retry = (struct bench_retry){.hung = true,
                                      .next_ns = bench->now_ns,
                                      .pause_ns = SILENT_NS,
                                      .most_ns = LONGEST_SILENT_NS};
    if (bench->now_ns < retry->next_ns || !settings->reopen)
        return;
    close_source(bench, index);
    int code = settings->reopen(settings->reopen_context, index, &source->port, &err);
    if (code == BENCH_OPENING) {
        retry->next_ns = bench->now_ns + OPENING_NS;
        return;
    }
    if (code == RIG_OK)
        source_is_back(bench, index, retry->hung);
    put_off(retry, bench->now_ns);
}

void bench_replug(struct bench *bench)
{
    replug_axis(bench);
    for (size_t i = 0; i < bench->source_count; i++)
        replug_source(bench, i);
}

static int64_t sooner(int64_t a, int64_t b)
{
    return a < b ? a : b;
}

int64_t bench_replug_ns(const struct bench *bench)
{
    int64_t next_ns = INT64_MAX;
    if (bench->axis_retry.pause_ns && supervisor_wants_axis(bench->supervisor))
        next_ns = bench->axis_retry.next_ns;
    for (size_t i = 0; i < bench->source_count; i++) {
        const struct bench_source *source = &bench->sources[i];
        if (source->retry.pause_ns && bench->settings->reopen)
            next_ns = sooner(next_ns, source->retry.next_ns);
    }
    return next_ns > bench->now_ns ? next_ns : bench->now_ns + OPENING_NS;
}

/* ---- time that went by unseen ---- */

void bench_note_lapse(struct bench *bench)
{
    const struct bench_settings *settings = bench->settings;
    char text[160], time[32];
    int64_t slept_ns = settings->slept_ns ? settings->slept_ns(settings->slept_context) : 0;
    int64_t asleep_ns = slept_ns - bench->slept_ns;
    int64_t since_ns = bench->rest_until_ns, held_ns = bench->now_ns - since_ns;
    bench->slept_ns = slept_ns;
    if (since_ns == 0)
        return;
    if (asleep_ns >= HELD_NS) {
        snprintf(text, sizeof text, "the computer was asleep for %s",
                 text_duration(time, rig_ns_to_s(asleep_ns)));
        supervisor_lapse(bench->supervisor, "asleep", text, since_ns, bench->now_ns);
    } else if (held_ns >= HELD_NS) {
        snprintf(text, sizeof text, "the program was held for %s",
                 text_duration(time, rig_ns_to_s(held_ns)));
        supervisor_lapse(bench->supervisor, "held", text, since_ns, bench->now_ns);
    }
}
