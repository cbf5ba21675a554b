/* SPDX-License-Identifier: GPL-3.0-or-later
 * The loop's edge to the ports: what comes in is stamped with the time just after the
 * sleep ended, before anything is done about it. */
#include "rig/bench_parts.h"

#include <math.h>
#include <poll.h>
#include <stdio.h>
#include <string.h>

/* A port that never stops talking must not keep the others waiting. */
enum { PIECES_A_WAKE_UP = 4 };
/* For ports without a descriptor, which can't wake the loop. */
static const int64_t LOOK_NS = 2000000;
/* run_summary.h */
static const int64_t GAP_NS = 1000000000, GAP_INTERVALS = 5;

void bench_read_axis(struct bench *bench)
{
    struct rig_err err = {0};
    for (int piece = 0; bench->axis_open && piece < PIECES_A_WAKE_UP; piece++) {
        long size = bench->axis_port.read(bench->axis_port.context, bench->bytes,
                                          sizeof bench->bytes, &err);
        if (size < 0)
            bench_lose_axis(bench, &err);
        if (size <= 0)
            return;
        axis_receive(bench->axis, bench->bytes, (size_t)size, bench->now_ns);
    }
}

void bench_write_axis(struct bench *bench)
{
    struct rig_err err = {0};
    while (bench->axis_open) {
        if (bench->out_size == 0)
            bench->out_size =
                axis_output(bench->axis, bench->out, sizeof bench->out, bench->now_ns);
        if (bench->out_size == 0)
            return;
        long size =
            bench->axis_port.write(bench->axis_port.context, bench->out, bench->out_size, &err);
        if (size < 0)
            bench_lose_axis(bench, &err);
        if (size <= 0)
            return;
        bench->out_size -= (size_t)size;
        memmove(bench->out, bench->out + size, bench->out_size);
    }
}

/* The usual interval is a mean that forgets slowly: lines that come in one piece have no
 * time between them. */
static void note_pause(struct bench *bench, struct bench_source *source)
{
    int64_t pause_ns = bench->now_ns - source->last_ns, usual_ns = source->interval_ns;
    bool first = source->last_ns == 0;
    source->last_ns = bench->now_ns;
    if (first)
        return;
    source->interval_ns = usual_ns ? usual_ns + (pause_ns - usual_ns) / 16 : pause_ns;
    struct supervisor_view run;
    if (usual_ns == 0 || pause_ns <= GAP_NS || pause_ns <= GAP_INTERVALS * usual_ns)
        return;
    supervisor_look(bench->supervisor, bench->now_ns, &run);
    if (run.phase != PHASE_MEASURE)
        return;
    double pause_s = rig_ns_to_s(pause_ns);
    source->tally.gaps++;
    source->tally.gap_s += pause_s;
    source->tally.longest_gap_s = fmax(source->tally.longest_gap_s, pause_s);
}

static void take_line(struct bench *bench, size_t index, const struct decoded *line)
{
    struct bench_source *source = &bench->sources[index];
    const struct rig_source *described = &bench->settings->rig->sources[index];
    if (!line->good) {
        char text[DECODE_TEXT_SIZE + RIG_NAME_SIZE + 4];
        source->tally.malformed++;
        snprintf(text, sizeof text, "%s: %s", described->name, line->text);
        if (event_limit_takes(&source->malformed_limit, bench->now_ns))
            bench_event(bench, "malformed", text);
        return;
    }
    recorder_row(bench->settings->recorder, index, bench_t_s(bench), line->device_s, line->values,
                 described->channel_count);
    source->tally.rows++;
    note_pause(bench, source);
    size_t sensor = bench->sensor_channel[index];
    supervisor_heard(bench->supervisor, index,
                     sensor < described->channel_count ? line->values[sensor] : (double)NAN,
                     bench->now_ns);
    if (index == bench->shown_source)
        bench->reading = line->values[bench->shown_channel];
    uint64_t resets = decoder_clock_resets(source->decoder);
    if (resets != source->clock_resets) {
        source->clock_resets = resets;
        bench_event(bench, "clock", "a board's clock stepped back: it was reset");
    }
}

