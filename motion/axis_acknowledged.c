/* SPDX-License-Identifier: GPL-3.0-or-later
 * Dialect 'acknowledged-lines': lines of RS-274 words (NISTIR 6556), each answered
 * by `ok`; with line numbers and an XOR checksum, a damaged line is asked for again.
 * What is beyond RS-274 (M and G words, answers) is common practice, no source;
 * docs/wire.md lists it. */
#include "motion/axis_acknowledged.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

enum {
    HIGHEST_NUMBER = 99999, /* five digits, NISTIR 6556 section 3.3.1 */
    HALT_TRIES = 3,
    HALT_BYTES = 16, /* kept free in the buffer, so that a halt always fits */
};
static const int64_t HALT_RETRY_NS = 2000000000;

/* ---- lines out ---- */

/* NUMBERED: with number and checksum, where the rig file wants them. COUNTING: with a
 * checksum, behind the number that it sets. BARE: must be heard even where the count
 * of lines is lost. */
enum frame { BARE, NUMBERED, COUNTING };

static void finish(struct axis *axis, struct axis_line *line, enum frame frame)
{
    if (frame != BARE && axis->settings.checksums) {
        axis->number = frame == COUNTING ? 0 : axis->number + 1;
        line->number = axis->number;
        char words[AXIS_LINE_SIZE];
        size_t size = line->size;
        memcpy(words, line->bytes, size);
        int head = snprintf(line->bytes, sizeof line->bytes, "N%ld ", line->number);
        line->size = (size_t)head;
        memcpy(line->bytes + line->size, words, size);
        line->size += size;
        unsigned sum = 0;
        for (size_t i = 0; i < line->size; i++)
            sum ^= (unsigned char)line->bytes[i];
        char tail[8];
        snprintf(tail, sizeof tail, "*%u", sum & 0xffU);
        axis_put(line, tail);
        line->again = true;
        if (axis->number >= HIGHEST_NUMBER)
            axis->renumber = true;
    }
    axis_put(line, "\n");
}

static void put_letter(struct axis *axis, struct axis_line *line)
{
    const char text[] = {' ', axis->settings.letter, '\0'};
    axis_put(line, text);
}

static void compose_connect(struct axis *axis, struct axis_line *line)
{
    /* Each of these can be sent twice: they set, they do not change. */
    int step = line->command.step + (axis->settings.checksums ? 0 : 1);
    static const char *const words[] = {"M110 N0", "G21", "G90"};
    axis_put(line, words[step]);
    line->alone = true;
    line->last = step == 2;
    finish(axis, line, step == 0 ? COUNTING : NUMBERED);
    line->again = true;
}

static void compose_home(struct axis *axis, struct axis_line *line)
{
    line->alone = line->blocks = true;
    /* Without a switch the axis is declared to be at home, where its user put it. */
    int step = line->command.step + (axis->settings.homes ? 0 : 1);
    line->last = step == 1;
    if (step == 0) {
        axis_put(line, "G28");
        put_letter(axis, line);
    } else if (isfinite(axis->settings.home_mm)) {
        axis_put(line, "G92");
        axis_put_value(line, axis->settings.letter, axis_to_wire(axis, axis->settings.home_mm), 4);
    } else {
        axis_put(line, "M400");
    }
    finish(axis, line, NUMBERED);
}

static void compose(struct axis *axis, struct axis_line *line)
{
    const struct axis_command *command = &line->command;
    static const char *const halt_words[] = {"M410", "M400", "M114"};
    line->last = true;
    switch (command->kind) {
    case AXIS_DO_CONNECT:
        compose_connect(axis, line);
        return;
    case AXIS_DO_HOME:
        compose_home(axis, line);
        return;
    case AXIS_DO_MOVE:
        axis_put(line, "G1");
        axis_put_value(line, axis->settings.letter, axis_to_wire(axis, command->stage_mm), 4);
        axis_put_value(line, 'F', command->feed_mm_s * 60, 3);
        break;
    case AXIS_DO_DWELL:
        axis_put(line, "G4");
        axis_put_value(line, 'P', command->duration_s * 1e3, 0); /* milliseconds, not RS-274's s */
        line->blocks = true;
        break;
    case AXIS_DO_SETTLE:
        axis_put(line, "M400");
        line->blocks = true;
        break;
    case AXIS_DO_QUERY:
        axis_put(line, "M114");
        break;
    case AXIS_DO_HALT:
        axis_put(line, halt_words[command->step]);
        finish(axis, line, BARE);
        return;
    case AXIS_DO_COUNT:
        axis_put(line, "M110 N0");
        line->alone = true;
        finish(axis, line, COUNTING);
        return;
    }
    finish(axis, line, NUMBERED);
}

