/* SPDX-License-Identifier: GPL-3.0-or-later
 * One wake-up of the loop after the other. bench_ports.c reads, writes and sleeps. */
#include "rig/bench_parts.h"

#include <errno.h>
#include <math.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/signalfd.h>
#include <unistd.h>

static const int64_t SHOW_NS = 200000000;
/* After the end: long enough for a halt to leave the port. */
static const int64_t LAST_WORDS_NS = 300000000;

double bench_t_s(const struct bench *bench)
{
    return rig_ns_to_s(bench->now_ns - bench->start_ns);
}

void bench_event(struct bench *bench, const char *kind, const char *text)
{
    recorder_event(bench->settings->recorder, bench_t_s(bench), kind, text);
}

/* ---- one wake-up ---- */

static void hear_signals(struct bench *bench)
{
    struct signalfd_siginfo signal;
    if (bench->settings->signal_fd < 0)
        return;
    while (read(bench->settings->signal_fd, &signal, sizeof signal) == sizeof signal) {
        if (signal.ssi_code == SI_QUEUE && signal.ssi_int == BENCH_FROM_AFAR && bench->stops)
            continue;
        bench->stops++;
        supervisor_stop(bench->supervisor, bench->now_ns);
    }
}

static void watch_disk(struct bench *bench)
{
    struct rig_err err;
    if (bench->trouble_told || !recorder_trouble(bench->settings->recorder, &err))
        return;
    bench->trouble_told = true;
    char text[600];
    snprintf(text, sizeof text, "the recording can't be written: %.500s", err.text);
    supervisor_fault(bench->supervisor, "disk", text, bench->now_ns);
}

static void note_axis_event(struct bench *bench, const struct axis_event *event)
{
    struct event_limit *limit = event->kind == AXIS_CHATTER  ? &bench->chatter_limit
                                : event->kind == AXIS_RESEND ? &bench->resend_limit
                                                             : NULL;
    if (limit && event_limit_takes(limit, bench->now_ns))
        bench_event(bench, axis_event_name(event->kind), event->text);
}

static bool hear_axis(struct bench *bench)
{
    struct axis_event event;
    bool any = false;
    while (axis_next_event(bench->axis, &event)) {
        any = true;
        note_axis_event(bench, &event);
        supervisor_axis_event(bench->supervisor, &event, bench->now_ns);
    }
    return any;
}

static void fill_view(const struct bench *bench, struct bench_view *view)
{
    const struct recorder *recorder = bench->settings->recorder;
    memset(view, 0, sizeof *view);
    supervisor_look(bench->supervisor, bench->now_ns, &view->run);
    view->t_s = bench_t_s(bench);
    view->state = supervisor_state(bench->supervisor);
    const char *why = view->state == RUN_RUNNING ? supervisor_trouble(bench->supervisor)
                                                 : supervisor_why(bench->supervisor);
    snprintf(view->why, sizeof view->why, "%.511s", why);
    view->reading = bench->reading;
    if (bench->shown_source < bench->source_count) {
        const struct rig_channel *channel =
            &bench->settings->rig->sources[bench->shown_source].channels[bench->shown_channel];
        memcpy(view->reading_name, channel->name, sizeof view->reading_name);
        memcpy(view->reading_unit, channel->unit, sizeof view->reading_unit);
    }
    for (size_t i = 0; i < bench->source_count; i++)
        view->malformed += bench->sources[i].tally.malformed;
    view->rows = recorder_rows(recorder);
    view->lost = recorder_lost(recorder);
    view->resends = bench->resend_limit.total;
    view->stops = bench->stops;
}

static void show(struct bench *bench)
{
    struct supervisor_view run;
    if (!bench->settings->show)
        return;
    supervisor_look(bench->supervisor, bench->now_ns, &run);
    if (run.phase == bench->shown_phase && bench->now_ns - bench->shown_ns < SHOW_NS)
        return;
    struct bench_view view;
    fill_view(bench, &view);
    bench->shown_phase = run.phase;
    bench->shown_ns = bench->now_ns;
    bench->settings->show(bench->settings->context, &view);
}

static void wake(struct bench *bench)
{
    bench->now_ns = rig_clock_now(&bench->settings->clock);
    bench_note_lapse(bench);
    bench_read_axis(bench);
    for (size_t i = 0; i < bench->source_count; i++)
        bench_read_source(bench, i);
    hear_signals(bench);
    watch_disk(bench);
    bench_replug(bench);
    /* What is sent makes events, and events make more to send: until it is quiet. The
     * bound is for a wire that would never be. */
    for (int round = 0; round < 64; round++) {
        bool heard = hear_axis(bench);
        if (round > 0 && !heard)
            break;
        supervisor_tick(bench->supervisor, bench->now_ns);
        bench_write_axis(bench);
    }
    recorder_drain(bench->settings->recorder);
    show(bench);
}

static void rest(struct bench *bench)
{
    const struct bench_settings *settings = bench->settings;
    int64_t until_ns = supervisor_deadline_ns(bench->supervisor, bench->now_ns);
    int64_t axis_ns = axis_deadline_ns(bench->axis), show_ns = bench->now_ns + SHOW_NS;
    if (bench->axis_open && axis_ns < until_ns) /* else it waits for what can't come */
        until_ns = axis_ns;
    int64_t replug_ns = bench_replug_ns(bench);
    if (show_ns < until_ns)
        until_ns = show_ns;
    if (replug_ns < until_ns)
        until_ns = replug_ns;
    bench->rest_until_ns = until_ns > bench->now_ns ? until_ns : bench->now_ns;
    if (settings->polls)
        bench_poll(bench, until_ns);
    else
        settings->clock.sleep_until_ns(settings->clock.context, until_ns);
}

