/* SPDX-License-Identifier: GPL-3.0-or-later
 * Dialect 'status-polled', what is not taken by its `ok` alone: this wire has no checksums,
 * and an answer too many would make every later one that of another line. The end of motion,
 * a coordinate, units and mode are checked by what the controller then tells. */
#include "motion/axis_polled.h"

#include <math.h>
#include <string.h>

static const int64_t LOOK_NS = 100000000;
/* A coordinate comes with the next report after it was set, or every thirtieth: common
 * practice, no source. */
enum { PLACE_REPORTS = 35, TRIES = 3 };
/* Decimals of a report, and steps. */
static const double PLACE_MM = 0.01;

void polled_hear_modes(struct axis *axis, const char *text)
{
    axis->polled.modes_seen = true;
    axis->polled.modes_right =
        axis_contains(text, "G21") && axis_contains(text, "G90") && axis_contains(text, "G94");
}

/* Units and mode once more, or the end of it. */
static void set_up_again(struct axis *axis, int64_t now_ns)
{
    if (++axis->polled.setup_tries > TRIES) {
        axis_freeze(axis, AXIS_REFUSED, now_ns,
                    "it does not confirm units and mode (G21 G90 G94) when asked by '$G'");
        return;
    }
    axis_say(axis, AXIS_RESEND, 0, now_ns, "units and mode not confirmed: set again");
    if (axis->state == AXIS_STATE_HALTING)
        polled_halt_set_up(axis, POLLED_SETUP_UNITS, now_ns);
    else
        axis_connect_again(axis);
}

static void taken(struct axis *axis, int64_t now_ns)
{
    const struct axis_line *line = axis_line_at(axis, axis->head);
    struct polled_state *polled = &axis->polled;
    bool deaf = line->blocks, asks_modes = memcmp(line->bytes, "$G", 2) == 0;
    enum axis_command_kind kind = line->command.kind;
    if (asks_modes && !(polled->modes_seen && polled->modes_right)) {
        axis->kept = axis->head = axis->next = axis->tail;
        set_up_again(axis, now_ns);
        return;
    }
    if (asks_modes)
        polled->setup_tries = 0;
    axis_accept(axis, now_ns);
    if (deaf)
        polled_ask_afresh(axis, now_ns);
    if (kind == AXIS_DO_HALT)
        polled_halt_taken(axis, now_ns);
}

static void check(struct axis *axis, enum polled_check what, int64_t now_ns)
{
    axis->polled.check = what;
    axis->polled.check_ns = now_ns;
    axis->polled.check_reports = 0;
    polled_ask(axis, now_ns);
}

void polled_take_answer(struct axis *axis, int64_t now_ns)
{
    struct polled_state *polled = &axis->polled;
    if (polled->check) {
        polled->early_oks++;
        return;
    }
    if (axis->head == axis->next) {
        axis_say(axis, AXIS_CHATTER, 0, now_ns, "ok");
        return;
    }
    const struct axis_line *line = axis_line_at(axis, axis->head);
    if (!line->abandoned && line->command.kind == AXIS_DO_SETTLE) {
        check(axis, POLLED_CHECK_REST, now_ns);
    } else if (!line->abandoned && memcmp(line->bytes, "G92 ", 4) == 0) {
        polled->offset_known = false;
        polled->set_wire_mm = axis->state == AXIS_STATE_HALTING
                                  ? polled->stopped_wire_mm
                                  : axis_to_wire(axis, axis->settings.home_mm);
        check(axis, POLLED_CHECK_PLACE, now_ns);
    } else {
        taken(axis, now_ns);
    }
}

static void pass(struct axis *axis, int64_t at_ns, int64_t now_ns)
{
    struct polled_state *polled = &axis->polled;
    unsigned early = polled->early_oks;
    polled->check = POLLED_NO_CHECK;
    polled->early_oks = 0;
    taken(axis, at_ns);
    for (; early > 0; early--)
        polled_take_answer(axis, now_ns);
}

static void check_place(struct axis *axis, const struct polled_report *report, int64_t now_ns)
{
    struct polled_state *polled = &axis->polled;
    struct axis_line *line = axis_line_at(axis, axis->head);
    if (isfinite(report->wire_mm)) {
        if (fabs(report->wire_mm - polled->set_wire_mm) <= PLACE_MM) {
            pass(axis, now_ns, now_ns);
        } else if (line->probes < TRIES) {
            axis_say(axis, AXIS_RESEND, 0, now_ns, "the coordinate was not set right: set again");
            line->probes++;
            polled->check = POLLED_NO_CHECK;
            axis->next = axis->head;
        } else {
            axis_freeze(axis, AXIS_REFUSED, now_ns, "it does not take the coordinate of G92");
        }
    } else if (++polled->check_reports >= PLACE_REPORTS) {
        /* One that does not tell: it stands where it was said to be. */
        polled->offset_mm = report->machine_mm - polled->set_wire_mm;
        polled->offset_known = isfinite(report->machine_mm);
        axis_say(axis, AXIS_CHATTER, 0, now_ns, "it does not tell its coordinate: not checked");
        pass(axis, now_ns, now_ns);
    }
}

void polled_check_report(struct axis *axis, const struct polled_report *report, int64_t now_ns)
{
    bool rests = report->doing == POLLED_IDLE ||
                 (axis->state == AXIS_STATE_HALTING && report->doing == POLLED_PAUSED);
    if (!rests)
        return; /* asked again, until the line's own time is over */
    if (axis->polled.check == POLLED_CHECK_REST)
        pass(axis, axis->polled.check_ns, now_ns);
    else
        check_place(axis, report, now_ns);
}

int64_t polled_check_deadline_ns(const struct axis *axis)
{
    if (!axis->polled.check || axis->query_open)
        return INT64_MAX;
    return axis->polled.asked_ns + LOOK_NS;
}
