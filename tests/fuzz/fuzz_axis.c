/* SPDX-License-Identifier: GPL-3.0-or-later
 * Any answers at any times to the host's end of the axis wire. The first byte picks the
 * dialect's settings; then bytes from 0xf0 are what the host does or time that passes,
 * the others are heard. Whatever comes: lines are whole and within their bounds, no more
 * bytes go out than the controller's buffer holds unless it said it took some, no move
 * leaves the travel, deadlines move on, and every tag is sent and accepted once at most. */
#include "motion/axis.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static const char *const dialects[] = {"acknowledged-lines", "status-polled"};

struct host {
    struct axis *axis;
    int64_t now_ns;
    uint64_t tag, sent, accepted;
    char line[128];
    size_t line_size;
};

static void check_at(int right, int line)
{
    if (right)
        return;
    fprintf(stderr, "fuzz_axis.c:%d: does not hold\n", line);
    abort();
}
#define check(right) check_at((right), __LINE__)

static void look(struct host *host)
{
    struct axis_event event;
    while (axis_next_event(host->axis, &event)) {
        check((int)event.kind >= 0 && event.kind < AXIS_EVENT_COUNT);
        check(memchr(event.text, 0, sizeof event.text) != NULL);
        check(event.at_ns <= host->now_ns);
        if (event.kind == AXIS_SENT) {
            check(event.tag > host->sent && event.tag <= host->tag);
            host->sent = event.tag;
        } else if (event.kind == AXIS_ACCEPTED) {
            check(event.tag > host->accepted && event.tag <= host->sent);
            host->accepted = event.tag;
        } else if (event.kind == AXIS_POSITION) {
            check(isfinite(event.stage_mm) && event.asked_ns <= event.answered_ns);
        }
    }
}

static void look_at_line(const struct host *host)
{
    const char *word = strstr(host->line, "Z");
    if (strstr(host->line, "G1") && word) {
        double wire = strtod(word + 1, NULL);
        check(wire >= -0.00005 && wire <= 200.00005);
    }
}

static void hand_out(struct host *host)
{
    char bytes[200];
    size_t size = axis_output(host->axis, bytes, sizeof bytes, host->now_ns);
    check(size < sizeof bytes);
    for (size_t i = 0; i < size; i++) {
        if (bytes[i] && strchr("?!~\x18", bytes[i]))
            continue; /* characters that are obeyed by themselves, of status-polled */
        check(host->line_size + 1 < sizeof host->line);
        host->line[host->line_size++] = bytes[i];
        if (bytes[i] != '\n')
            continue;
        host->line[host->line_size] = 0;
        look_at_line(host);
        host->line_size = 0;
    }
    look(host);
}

static void act(struct host *host, int what)
{
    struct rig_err err;
    double to_mm = (double)(host->tag * 37 % 260) - 30; /* now and then off the travel */
    switch (what) {
    case 0:
        host->tag++;
        (void)axis_move(host->axis, host->tag, to_mm, 10, &err);
        break;
    case 1:
        host->tag++;
        (void)axis_dwell(host->axis, host->tag, 0.1, &err);
        break;
    case 2:
        host->tag++;
        (void)axis_settle(host->axis, host->tag, &err);
        break;
    case 3:
        (void)axis_query(host->axis, &err);
        break;
    case 4:
        (void)axis_home(host->axis, &err);
        break;
    case 5:
        (void)axis_connect(host->axis, &err);
        break;
    case 6:
        axis_halt(host->axis, false);
        break;
    case 7:
        axis_halt(host->axis, true);
        break;
    default: { /* time: 1 ms, 10 ms ... and up to the deadline */
        int64_t step_ns = 1000000;
        for (int i = 8; i < what; i++)
            step_ns *= 10;
        int64_t deadline = axis_deadline_ns(host->axis);
        if (what == 15 && deadline != INT64_MAX && deadline > host->now_ns)
            host->now_ns = deadline;
        else if (what < 14)
            host->now_ns += step_ns;
        break;
    }
    }
    hand_out(host);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    if (size < 1 || size > 4096)
        return 0;
    struct rig_err err;
    struct rig_axis settings = {.letter = 'Z',
                                .travel_high_mm = 200,
                                .speed_mm_s = 60,
                                .acceleration_mm_s2 = 900,
                                .homes = !(data[0] & 1),
                                .checksums = !(data[0] & 2),
                                .live_position = !(data[0] & 4),
                                .buffer_bytes = data[0] & 8 ? 64 : 127,
                                .lookahead_lines = data[0] & 16 ? 2 : 16};
    strcpy(settings.speaks, dialects[(data[0] >> 5) % (sizeof dialects / sizeof dialects[0])]);
    struct host host = {.now_ns = 1000000000};
    host.axis = axis_open(&settings, &err);
    check(host.axis != NULL);
    act(&host, 5);
    for (size_t i = 1; i < size; i++) {
        if (data[i] >= 0xf0) {
            act(&host, data[i] & 15);
        } else {
            axis_receive(host.axis, (const char *)&data[i], 1, host.now_ns);
            look(&host);
            if (data[i] == '\n')
                hand_out(&host);
        }
    }
    /* Left alone, it comes to rest: no deadline that does not move on. */
    for (int i = 0; i < 2000; i++) {
        hand_out(&host);
        int64_t deadline = axis_deadline_ns(host.axis);
        if (deadline == INT64_MAX)
            break;
        check(deadline > host.now_ns);
        check(i < 1999);
        host.now_ns = deadline;
        axis_tick(host.axis, host.now_ns);
        look(&host);
    }
    axis_free(host.axis);
    return 0;
}
