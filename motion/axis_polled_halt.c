/* SPDX-License-Identifier: GPL-3.0-or-later
 * Dialect 'status-polled', stopping. There is no word that slows down and forgets what is
 * queued. So: a pause; once it stands, a reset, which empties buffer and planner and keeps
 * the machine's position (but not while it moves: then the position is lost); then units,
 * mode, and the place that it stands at, since a reset forgets that too. */
#include "motion/axis_polled.h"

#include <math.h>

static const int64_t LOOK_NS = 100000000;        /* between questions */
static const int64_t HOLD_LIMIT_NS = 3000000000; /* and the time to stop */
static const int64_t GREETING_LIMIT_NS = 2000000000;
static const int64_t QUIET_NS = 250000000;
static const int64_t TELL_LIMIT_NS = 5000000000;
enum { RESETS = 3, REST_REPORTS = 2 };
static const double STANDS_MM = 1e-6; /* between two reports, of the same digits */

static void enter(struct axis *axis, enum polled_halt halt, int64_t now_ns)
{
    axis->polled.halt = halt;
    axis->polled.halt_since_ns = now_ns;
}

static void reset(struct axis *axis, int64_t now_ns)
{
    axis->polled.resets++;
    axis->query_open = false;
    axis->polled.check = POLLED_NO_CHECK;
    axis->polled.early_oks = 0;
    axis->kept = axis->head = axis->next = axis->tail;
    axis->motion_end_ns = now_ns;
    axis->homed = axis->position_known = false; /* until its coordinate is set again */
    enter(axis, POLLED_RESET, now_ns);
    polled_urge_reset(axis);
}

void polled_halt(struct axis *axis, bool now, int64_t now_ns)
{
    struct polled_state *polled = &axis->polled;
    polled->check = POLLED_NO_CHECK;
    polled->early_oks = polled->idle_reports = polled->rest_reports = polled->resets = 0;
    polled->stopped_wire_mm = polled->rest_mm = NAN;
    polled->place_lost = !axis->position_known;
    if (now) {
        polled_urge_reset(axis);
        axis->kept = axis->head = axis->next = axis->tail;
        axis->homed = axis->position_known = false;
        axis->state = AXIS_STATE_LOST;
        axis_halted(axis, NAN, now_ns);
        return;
    }
    if (polled->place_lost) { /* homing, or frozen after an alarm: nothing to save */
        reset(axis, now_ns);
        return;
    }
    enter(axis, POLLED_HOLD, now_ns);
    polled_urge(axis, POLLED_PAUSE_BYTE);
    polled_ask(axis, now_ns);
}

/* At rest when two reports in a row say so, and have it in the same place: it may have been
 * idle between two lines, and a report may have been damaged on its way. */
static bool stands(struct axis *axis, const struct polled_report *report)
{
    struct polled_state *polled = &axis->polled;
    bool same = fabs(report->wire_mm - polled->rest_mm) <= STANDS_MM;
    bool rests = report->doing == POLLED_PAUSED || report->doing == POLLED_IDLE ||
                 report->doing == POLLED_MAYBE_REST;
    polled->rest_reports = !rests ? 0 : same ? polled->rest_reports + 1 : 1;
    polled->rest_mm = report->wire_mm;
    return polled->rest_reports >= REST_REPORTS;
}

static void finish(struct axis *axis, double wire_mm, int64_t now_ns)
{
    bool known = !axis->polled.place_lost && isfinite(wire_mm);
    double stage_mm = known ? axis_to_wire(axis, wire_mm) : NAN;
    axis->state = AXIS_STATE_RUNNING;
    axis->position_known = axis->homed = known;
    if (known)
        axis_say_position(axis, stage_mm, axis->query_asked_ns, now_ns);
    axis_halted(axis, stage_mm, now_ns);
}

void polled_halt_report(struct axis *axis, const struct polled_report *report, int64_t now_ns)
{
    struct polled_state *polled = &axis->polled;
    switch (polled->halt) {
    case POLLED_HOLD:
        if (report->doing == POLLED_LOCKED) {
            polled->place_lost = true;
            reset(axis, now_ns);
        } else if (isfinite(report->wire_mm) && stands(axis, report)) {
            polled->stopped_wire_mm = report->wire_mm;
            reset(axis, now_ns);
        }
        return;
    case POLLED_TELL:
        if (report->doing == POLLED_PAUSED || report->doing == POLLED_MAYBE_REST)
            polled_urge(axis,
                        POLLED_RESUME_BYTE); /* a pause outlived the reset; nothing is queued */
        else if (report->doing == POLLED_LOCKED)
            axis_freeze(axis, AXIS_ALARM, now_ns, "locked after a reset");
        else
            finish(axis, report->wire_mm, now_ns);
        return;
    default:
        return;
    }
}

