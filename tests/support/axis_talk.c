/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "axis_talk.h"

#include "check.h"

#include <stdio.h>
#include <string.h>

static const int64_t MS = 1000000;

void talk_note(struct talk *talk)
{
    struct axis_event event;
    while (axis_next_event(talk->axis, &event)) {
        size_t size = strlen(talk->events);
        bool tagged = event.kind == AXIS_SENT || event.kind == AXIS_ACCEPTED ||
                      event.kind == AXIS_SETTLED || event.kind == AXIS_REFUSED;
        snprintf(talk->events + size, sizeof talk->events - size, tagged ? "%s(%d) " : "%s ",
                 axis_event_name(event.kind), (int)event.tag);
        talk->last = event;
    }
}

void talk_hand_out(struct talk *talk)
{
    size_t size = strlen(talk->out);
    size += axis_output(talk->axis, talk->out + size, sizeof talk->out - 1 - size, talk->now_ns);
    talk->out[size] = '\0';
    talk_note(talk);
}

/* What the axis has handed out since the last look. */
const char *talk_sent(struct talk *talk)
{
    static char bytes[sizeof talk->out];
    talk_hand_out(talk);
    memcpy(bytes, talk->out, sizeof bytes);
    talk->out[0] = '\0';
    return bytes;
}

void talk_hear(struct talk *talk, const char *text)
{
    axis_receive(talk->axis, text, strlen(text), talk->now_ns);
    talk_note(talk);
}

/* Moves on, by the deadlines that the axis itself names. */
void talk_wait_ms(struct talk *talk, int64_t ms)
{
    int64_t end = talk->now_ns + ms * MS;
    for (int64_t next; (next = axis_deadline_ns(talk->axis)) < end;) {
        if (next <= talk->now_ns)
            fail_msg("a deadline has passed and stays");
        talk->now_ns = next;
        axis_tick(talk->axis, talk->now_ns);
        talk_hand_out(talk);
    }
    talk->now_ns = end;
    axis_tick(talk->axis, talk->now_ns);
    talk_hand_out(talk);
}

void talk_forget(struct talk *talk)
{
    talk->events[0] = '\0';
}

struct talk talk_open(struct rig_axis settings)
{
    struct rig_err err;
    struct talk talk = {.axis = axis_open(&settings, &err), .now_ns = 5000 * MS};
    assert_non_null(talk.axis);
    return talk;
}

void talk_connect(struct talk *talk)
{
    struct rig_err err;
    assert_int_equal(axis_connect(talk->axis, &err), 0);
    assert_string_equal(talk_sent(talk), "");
    talk_hear(talk, "start\n");
    talk_wait_ms(talk, 300);
    assert_string_equal(talk_sent(talk), "N0 M110 N0*125\n");
    talk_hear(talk, "ok\n");
    assert_string_equal(talk_sent(talk), "N1 G21*27\n");
    talk_hear(talk, "ok\n");
    assert_string_equal(talk_sent(talk), "N2 G90*18\n");
    talk_hear(talk, "ok\n");
    assert_contains(talk->events, "ready");
    talk_forget(talk);
}

struct talk talk_homed(struct rig_axis settings)
{
    struct rig_err err;
    struct talk talk = talk_open(settings);
    talk_connect(&talk);
    assert_false(axis_knows_position(talk.axis));
    assert_int_equal(axis_home(talk.axis, &err), 0);
    assert_contains(talk_sent(&talk), "N3 G28 Z*");
    assert_string_equal(talk_sent(&talk), "");
    talk_hear(&talk, "ok\n");
    assert_contains(talk_sent(&talk), "N4 G92 Z0.0000*");
    talk_hear(&talk, "ok\n");
    assert_string_equal(talk.events, "homed ");
    assert_true(axis_knows_position(talk.axis) && axis_idle(talk.axis));
    talk_forget(&talk);
    return talk;
}
