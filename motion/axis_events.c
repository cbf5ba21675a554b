/* SPDX-License-Identifier: GPL-3.0-or-later
 * The axis wire's events: what a taken line, an answer or a silence means to the
 * caller, and which state follows from it. */
#include "motion/axis_dialect.h"

#include <math.h>
#include <string.h>

static const char *const names[] = {
#define X(kind, word) word,
    AXIS_EVENTS(X)
#undef X
};

const char *axis_event_name(enum axis_event_kind kind)
{
    return (int)kind >= 0 && kind < AXIS_EVENT_COUNT ? names[kind] : "?";
}

static struct axis_event *add(struct axis *axis, enum axis_event_kind kind, int64_t now_ns)
{
    /* What only informs never takes the room of what counts. A caller that empties
     * the ring after each piece received never meets either limit. */
    bool informs = kind == AXIS_CHATTER || kind == AXIS_BUSY || kind == AXIS_RESEND;
    if (axis->event_count >= (informs ? AXIS_EVENT_ROOM / 2 : AXIS_EVENT_ROOM))
        return NULL;
    size_t place = (axis->event_first + axis->event_count++) % AXIS_EVENT_ROOM;
    struct axis_event *event = &axis->events[place];
    memset(event, 0, sizeof *event);
    event->kind = kind;
    event->at_ns = now_ns;
    event->stage_mm = NAN;
    return event;
}

void axis_say(struct axis *axis, enum axis_event_kind kind, uint64_t tag, int64_t now_ns,
              const char *text)
{
    struct axis_event *event = add(axis, kind, now_ns);
    if (!event)
        return;
    event->tag = tag;
    size_t size = text ? strlen(text) : 0;
    if (size >= sizeof event->text)
        size = sizeof event->text - 1;
    if (size)
        memcpy(event->text, text, size);
}

void axis_say_position(struct axis *axis, double stage_mm, int64_t asked_ns, int64_t now_ns)
{
    struct axis_event *event = add(axis, AXIS_POSITION, now_ns);
    if (!event)
        return;
    event->stage_mm = stage_mm;
    event->asked_ns = asked_ns;
    event->answered_ns = now_ns;
}

bool axis_next_event(struct axis *axis, struct axis_event *event)
{
    if (axis->event_count == 0)
        return false;
    *event = axis->events[axis->event_first];
    axis->event_first = (axis->event_first + 1) % AXIS_EVENT_ROOM;
    axis->event_count--;
    return true;
}

void axis_freeze(struct axis *axis, enum axis_event_kind kind, int64_t now_ns, const char *text)
{
    /* One fault, one fatal event: what follows it is part of it. */
    if ((axis->state == AXIS_STATE_FROZEN && kind != AXIS_RESET) ||
        axis->state == AXIS_STATE_LOST) {
        axis_say(axis, AXIS_CHATTER, 0, now_ns, text);
        return;
    }
    uint64_t tag = 0;
    if (axis->head < axis->tail)
        tag = axis_line_at(axis, axis->head)->command.tag;
    axis_say(axis, kind, tag, now_ns, text);
    axis_drop_queue(axis);
    axis->state = AXIS_STATE_FROZEN;
    axis->query_open = axis->draining = axis->renumber = false;
    axis->kept = axis->head = axis->next = axis->tail;
    if (kind == AXIS_ALARM)
        axis->homed = axis->position_known = false;
}

void axis_lose(struct axis *axis, enum axis_event_kind kind, int64_t now_ns, const char *text)
{
    axis_freeze(axis, kind, now_ns, text);
    axis->state = AXIS_STATE_LOST;
    axis->homed = axis->position_known = false;
}

void axis_halted(struct axis *axis, double stage_mm, int64_t now_ns)
{
    struct axis_event *event = add(axis, AXIS_HALTED, now_ns);
    if (event)
        event->stage_mm = stage_mm;
    axis->motion_end_ns = now_ns;
    axis->target_known = isfinite(stage_mm);
    axis->target_mm = stage_mm;
    axis->end_count = 0;
}

static void taken(struct axis *axis, struct axis_line *line, int64_t now_ns)
{
    const struct axis_command *command = &line->command;
    switch (command->kind) {
    case AXIS_DO_CONNECT:
        if (line->last) {
            axis->ready = true;
            axis->position_known = !axis->settings.homes;
            axis_say(axis, AXIS_READY, 0, now_ns, NULL);
        }
        break;
    case AXIS_DO_HOME:
        if (line->last) {
            axis->position_known = true;
            axis_say(axis, AXIS_HOMED, 0, now_ns, NULL);
        }
        break;
    case AXIS_DO_MOVE:
    case AXIS_DO_DWELL:
        axis_say(axis, AXIS_ACCEPTED, command->tag, now_ns, NULL);
        break;
    case AXIS_DO_SETTLE:
        axis_say(axis, AXIS_ACCEPTED, command->tag, now_ns, NULL);
        axis_say(axis, AXIS_SETTLED, command->tag, now_ns, NULL);
        break;
    case AXIS_DO_QUERY:
        axis->query_open = false; /* taken without an answer that could be read */
        break;
    case AXIS_DO_HALT:
    case AXIS_DO_COUNT:
        break;
    }
}

bool axis_accept(struct axis *axis, int64_t now_ns)
{
    if (axis->head == axis->tail)
        return false;
    struct axis_line *line = axis_line_at(axis, axis->head++);
    if (axis->next < axis->head)
        axis->next = axis->head;
    if (!line->abandoned && !line->said_accepted) {
        line->said_accepted = true;
        taken(axis, line, now_ns);
    }
    return true;
}
