/* SPDX-License-Identifier: GPL-3.0-or-later
 * How a talk begins: waiting until the controller has started, which it says itself, or
 * until it is plain that it had started before. Common practice, no source. */
#include "motion/axis_dialect.h"

#include <string.h>

static const int64_t WAIT_NS = 2000000000; /* a board that restarts has spoken by then */
static const int64_t LIMIT_NS = 8000000000;
static const int64_t QUIET_NS = 250000000;

bool axis_is_greeting(const char *text)
{
    static const char *const ends[] = {" ready", " online", " started"};
    static const char *const whole[] = {"start", "ready", "online"};
    size_t size = strlen(text);
    for (size_t i = 0; i < sizeof whole / sizeof whole[0]; i++)
        if (axis_begins(text, whole[i]) && size == strlen(whole[i]))
            return true;
    if (strchr(text, ':'))
        return false; /* a notice about something else */
    for (size_t i = 0; i < sizeof ends / sizeof ends[0]; i++) {
        size_t end = strlen(ends[i]);
        if (size > end && axis_begins(text + size - end, ends[i]))
            return true;
    }
    return false;
}

void axis_greet(struct axis *axis)
{
    axis->state = AXIS_STATE_GREETING;
    axis->greeting_ns = axis->greeted_ns = -1;
    axis->greeted = false;
}

void axis_connect_again(struct axis *axis)
{
    const struct axis_command connect = {.kind = AXIS_DO_CONNECT};
    bool whole = axis->queue_count && axis->queue[axis->queue_first].kind == AXIS_DO_CONNECT;
    if (!whole) {
        axis->queue_first = (axis->queue_first + AXIS_QUEUE_ROOM - 1) % AXIS_QUEUE_ROOM;
        axis->queue_count++;
    }
    axis->queue[axis->queue_first] = connect;
    axis->kept = axis->head = axis->next = axis->tail;
}

void axis_greet_again(struct axis *axis, int64_t now_ns)
{
    axis_connect_again(axis);
    axis->dialect->connect(axis, true);
    axis->state = AXIS_STATE_GREETING;
    axis->greeting_ns = axis->greeted_ns = now_ns;
    axis->greeted = true;
}

bool axis_being_set_up(struct axis *axis)
{
    if (axis->head < axis->tail)
        return axis_line_at(axis, axis->head)->command.kind == AXIS_DO_CONNECT;
    return axis->queue_count && axis->queue[axis->queue_first].kind == AXIS_DO_CONNECT;
}

int64_t axis_greeting_ends_ns(const struct axis *axis)
{
    if (axis->greeting_ns < 0)
        return axis->now_ns;
    int64_t ends = axis->greeted ? axis->greeted_ns + QUIET_NS : axis->greeting_ns + WAIT_NS;
    /* Wait until it has said its piece, but not for one that never stops. */
    if (axis->greeted_ns >= 0 && axis->greeted_ns + QUIET_NS > ends)
        ends = axis->greeted_ns + QUIET_NS;
    int64_t limit = axis->greeting_ns + LIMIT_NS;
    return ends < limit ? ends : limit;
}