/* ---- the whole run ---- */

static size_t first_sensor(const struct rig_source *source)
{
    for (size_t c = 0; c < source->channel_count; c++)
        if (source->channels[c].role == ROLE_SENSOR)
            return c;
    return RIG_CHANNEL_LIMIT;
}

static void choose_reading(struct bench *bench)
{
    const struct rig *rig = bench->settings->rig;
    bench->shown_source = RIG_SOURCE_LIMIT;
    bench->reading = NAN;
    for (size_t i = rig->source_count; i-- > 0;) {
        bench->sensor_channel[i] = first_sensor(&rig->sources[i]);
        if (bench->sensor_channel[i] == RIG_CHANNEL_LIMIT)
            continue;
        bench->shown_source = i;
        bench->shown_channel = bench->sensor_channel[i];
    }
}

static int prepare(struct bench *bench, struct rig_err *err)
{
    const struct bench_settings *settings = bench->settings;
    const struct supervisor_settings supervision = {
        .rig = settings->rig,
        .plan = settings->plan,
        .log = recorder_log(settings->recorder),
        .first_line_s = settings->first_line_s,
        .silent_s = settings->silent_s,
        .patience_s = settings->patience_s,
        .goes_on = settings->goes_on,
        .left = settings->left,
        .whole = settings->whole,
        .until_ns = settings->until_ns,
        .until = settings->until,
        .alert = settings->alert,
        .alert_context = settings->alert_context,
    };
    for (size_t i = 0; i < bench->source_count; i++) {
        bench->sources[i].decoder = decoder_open(&settings->rig->sources[i], err);
        if (!bench->sources[i].decoder)
            return RIG_EMEMORY;
    }
    bench->axis = axis_open(&settings->rig->axis, err);
    if (!bench->axis)
        return RIG_EINPUT;
    bench->supervisor = supervisor_open(&supervision, bench->axis, err);
    return bench->supervisor ? RIG_OK : RIG_EMEMORY;
}

static void carry_out(struct bench *bench, struct bench_end *end)
{
    const struct bench_settings *settings = bench->settings;
    bench->now_ns = rig_clock_now(&bench->settings->clock);
    bench->start_ns = bench->now_ns - rig_s_to_ns(settings->elapsed_s);
    bench->shown_phase = PHASE_OVER;
    for (size_t i = 0; i < bench->source_count; i++)
        bench_greet_source(bench, i);
    if (settings->slept_ns)
        bench->slept_ns = settings->slept_ns(settings->slept_context);
    supervisor_begin(bench->supervisor, bench->start_ns, bench->now_ns);
    for (wake(bench); !supervisor_over(bench->supervisor); wake(bench))
        rest(bench);
    int64_t until_ns = bench->now_ns + LAST_WORDS_NS;
    while (bench->out_size && bench->axis_open && bench->now_ns < until_ns) {
        bench->settings->clock.sleep_until_ns(bench->settings->clock.context,
                                              bench->now_ns + LAST_WORDS_NS / 30);
        bench->now_ns = rig_clock_now(&bench->settings->clock);
        bench_write_axis(bench);
    }
    bench_tell_totals(bench);
    recorder_drain(bench->settings->recorder);
    end->state = supervisor_state(bench->supervisor);
    end->board = supervisor_board(bench->supervisor);
    end->exit_status = supervisor_exit_status(bench->supervisor);
    snprintf(end->why, sizeof end->why, "%s", supervisor_why(bench->supervisor));
    fill_view(bench, &end->view);
    supervisor_count(bench->supervisor, bench->now_ns, &end->run);
    end->source_count = bench->source_count;
    for (size_t i = 0; i < bench->source_count; i++) {
        end->sources[i] = bench->sources[i].tally;
        memcpy(end->sources[i].name, settings->rig->sources[i].name, sizeof end->sources[i].name);
    }
}

int bench_run(struct bench_settings *settings, struct bench_end *end, struct rig_err *err)
{
    struct bench *bench = calloc(1, sizeof *bench);
    int code = RIG_OK;
    memset(end, 0, sizeof *end);
    if (!bench) {
        transport_close(&settings->axis);
        for (size_t i = 0; i < settings->rig->source_count; i++)
            transport_close(&settings->sources[i]);
        return rig_fail_memory(err, "the run");
    }
    bench->settings = settings;
    bench->axis_port = settings->axis;
    bench->axis_open = true;
    bench->source_count = settings->rig->source_count;
    for (size_t i = 0; i < bench->source_count; i++) {
        bench->sources[i].port = settings->sources[i];
        bench->sources[i].open = true;
    }
    choose_reading(bench);
    code = prepare(bench, err);
    if (!code)
        carry_out(bench, end);
    supervisor_free(bench->supervisor);
    axis_free(bench->axis);
    if (bench->axis_open)
        transport_close(&bench->axis_port);
    for (size_t i = 0; i < bench->source_count; i++) {
        if (bench->sources[i].open)
            transport_close(&bench->sources[i].port);
        decoder_free(bench->sources[i].decoder);
    }
    free(bench);
    return code;
}