static size_t budget(const struct axis *axis)
{
    return (size_t)axis->settings.buffer_bytes - HALT_BYTES;
}

/* ---- connecting ---- */

void axis_acknowledged_forget(struct axis *axis)
{
    axis->number = 0;
    axis->renumber = axis->draining = false;
    axis->resend_repeats = axis->restart_hints = 0;
}

static void connect(struct axis *axis, bool greeted)
{
    (void)greeted;
    axis_acknowledged_forget(axis);
}

/* ---- halting ---- */

static void ask_halt(struct axis *axis, int64_t now_ns)
{
    axis->halt_ns = now_ns;
    axis->halt_tries++;
    for (int step = 0; step < 3; step++)
        axis_push(axis, AXIS_DO_HALT, step);
}

static void halt(struct axis *axis, bool now, int64_t now_ns)
{
    if (!now) {
        ask_halt(axis, now_ns);
        return;
    }
    /* It stops dead and answers no more until it is restarted. */
    static const char words[] = "M112\n";
    memcpy(axis->urgent, words, sizeof words - 1);
    axis->urgent_size = sizeof words - 1;
    axis->kept = axis->head = axis->next = axis->tail;
    axis->homed = axis->position_known = false;
    axis->state = AXIS_STATE_LOST;
    axis_halted(axis, NAN, now_ns);
}

static int64_t halt_retry_ns(const struct axis *axis)
{
    if (axis->halt_tries >= HALT_TRIES)
        return INT64_MAX;
    int64_t from = axis->halt_ns;
    bool fits = axis_bytes_in_flight(axis) + HALT_BYTES <= (size_t)axis->settings.buffer_bytes;
    if (!fits && axis->motion_end_ns > from)
        from = axis->motion_end_ns;
    return from + HALT_RETRY_NS;
}

/* ---- time ---- */

static void tick(struct axis *axis, int64_t now_ns)
{
    if (axis->state == AXIS_STATE_GREETING) {
        if (axis->greeting_ns < 0)
            axis->greeting_ns = now_ns;
        if (now_ns >= axis_greeting_ends_ns(axis))
            axis->state = AXIS_STATE_RUNNING;
    }
    if (axis->draining && now_ns >= axis->drain_until_ns)
        axis->draining = false;
    if (axis->state == AXIS_STATE_HALTING && now_ns >= halt_retry_ns(axis)) {
        if (axis_bytes_in_flight(axis) + HALT_BYTES > (size_t)axis->settings.buffer_bytes)
            axis->head = axis->next; /* long since read, their answers were lost */
        axis->halt_stale = 0;
        ask_halt(axis, now_ns);
    }
}

static int64_t deadline_ns(const struct axis *axis)
{
    if (axis->state == AXIS_STATE_GREETING)
        return axis_greeting_ends_ns(axis);
    int64_t deadline = axis->draining ? axis->drain_until_ns : INT64_MAX;
    if (axis->state == AXIS_STATE_HALTING && halt_retry_ns(axis) < deadline)
        deadline = halt_retry_ns(axis);
    return deadline;
}

const struct axis_dialect axis_acknowledged = {
    .name = "acknowledged-lines",
    .compose = compose,
    .hear = axis_acknowledged_hear,
    .connect = connect,
    .halt = halt,
    .tick = tick,
    .deadline_ns = deadline_ns,
    .budget = budget,
    .flight_room = 8,
};