void polled_halt_greeted(struct axis *axis, int64_t now_ns)
{
    if (axis->polled.halt == POLLED_SETUP || axis->polled.halt == POLLED_TELL) {
        axis->polled.place_lost = true; /* once more, and not asked for */
        axis->kept = axis->head = axis->next = axis->tail;
        axis->query_open = false;
    }
    enter(axis, POLLED_QUIET, now_ns);
}

void polled_halt_set_up(struct axis *axis, int step, int64_t now_ns)
{
    struct polled_state *polled = &axis->polled;
    if (step == POLLED_SETUP_UNLOCK && !(polled->place_lost && axis->settings.homes))
        step++; /* not locked; or only a person may say that it may move */
    if (step == POLLED_SETUP_PLACE && polled->place_lost)
        step++;
    if (step == POLLED_SETUP_DONE) {
        enter(axis, POLLED_TELL, now_ns);
        polled_ask(axis, now_ns);
        return;
    }
    axis_push(axis, AXIS_DO_HALT, step);
}

void polled_halt_taken(struct axis *axis, int64_t now_ns)
{
    int step = axis_line_at(axis, axis->head - 1)->command.step;
    if (axis->polled.halt == POLLED_SETUP)
        polled_halt_set_up(axis, step + 1, now_ns);
}

static int64_t hold_limit_ns(const struct axis *axis)
{
    double stop_s = 2 * axis->settings.speed_mm_s / axis->settings.acceleration_mm_s2;
    return axis->polled.halt_since_ns + HOLD_LIMIT_NS + (int64_t)(fmin(stop_s, 60) * 1e9);
}

void polled_halt_tick(struct axis *axis, int64_t now_ns)
{
    struct polled_state *polled = &axis->polled;
    if (now_ns < polled_halt_deadline_ns(axis))
        return;
    switch (polled->halt) {
    case POLLED_HOLD:
        if (now_ns >= hold_limit_ns(axis)) {
            reset(axis, now_ns); /* it may say then that its position is lost */
            return;
        }
        axis->halt_stale = 0;
        polled_ask_afresh(axis, now_ns);
        polled_ask(axis, now_ns);
        return;
    case POLLED_RESET:
        if (polled->resets < RESETS)
            reset(axis, now_ns);
        else
            axis_freeze(axis, AXIS_SILENT, now_ns, "no greeting after a reset");
        return;
    case POLLED_QUIET:
        enter(axis, POLLED_SETUP, now_ns);
        polled_halt_set_up(axis, POLLED_SETUP_UNLOCK, now_ns);
        return;
    case POLLED_TELL:
        if (now_ns >= polled->halt_since_ns + TELL_LIMIT_NS) {
            finish(axis, NAN, now_ns);
            return;
        }
        polled_ask_afresh(axis, now_ns);
        polled_ask(axis, now_ns);
        return;
    case POLLED_SETUP: /* its lines are watched over like any other */
        polled_ask_afresh(axis, now_ns);
        polled_ask(axis, now_ns);
        return;
    }
}

int64_t polled_halt_deadline_ns(const struct axis *axis)
{
    const struct polled_state *polled = &axis->polled;
    int64_t look = polled->asked_ns + LOOK_NS;
    switch (polled->halt) {
    case POLLED_HOLD:
        return look < hold_limit_ns(axis) ? look : hold_limit_ns(axis);
    case POLLED_RESET:
        return polled->halt_since_ns + GREETING_LIMIT_NS;
    case POLLED_QUIET:
        return polled->halt_since_ns + QUIET_NS;
    case POLLED_TELL:
        return look < polled->halt_since_ns + TELL_LIMIT_NS ? look
                                                            : polled->halt_since_ns + TELL_LIMIT_NS;
    case POLLED_SETUP:
        return polled->check ? look : INT64_MAX;
    }
    return INT64_MAX;
}
