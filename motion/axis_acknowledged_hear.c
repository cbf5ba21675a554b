/* SPDX-License-Identifier: GPL-3.0-or-later
 * Dialect 'acknowledged-lines', the controller's words: `ok`, requests to resend,
 * error texts, busy notices, greetings, positions, and what is none of these. */
#include "motion/axis_acknowledged.h"

#include <math.h>
#include <string.h>

enum { RESEND_LIMIT = 8 };             /* of the same line in a row */
static const double FARTHEST_MM = 1e6; /* no bench is that long: a damaged number */
static const int64_t DRAIN_ONE_NS = 100000000, DRAIN_MANY_NS = 250000000;
static const int64_t BUSY_LIMIT_NS = 120000000000;

/* Nothing goes out, and no `ok` counts, until the answers to all that is in flight
 * behind a refused line are in, or the wire is quiet; then the lines from `next`. */
static void drain(struct axis *axis, uint64_t expected, int64_t now_ns)
{
    axis->drain_expected = expected < 1 ? 1 : (int)expected;
    axis->drain_heard = 0;
    axis->draining = true;
    axis->drain_until_ns = now_ns + (expected > 1 ? DRAIN_MANY_NS : DRAIN_ONE_NS);
}

static void halt_done(struct axis *axis, double stage_mm, int64_t now_ns)
{
    if (axis->halt_stale > 0) {
        axis->halt_stale--; /* asked before the halt, while moving */
        return;
    }
    if (axis->next != axis->tail)
        return;
    int64_t asked_ns = axis_line_at(axis, axis->tail - 1)->first_ns;
    axis->kept = axis->head = axis->next = axis->tail;
    axis->state = AXIS_STATE_RUNNING;
    axis->renumber = axis->settings.checksums;
    axis_say_position(axis, stage_mm, asked_ns, now_ns);
    axis_halted(axis, stage_mm, now_ns);
    /* The question's own `ok` is still to come, unless it gets lost. */
    drain(axis, 1, now_ns);
    axis->drain_heard = 1;
}

static bool says_position(const struct axis *axis, const char *text, double *wire)
{
    return axis_find_value(text, axis->settings.letter, true, wire) && fabs(*wire) < FARTHEST_MM;
}

static void hear_position(struct axis *axis, const char *text, int64_t now_ns)
{
    double wire;
    if (!says_position(axis, text, &wire))
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
        if (axis->drain_heard >= axis->drain_expected)
            axis->draining = false;
        return;
    }
    if (*text)
        hear_position(axis, text, now_ns);
    if (axis->draining) { /* the position ended a halt, and this is its `ok` */
        axis->draining = false;
        return;
    }
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
        bool counting = line->number == 0 && line->again;
        if (line->number == number && !counting)
            return i;
        if ((line->number > 0 || counting) && line->number + 1 == number)
            return i + 1;
        if (counting)
            return UINT64_MAX;
    }
    return UINT64_MAX;
}

/* The line that sets the count, and stands alone, came through damaged. */
static bool repeat_counting(struct axis *axis, const char *text, int64_t now_ns)
{
    if (axis->head == axis->next)
        return false;
    struct axis_line *line = axis_line_at(axis, axis->head);
    if (line->number != 0 || !line->again || line->probes >= RESEND_LIMIT)
        return false;
    axis_say(axis, AXIS_RESEND, 0, now_ns, text);
    line->probes++;
    axis->next = axis->head;
    drain(axis, 1, now_ns);
    return true;
}

static void resend(struct axis *axis, long number, const char *text, int64_t now_ns)
{
    if (axis->state != AXIS_STATE_RUNNING) {
        axis_say(axis, AXIS_CHATTER, 0, now_ns, text);
        return;
    }
    if (repeat_counting(axis, text, now_ns))
        return;
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
        axis->resend_repeats = number == axis->resend_number ? axis->resend_repeats + 1 : 0;
        axis->resend_number = number;
        if (axis->resend_repeats >= RESEND_LIMIT) {
            axis_freeze(axis, AXIS_REFUSED, now_ns, text);
            return;
        }
        axis_say(axis, AXIS_RESEND, 0, now_ns, text);
        bool repeated = axis->head < axis->next && axis_line_at(axis, axis->head)->probes > 0;
        uint64_t from = repeated || place > axis->next ? axis->head : place;
        drain(axis, axis->next > from ? axis->next - from : 1, now_ns);
    }
    while (axis->head < place)
        axis_accept(axis, now_ns); /* their answers got lost */
    axis->head = axis->next = place;
}

static void hear_resend(struct axis *axis, long number, const char *text, int64_t now_ns)
{
    resend(axis, number, text, now_ns);
    if (axis->draining) {
        axis->drain_heard++;
        axis->drain_until_ns =
            now_ns + (axis->drain_heard < axis->drain_expected ? DRAIN_MANY_NS : DRAIN_ONE_NS);
    }
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
    /* The number got lost: all that is in flight again, and a controller that has
     * some of it already says which it wants. */
    if (axis->head < axis->next && axis_line_at(axis, axis->head)->number > 0)
        resend(axis, axis_line_at(axis, axis->head)->number, text, now_ns);
    else
        axis_say(axis, AXIS_CHATTER, 0, now_ns, text);
}

static void hear_unknown(struct axis *axis, const char *text, int64_t now_ns)
{
    /* A numbered line is never damaged unnoticed: what is neither a G nor an M word
     * there is a scrap of one, and asked for again. No quick stop known: M400 waits. */
    const char *quote = strchr(text, '"');
    bool scrap = axis->settings.checksums && quote && quote[1] != 'G' && quote[1] != 'M';
    if (axis->state == AXIS_STATE_HALTING || scrap)
        axis_say(axis, AXIS_CHATTER, 0, now_ns, text);
    else if (!repeat_counting(axis, text, now_ns))
        axis_freeze(axis, AXIS_REFUSED, now_ns, text);
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

void axis_acknowledged_hear(struct axis *axis, const char *text, int64_t now_ns)
{
    if (axis->state == AXIS_STATE_GREETING) {
        axis->greeted = axis->greeted || axis_is_greeting(text);
        axis_say(axis, AXIS_CHATTER, 0, now_ns, text);
        return;
    }
    if (axis->state == AXIS_STATE_FROZEN || axis->state == AXIS_STATE_LOST) {
        if (axis->state == AXIS_STATE_FROZEN && axis_is_greeting(text))
            axis_lose(axis, AXIS_RESET, now_ns, text);
        else
            axis_say(axis, AXIS_CHATTER, 0, now_ns, text);
        return;
    }
    bool noted =
        axis_begins(text, "echo:") || axis_begins(text, "//") || axis_begins(text, "info:");
    if (axis_is_greeting(text)) {
        if (axis_being_set_up(axis))
            axis_greet_again(axis, now_ns);
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
        hear_unknown(axis, text, now_ns);
    } else if (axis_begins(text, "error") || axis_begins(text, "!!") ||
               (axis_contains(text, "endstop") && axis_contains(text, "hit"))) {
        hear_error(axis, text, now_ns);
    } else if (axis->query_open || axis->state == AXIS_STATE_HALTING) {
        double wire;
        if (says_position(axis, text, &wire)) {
            axis_answered(axis, now_ns);
            hear_position(axis, text, now_ns);
        } else {
            axis_say(axis, AXIS_CHATTER, 0, now_ns, text);
        }
    } else {
        axis_say(axis, AXIS_CHATTER, 0, now_ns, text);
    }
}
