/* SPDX-License-Identifier: GPL-3.0-or-later
 * Dialect 'acknowledged-lines': lines of RS-274 words (NISTIR 6556), each answered
 * by `ok`; with line numbers and an XOR checksum, a damaged line is asked for again.
 * What is beyond RS-274 (M and G words, answers) is common practice, no source;
 * docs/wire.md lists it. */
#include "motion/axis_dialect.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

enum {
    HIGHEST_NUMBER = 99999, /* five digits, NISTIR 6556 section 3.3.1 */
    RESEND_LIMIT = 8,       /* of the same line in a row */
    HALT_TRIES = 3,
    HALT_BYTES = 16, /* kept free in the buffer, so that a halt always fits */
};
static const int64_t GREETING_WAIT_NS = 2000000000; /* a board that restarts has spoken by then */
static const int64_t GREETING_LIMIT_NS = 8000000000;
static const int64_t GREETING_QUIET_NS = 250000000;
static const int64_t DRAIN_ONE_NS = 100000000, DRAIN_MANY_NS = 250000000;
static const int64_t HALT_RETRY_NS = 2000000000;
static const int64_t BUSY_LIMIT_NS = 120000000000;

/* ---- lines out ---- */

static void finish(struct axis *axis, struct axis_line *line, bool numbered)
{
    if (numbered && axis->settings.checksums) {
        line->number = ++axis->number;
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
    if (step == 0)
        axis->number = 0;
    axis_put(line, words[step]);
    line->alone = true;
    line->last = step == 2;
    finish(axis, line, step > 0);
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
    finish(axis, line, true);
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
        finish(axis, line, false); /* must be heard even where the count of lines is lost */
        return;
    case AXIS_DO_COUNT:
        axis_put(line, "M110 N0");
        axis->number = 0;
        line->alone = true;
        finish(axis, line, false);
        line->again = true;
        return;
    }
    finish(axis, line, true);
}

static size_t budget(const struct axis *axis)
{
    return (size_t)axis->settings.buffer_bytes - HALT_BYTES;
}

/* ---- connecting ---- */

static void connect_anew(struct axis *axis)
{
    axis->number = 0;
    axis->renumber = axis->draining = false;
    axis->resend_repeats = axis->restart_hints = 0;
}

static bool is_greeting(const char *text)
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

static int64_t greeting_ends_ns(const struct axis *axis)
{
    if (axis->greeting_ns < 0)
        return axis->now_ns;
    int64_t ends =
        axis->greeted ? axis->greeted_ns + GREETING_QUIET_NS : axis->greeting_ns + GREETING_WAIT_NS;
    /* Wait until it has said its piece, but not for one that never stops. */
    if (axis->greeted_ns >= 0 && axis->greeted_ns + GREETING_QUIET_NS > ends)
        ends = axis->greeted_ns + GREETING_QUIET_NS;
    int64_t limit = axis->greeting_ns + GREETING_LIMIT_NS;
    return ends < limit ? ends : limit;
}

/* The board started only now, or again, while it was being set up. */
static void greet_again(struct axis *axis, int64_t now_ns)
{
    const struct axis_command connect = {.kind = AXIS_DO_CONNECT};
    bool whole = axis->queue_count && axis->queue[axis->queue_first].kind == AXIS_DO_CONNECT;
    if (!whole) {
        axis->queue_first = (axis->queue_first + AXIS_QUEUE_ROOM - 1) % AXIS_QUEUE_ROOM;
        axis->queue_count++;
    }
    axis->queue[axis->queue_first] = connect;
    axis->kept = axis->head = axis->next = axis->tail;
    connect_anew(axis);
    axis->state = AXIS_STATE_GREETING;
    axis->greeting_ns = axis->greeted_ns = now_ns;
    axis->greeted = true;
}

