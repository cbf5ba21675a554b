/* SPDX-License-Identifier: GPL-3.0-or-later
 * A talk with the host's end of the axis wire, answer by answer, with events as text. */
#ifndef TESTS_AXIS_TALK_H
#define TESTS_AXIS_TALK_H

#include "wire_model.h"

struct talk {
    struct axis *axis;
    int64_t now_ns;
    char out[1024];    /* handed out since it was last looked at */
    char events[2048]; /* "ready sent(3) ..." of all so far */
    struct axis_event last;
};

struct talk talk_open(struct rig_axis settings);
void talk_connect(struct talk *talk); /* until ready */
struct talk talk_homed(struct rig_axis settings);
/* Events so far go to talk->events. */
void talk_note(struct talk *talk);
void talk_forget(struct talk *talk);
/* What goes out now is kept in talk->out; talk_sent gives it and forgets it. */
void talk_hand_out(struct talk *talk);
const char *talk_sent(struct talk *talk);
void talk_hear(struct talk *talk, const char *text);
/* Moves on, by the deadlines that the axis itself names. */
void talk_wait_ms(struct talk *talk, int64_t ms);

#endif
