/* SPDX-License-Identifier: GPL-3.0-or-later
 * Dialect 'status-polled', the controller's words: `ok` and `error:N`, one a line sent;
 * `ALARM:N`; status reports; greetings; notes in brackets; and what is none of these. */
#include "motion/axis_polled.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

enum { LOCKED = 9, REFUSED_TRIES = 3 };
static const double SAME_MM = 1e-6;

/* "NAME 1.2 ['$' for help]", or the words of other controllers. */
static bool is_greeting(const char *text)
{
    return axis_contains(text, "for help]") || axis_is_greeting(text);
}

/* A note that only a controller makes that has just started, and found itself locked. */
static bool tells_of_lock(const char *text)
{
    return text[0] == '[' && axis_contains(text, "to unlock");
}

/* ---- answers to lines ---- */

static void hear_ok(struct axis *axis, const char *text, int64_t now_ns)
{
    axis_answered(axis, now_ns);
    axis->polled.idle_reports = 0;
    for (; axis_begins(text, "ok"); text += 2) /* "okok": the end of a line got lost */
        polled_take_answer(axis, now_ns);
}

static bool harmless_twice(const struct axis_line *line)
{
    return line->command.kind == AXIS_DO_CONNECT || line->command.kind == AXIS_DO_HOME ||
           line->command.kind == AXIS_DO_HALT;
}

static void hear_error(struct axis *axis, const char *text, int64_t now_ns)
{
    long code = polled_code(text);
    char words[160];
    snprintf(words, sizeof words, "%.100s%s", text, polled_error_meaning(code));
    axis_answered(axis, now_ns);
    if (axis->head == axis->next) {
        axis_freeze(axis, code == LOCKED ? AXIS_ALARM : AXIS_REFUSED, now_ns, words);
        return;
    }
    struct axis_line *line = axis_line_at(axis, axis->head);
    if (line->abandoned) {
        axis_accept(axis, now_ns);
        return;
    }
    if (code != LOCKED && harmless_twice(line) && line->probes < REFUSED_TRIES) {
        axis_say(axis, AXIS_RESEND, 0, now_ns, words);
        line->probes++; /* it may have come through damaged */
        axis->next = axis->head;
        return;
    }
    size_t size = strlen(words);
    snprintf(words + size, sizeof words - size, " for '%.*s'",
             (int)(line->size ? line->size - 1 : 0), line->bytes);
    axis_freeze(axis, code == LOCKED ? AXIS_ALARM : AXIS_REFUSED, now_ns, words);
}

static void hear_alarm(struct axis *axis, const char *text, int64_t now_ns)
{
    char words[160];
    bool resetting = axis->state == AXIS_STATE_HALTING && axis->polled.halt > POLLED_HOLD;
    snprintf(words, sizeof words, "%.100s%s", text, polled_alarm_meaning(polled_code(text)));
    if (resetting) { /* it had not come to rest before */
        axis->polled.place_lost = true;
        axis_say(axis, AXIS_CHATTER, 0, now_ns, words);
        return;
    }
    axis_freeze(axis, AXIS_ALARM, now_ns, words);
}

/* ---- reports ---- */

/* Where it stands in the coordinate that lines use; NaN: not told since that was set. */
static double wire_of(struct axis *axis, const struct polled_report *report)
{
    struct polled_state *polled = &axis->polled;
    if (isfinite(report->offset_mm)) {
        /* Only we set it: another one is damaged, unless it comes twice. */
        bool same = fabs(report->offset_mm - polled->offset_mm) < SAME_MM;
        bool twice = fabs(report->offset_mm - polled->odd_offset_mm) < SAME_MM;
        polled->odd_offset_mm = same ? NAN : report->offset_mm;
        if (!polled->offset_known || twice) {
            polled->offset_mm = report->offset_mm;
            polled->offset_known = true;
        }
    }
    if (isfinite(report->wire_mm))
        return report->wire_mm;
    return polled->offset_known ? report->machine_mm - polled->offset_mm : NAN;
}

static void tell_pause(struct axis *axis, const struct polled_report *report, const char *text,
                       int64_t now_ns)
{
    bool paused = report->doing == POLLED_PAUSED || report->doing == POLLED_SLOWING ||
                  report->doing == POLLED_MAYBE_REST;
    if (paused && !axis->polled.paused_told) {
        char words[160];
        snprintf(words, sizeof words, "paused at the controller, not from here: %.100s", text);
        axis_say(axis, AXIS_CHATTER, 0, now_ns, words);
    }
    axis->polled.paused_told = paused;
}

static void hear_report(struct axis *axis, const char *text, int64_t now_ns)
{
    struct polled_report report;
    if (!polled_read_report(text, axis->settings.letter, &report)) {
        axis_say(axis, AXIS_CHATTER, 0, now_ns, text);
        return;
    }
    if (axis->state == AXIS_STATE_HALTING && axis->halt_stale > 0) {
        axis->halt_stale--; /* asked for before the halt */
        return;
    }
    double wire_mm = wire_of(axis, &report);
    bool asked = axis->query_open;
    axis->query_open = false;
    if (axis->state == AXIS_STATE_RUNNING) {
        if (report.doing == POLLED_LOCKED && !axis_being_set_up(axis) && !axis_deaf(axis)) {
            axis_freeze(axis, AXIS_ALARM, now_ns, text);
            return;
        }
        tell_pause(axis, &report, text, now_ns);
        if (asked && axis->position_known && isfinite(wire_mm))
            axis_say_position(axis, axis_to_wire(axis, wire_mm), axis->query_asked_ns, now_ns);
    }
    report.wire_mm = wire_mm;
    if (axis->polled.check)
        polled_check_report(axis, &report, now_ns);
    else if (axis->state == AXIS_STATE_HALTING)
        polled_halt_report(axis, &report, now_ns);
    else if (asked)
        polled_look_into(axis, &report, now_ns);
}

/* ---- all of it ---- */

static void hear_greeting(struct axis *axis, const char *text, int64_t now_ns)
{
    bool resetting = axis->state == AXIS_STATE_HALTING && axis->polled.halt >= POLLED_RESET;
    if (resetting)
        polled_halt_greeted(axis, now_ns);
    else if (axis_being_set_up(axis))
        axis_greet_again(axis, now_ns);
    else
        axis_lose(axis, AXIS_RESET, now_ns, text);
}

void polled_hear(struct axis *axis, const char *text, int64_t now_ns)
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
    bool resetting = axis->state == AXIS_STATE_HALTING && axis->polled.halt >= POLLED_RESET &&
                     axis->polled.halt <= POLLED_QUIET;
    bool counts = !resetting; /* or it answers what is void by now */
    if (is_greeting(text)) {
        hear_greeting(axis, text, now_ns);
    } else if (tells_of_lock(text)) {
        if (resetting)
            axis->polled.place_lost = true;
        else if (!axis_being_set_up(axis))
            axis_lose(axis, AXIS_RESET, now_ns, text);
    } else if (axis_begins(text, "ALARM:")) {
        hear_alarm(axis, text, now_ns);
    } else if (counts && text[0] == '<') {
        hear_report(axis, text, now_ns);
    } else if (counts && axis_begins(text, "ok") &&
               (text[2] == '\0' || axis_begins(text + 2, "ok"))) {
        hear_ok(axis, text, now_ns);
    } else if (counts && axis_begins(text, "[GC:")) {
        polled_hear_modes(axis, text);
    } else if (counts && axis_begins(text, "error:")) {
        hear_error(axis, text, now_ns);
    } else {
        axis_say(axis, AXIS_CHATTER, 0, now_ns, text);
    }
}
