/* SPDX-License-Identifier: GPL-3.0-or-later
 * Any file that describes a controller and, behind a NUL, any answers of it: what is read is
 * whole and within its bounds, lines are printable and fit, numbers heard are finite, and
 * no deadline stays. */
#include "motion/axis.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static void check(int right)
{
    if (!right)
        abort();
}

static void look(struct axis *axis)
{
    struct axis_event event;
    while (axis_next_event(axis, &event)) {
        check(memchr(event.text, 0, sizeof event.text) != NULL);
        if (event.kind == AXIS_POSITION)
            check(isfinite(event.stage_mm));
    }
}

static void talk(const struct rig_axis *settings, const char *bytes, size_t size)
{
    struct rig_err err;
    struct axis *axis = axis_open(settings, &err);
    int64_t now_ns = 1000000000;
    uint64_t tag = 0;
    char out[300];
    check(axis != NULL);
    (void)axis_connect(axis, &err);
    for (size_t i = 0; i < size; i++) {
        axis_receive(axis, bytes + i, 1, now_ns);
        if (bytes[i] == '\n') {
            now_ns += 400000000;
            if (tag % 5 == 0)
                (void)axis_home(axis, &err);
            tag++;
            (void)axis_move(axis, tag, (double)(tag * 37 % 200), 10, &err);
            (void)axis_settle(axis, ++tag, &err);
            (void)axis_query(axis, &err);
        } else if (bytes[i] == 0) {
            axis_halt(axis, false);
        }
        look(axis);
        size_t sent = axis_output(axis, out, sizeof out, now_ns);
        check(sent < sizeof out);
        for (size_t k = 0; k < sent; k++)
            check((out[k] >= 0x20 && out[k] <= 0x7e) || out[k] == '\n' || out[k] == '\r');
        look(axis);
    }
    for (int i = 0; i < 2000; i++) { /* left alone, it comes to rest */
        (void)axis_output(axis, out, sizeof out, now_ns);
        look(axis);
        int64_t deadline = axis_deadline_ns(axis);
        if (deadline == INT64_MAX)
            break;
        check(deadline > now_ns && i < 1999);
        now_ns = deadline;
        axis_tick(axis, now_ns);
    }
    axis_free(axis);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct rig_err err;
    static struct rig_axis settings;
    if (size > 8192)
        return 0;
    const uint8_t *nul = memchr(data, 0, size);
    size_t text = nul ? (size_t)(nul - data) : size;
    settings = (struct rig_axis){.letter = 'Z',
                                 .travel_high_mm = 200,
                                 .speed_mm_s = 60,
                                 .acceleration_mm_s2 = 900,
                                 .step_mm = 0.0025,
                                 .homes = text % 2,
                                 .live_position = text % 3,
                                 .buffer_bytes = text % 5 ? 96 : 64,
                                 .lookahead_lines = 16};
    strcpy(settings.speaks, "own.axis");
    if (controller_read(&settings.controller, "own.axis", (const char *)data, text, &err)) {
        check(strncmp(err.text, "own.axis:", 9) == 0 || err.code == RIG_EMEMORY);
        return 0;
    }
    talk(&settings, (const char *)data + text, size - text);
    return 0;
}