static bool being_set_up(struct axis *axis)
{
    if (axis->head < axis->tail)
        return axis_line_at(axis, axis->head)->command.kind == AXIS_DO_CONNECT;
    return axis->queue_count && axis->queue[axis->queue_first].kind == AXIS_DO_CONNECT;
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

static void halt_done(struct axis *axis, double stage_mm, int64_t now_ns)
{
    if (axis->halt_stale > 0) {
        axis->halt_stale--; /* asked before the halt, while moving */
        return;
    }
    /* Only the question's own `ok` is still to come: all before it has been heard. */
    if (axis->next != axis->tail)
        return;
    axis->head = axis->tail - 1;
    axis->state = AXIS_STATE_RUNNING;
    axis->renumber = axis->settings.checksums;
    axis_say_position(axis, stage_mm, axis_line_at(axis, axis->head)->first_ns, now_ns);
    axis_halted(axis, stage_mm, now_ns);
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
        if (now_ns >= greeting_ends_ns(axis))
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
        return greeting_ends_ns(axis);
    int64_t deadline = axis->draining ? axis->drain_until_ns : INT64_MAX;
    if (axis->state == AXIS_STATE_HALTING && halt_retry_ns(axis) < deadline)
        deadline = halt_retry_ns(axis);
    return deadline;
}

/* ---- answers in ---- */

static void hear_position(struct axis *axis, const char *text, int64_t now_ns)
{
    double wire;
    if (!axis_find_value(text, axis->settings.letter, true, &wire))
        return;
    double stage_mm = axis_to_wire(axis, wire); /* its own inverse */
    if (axis->state == AXIS_STATE_HALTING) {
        halt_done(axis, stage_mm, now_ns);
    } else if (axis->query_open && !axis->query_answered) {
        axis->query_answered = true; /* its `ok` is still to come */
        axis_say_position(axis, stage_mm, axis->query_asked_ns, now_ns);
    }
}

static void hear_ok(struct axis *axis, const char *text, int64_t now_ns)
{
    int count = 0;
    for (; axis_begins(text, "ok"); text += 2)
        count++; /* "okok": the end of a line got lost between two */
    axis_answered(axis, now_ns);
    axis->restart_hints = 0;
    if (axis->draining) {
        axis->drain_until_ns = now_ns + DRAIN_MANY_NS;
        if (axis->drain_heard >= axis->drain_expected)
            axis->draining = false;
        return;
    }
    if (*text)
        hear_position(axis, text, now_ns);
    for (int i = 0; i < count; i++)
        if (!axis_accept(axis, now_ns))
            axis_say(axis, AXIS_CHATTER, 0, now_ns, "ok");
}

/* The place of a numbered line that is still kept; tail for the next number to come;
 * UINT64_MAX otherwise. */
static uint64_t find_number(struct axis *axis, long number)
{
    for (uint64_t i = axis->tail; i-- > axis->kept;) {
        const struct axis_line *line = axis_line_at(axis, i);
        if (line->number == number)
            return i;
        if (line->number > 0 && line->number + 1 == number)
            return i + 1;
        if (line->command.kind == AXIS_DO_COUNT ||
            (line->command.kind == AXIS_DO_CONNECT && line->number == 0))
            return number == 1 ? i + 1 : UINT64_MAX;
    }
    return UINT64_MAX;
}

static void resend(struct axis *axis, long number, const char *text, int64_t now_ns)
{
    if (axis->state != AXIS_STATE_RUNNING) {
        axis_say(axis, AXIS_CHATTER, 0, now_ns, text);
        return;
    }
    uint64_t place = axis->settings.checksums ? find_number(axis, number) : UINT64_MAX;
    if (place == UINT64_MAX) {
        /* Damaged on its way; or, when said twice, a controller that counts anew. */
        axis_say(axis, AXIS_CHATTER, 0, now_ns, text);
        if (number == 1 && ++axis->restart_hints >= 2)
            axis_lose(axis, AXIS_RESET, now_ns, "it counts its lines from 1 again");
        return;
    }
    axis_answered(axis, now_ns);
    if (!axis->draining) {
        bool repeated = axis->head < axis->next && axis_line_at(axis, axis->head)->probes > 0;
        uint64_t from = repeated || place > axis->next ? axis->head : place;
        uint64_t expected = axis->next > from ? axis->next - from : 1;
        axis->drain_expected = expected > AXIS_LINE_ROOM ? AXIS_LINE_ROOM : (int)expected;
        axis->drain_heard = 0;
        axis->draining = true;
        axis->resend_repeats = number == axis->resend_number ? axis->resend_repeats + 1 : 0;
        axis->resend_number = number;
        axis_say(axis, AXIS_RESEND, 0, now_ns, text);
        if (axis->resend_repeats >= RESEND_LIMIT) {
            axis_freeze(axis, AXIS_REFUSED, now_ns, text);
            return;
        }
    }
    while (axis->head < place)
        axis_accept(axis, now_ns); /* their answers got lost */
    axis->head = axis->next = place;
    axis->drain_until_ns = now_ns + (axis->drain_expected > 1 ? DRAIN_MANY_NS : DRAIN_ONE_NS);
}

static void hear_resend(struct axis *axis, long number, const char *text, int64_t now_ns)
{
    resend(axis, number, text, now_ns);
    if (axis->draining)
        axis->drain_heard++;
}

static void hear_error(struct axis *axis, const char *text, int64_t now_ns)
{
    bool stopped = axis_contains(text, "halted") || axis_contains(text, "kill") ||
                   axis_contains(text, "endstop") || axis_contains(text, "end stop") ||
                   axis_contains(text, "limit") || axis_contains(text, "stall") ||
                   axis_contains(text, "emergency") || axis_contains(text, "alarm");
    axis_freeze(axis, stopped ? AXIS_ALARM : AXIS_REFUSED, now_ns, text);
}

/* An error about a line's number or checksum comes with a request to resend. When it
 * tells the last good number, it stands in for a request that got damaged. */
static bool about_numbers(const char *text)
{
    return axis_contains(text, "checksum") || axis_contains(text, "line number") ||
           axis_contains(text, "last line");
}

static void hear_number_error(struct axis *axis, const char *text, int64_t now_ns)
{
    axis_answered(axis, now_ns);
    for (const char *at = text; *at; at++) {
        if (!axis_begins(at, "last line:"))
            continue;
        long last = axis_find_count(at + 10);
        if (last >= 0) {
            resend(axis, last + 1, text, now_ns);
            return;
        }
    }
    axis_say(axis, AXIS_CHATTER, 0, now_ns, text);
}

/* Busy for so long after its motion should have ended is stuck. */
static void hear_busy(struct axis *axis, const char *text, int64_t now_ns)
{
    int64_t due_ns = axis->motion_end_ns;
    if (axis->head < axis->tail && axis_line_at(axis, axis->head)->first_ns > due_ns)
        due_ns = axis_line_at(axis, axis->head)->first_ns;
    if (now_ns < due_ns + BUSY_LIMIT_NS)
        axis_answered(axis, now_ns);
    axis_say(axis, AXIS_BUSY, 0, now_ns, text);
}

static void hear(struct axis *axis, const char *text, int64_t now_ns)
{
    if (axis->state == AXIS_STATE_GREETING) {
        axis->greeted = axis->greeted || is_greeting(text);
        axis_say(axis, AXIS_CHATTER, 0, now_ns, text);
        return;
    }
    if (axis->state == AXIS_STATE_FROZEN || axis->state == AXIS_STATE_LOST) {
        if (axis->state == AXIS_STATE_FROZEN && is_greeting(text))
            axis_lose(axis, AXIS_RESET, now_ns, text);
        else
            axis_say(axis, AXIS_CHATTER, 0, now_ns, text);
        return;
    }
    bool noted =
        axis_begins(text, "echo:") || axis_begins(text, "//") || axis_begins(text, "info:");
    if (is_greeting(text)) {
        if (being_set_up(axis))
            greet_again(axis, now_ns);
        else
            axis_lose(axis, AXIS_RESET, now_ns, text);
    } else if (axis_begins(text, "ok") && !(text[2] >= 'a' && text[2] <= 'z' && text[2] != 'o')) {
        hear_ok(axis, text, now_ns);
    } else if (axis_begins(text, "resend") && axis_find_count(text + 6) >= 0) {
        hear_resend(axis, axis_find_count(text + 6), text, now_ns);
    } else if (axis_begins(text, "rs ") && axis_find_count(text + 3) >= 0) {
        hear_resend(axis, axis_find_count(text + 3), text, now_ns);
    } else if (axis_begins(text, "busy") || (noted && axis_contains(text, "busy:"))) {
        hear_busy(axis, text, now_ns);
    } else if (axis_begins(text, "error") && about_numbers(text)) {
        hear_number_error(axis, text, now_ns);
    } else if (axis_contains(text, "unknown command")) {
        if (axis->state == AXIS_STATE_HALTING) /* no quick stop there: M400 waits instead */
            axis_say(axis, AXIS_CHATTER, 0, now_ns, text);
        else
            axis_freeze(axis, AXIS_REFUSED, now_ns, text);
    } else if (axis_begins(text, "error") || axis_begins(text, "!!") ||
               (axis_contains(text, "endstop") && axis_contains(text, "hit"))) {
        hear_error(axis, text, now_ns);
    } else if (axis->query_open || axis->state == AXIS_STATE_HALTING) {
        double wire;
        if (axis_find_value(text, axis->settings.letter, true, &wire)) {
            axis_answered(axis, now_ns);
            hear_position(axis, text, now_ns);
        } else {
            axis_say(axis, AXIS_CHATTER, 0, now_ns, text);
        }
    } else {
        axis_say(axis, AXIS_CHATTER, 0, now_ns, text);
    }
}

const struct axis_dialect axis_acknowledged = {
    .name = "acknowledged-lines",
    .compose = compose,
    .hear = hear,
    .connect = connect_anew,
    .halt = halt,
    .tick = tick,
    .deadline_ns = deadline_ns,
    .budget = budget,
};