void bench_read_source(struct bench *bench, size_t index)
{
    struct bench_source *source = &bench->sources[index];
    struct rig_err err = {0};
    for (int piece = 0; source->open && piece < PIECES_A_WAKE_UP; piece++) {
        long size =
            source->port.read(source->port.context, bench->bytes, sizeof bench->bytes, &err);
        if (size < 0)
            bench_lose_source(bench, index, &err);
        if (size <= 0)
            return;
        for (size_t at = 0; at < (size_t)size;) {
            bool whole = false;
            at += decoder_take(source->decoder, bench->bytes + at, (size_t)size - at, &whole,
                               &bench->line);
            if (whole)
                take_line(bench, index, &bench->line);
        }
    }
}

static void tell_total(struct bench *bench, const char *what, const struct event_limit *limit)
{
    char text[160];
    if (limit->held_back == 0)
        return;
    snprintf(text, sizeof text, "%llu %s in all, %llu of them not listed",
             (unsigned long long)limit->total, what, (unsigned long long)limit->held_back);
    bench_event(bench, "total", text);
}

void bench_tell_totals(struct bench *bench)
{
    tell_total(bench, "unsolicited lines of the axis", &bench->chatter_limit);
    tell_total(bench, "requests of the axis to send again", &bench->resend_limit);
    for (size_t i = 0; i < bench->source_count; i++) {
        char what[RIG_NAME_SIZE + 32];
        snprintf(what, sizeof what, "malformed lines of source '%s'",
                 bench->settings->rig->sources[i].name);
        tell_total(bench, what, &bench->sources[i].malformed_limit);
    }
}

void bench_greet_source(struct bench *bench, size_t index)
{
    struct bench_source *source = &bench->sources[index];
    const char *greeting = bench->settings->rig->sources[index].greeting;
    char line[RIG_NAME_SIZE + 2];
    struct rig_err err = {0};
    if (!greeting[0])
        return;
    int size = snprintf(line, sizeof line, "%s\n", greeting);
    long written = source->port.write(source->port.context, line, (size_t)size, &err);
    if (written != size) /* a fresh port has room: then it is gone, and reading says so */
        bench_event(bench, "greeting", "a source did not take the line to send at the start");
}

void bench_poll(struct bench *bench, int64_t until_ns)
{
    struct pollfd fds[RIG_SOURCE_LIMIT + 3];
    nfds_t count = 0;
    bool blind = false;
    if (bench->axis_open) {
        int fd = bench->axis_port.fd(bench->axis_port.context);
        blind = blind || fd < 0;
        fds[count++] = (struct pollfd){
            .fd = fd, .events = (short)(bench->out_size ? POLLIN | POLLOUT : POLLIN)};
    }
    for (size_t i = 0; i < bench->source_count; i++) {
        if (!bench->sources[i].open)
            continue;
        int fd = bench->sources[i].port.fd(bench->sources[i].port.context);
        blind = blind || fd < 0;
        fds[count++] = (struct pollfd){.fd = fd, .events = POLLIN};
    }
    fds[count++] = (struct pollfd){.fd = bench->settings->signal_fd, .events = POLLIN};
    if (!bench->trouble_told)
        fds[count++] =
            (struct pollfd){.fd = recorder_trouble_fd(bench->settings->recorder), .events = POLLIN};
    int64_t now_ns = rig_clock_now(&bench->settings->clock), wait_ns = until_ns - now_ns;
    if (blind && wait_ns > LOOK_NS)
        wait_ns = LOOK_NS;
    if (wait_ns < 0)
        wait_ns = 0;
    /* Whole milliseconds, rounded up: a stroke may start 1 ms late, which its stamp shows;
     * rounded down, the last millisecond would be spent in circles. */
    int wait_ms = wait_ns > 1000000000 ? 1000 : (int)((wait_ns + 999999) / 1000000);
    /* Negative descriptors are passed over. A failure (no memory) only means that the
     * next look comes at once; the loop's own deadlines hold. */
    (void)poll(fds, count, wait_ms);
}
