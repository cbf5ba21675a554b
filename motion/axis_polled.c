/* SPDX-License-Identifier: GPL-3.0-or-later
 * Dialect 'status-polled': lines of RS-274 words (NISTIR 6556) into a buffer that is kept
 * full by counting characters, each answered by `ok` or `error:N`; single characters that
 * ask for a report, pause, go on and reset at any time. What is beyond RS-274 is common
 * practice, no source; docs/wire.md lists it.
 *
 * There are no line numbers and no checksums. An answer that got lost is made good, once
 * the reports show that all is done. A line that got lost shows in where the axis stands,
 * and is fatal: sent again, it would make a motion that nobody planned. */
#include "motion/axis_polled.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static const int64_t ASK_AGAIN_NS = 1000000000; /* an answer takes milliseconds */
static const int64_t ASK_LIMIT_NS = 5000000000; /* then it is silent */
static const int64_t OVERDUE_NS = 1000000000;   /* an answer is looked into after that */
static const int64_t HOMING_OVERDUE_NS = 10000000000;
static const int64_t LOOK_NS = 500000000; /* between the reports of looking into it */
enum { IDLE_REPORTS = 2, SETUP_TRIES = 3 };
/* Between where it stands and where it was sent: decimals of a report, and steps. */
static const double AGREES_MM = 0.02;
/* Between two reports of one place. */
static const double SAME_MM = 1e-6;

/* ---- lines out ---- */

static void put_place(struct axis *axis, struct axis_line *line, double wire_mm)
{
    axis_put(line, "G92");
    axis_put_value(line, axis->settings.letter, wire_mm, 4);
}

static void compose_home(struct axis *axis, struct axis_line *line)
{
    line->alone = true;
    /* Without a switch the axis is declared to be at home, where its user put it. */
    int step = line->command.step + (axis->settings.homes ? 0 : 1);
    line->last = step == 1;
    if (step == 0) {
        axis_put(line, "$H");
        line->blocks = true;
    } else if (isfinite(axis->settings.home_mm)) {
        put_place(axis, line, axis_to_wire(axis, axis->settings.home_mm));
    } else {
        axis_put(line, "G4 P0");
    }
}

static void compose_setup(struct axis *axis, struct axis_line *line, int step)
{
    line->alone = line->again = true;
    switch (step) {
    case POLLED_SETUP_UNLOCK:
        axis_put(line, "$X");
        return;
    case POLLED_SETUP_UNITS:
        axis_put(line, "G21 G90 G94");
        return;
    case POLLED_SETUP_MODES:
        axis->polled.modes_seen = false;
        axis_put(line, "$G");
        return;
    default:
        put_place(axis, line, axis->polled.stopped_wire_mm);
        return;
    }
}

static void compose(struct axis *axis, struct axis_line *line)
{
    const struct axis_command *command = &line->command;
    /* An axis that homes may be unlocked: nothing moves before it has homed. */
    int step = command->step + (axis->settings.homes ? 0 : 1);
    axis->polled.spoken = true;
    line->last = true;
    switch (command->kind) {
    case AXIS_DO_CONNECT:
        compose_setup(axis, line, step);
        line->last = step == POLLED_SETUP_MODES;
        break;
    case AXIS_DO_HOME:
        compose_home(axis, line);
        break;
    case AXIS_DO_MOVE:
        axis_put(line, "G1");
        axis_put_value(line, axis->settings.letter, axis_to_wire(axis, command->stage_mm), 4);
        axis_put_value(line, 'F', command->feed_mm_s * 60, 3);
        break;
    case AXIS_DO_DWELL:
        axis_put(line, "G4");
        axis_put_value(line, 'P', command->duration_s, 3);
        break;
    case AXIS_DO_HALT:
        compose_setup(axis, line, command->step);
        break;
    case AXIS_DO_SETTLE: /* a dwell begins when the motion before it has ended */
    case AXIS_DO_QUERY:  /* never a line */
    case AXIS_DO_COUNT:
        axis_put(line, "G4 P0");
        break;
    }
    axis_put(line, "\n");
}

static size_t budget(const struct axis *axis)
{
    return (size_t)axis->settings.buffer_bytes;
}

void polled_urge(struct axis *axis, const char *bytes)
{
    size_t size = strlen(bytes);
    if (axis->urgent_size + size > sizeof axis->urgent)
        return; /* a port that takes nothing: the watch over answers will tell */
    memcpy(axis->urgent + axis->urgent_size, bytes, size);
    axis->urgent_size += size;
}

void polled_urge_reset(struct axis *axis)
{
    axis->urgent_size = 0; /* whatever it was for */
    polled_urge(axis, POLLED_RESET_BYTE);
}

/* ---- questions ---- */

void polled_ask(struct axis *axis, int64_t now_ns)
{
    bool talks = axis->state == AXIS_STATE_RUNNING || axis->state == AXIS_STATE_HALTING;
    if (axis->query_open || !talks)
        return;
    axis->query_wanted = false;
    axis->query_open = true;
    axis->query_asked_ns = axis->polled.asked_ns = now_ns;
    polled_urge(axis, POLLED_ASK_BYTE);
}

/* The caller's own question, which waits until it has homed. */
static void ask(struct axis *axis, int64_t now_ns)
{
    if (!axis_deaf(axis))
        polled_ask(axis, now_ns);
}

/* When the oldest line should have been answered; INT64_MAX: nothing is awaited. */
static int64_t overdue_ns(const struct axis *axis)
{
    if (axis->state != AXIS_STATE_RUNNING || axis->head == axis->next)
        return INT64_MAX;
    if (axis_deaf(axis)) {
        const struct axis_line *line = &axis->lines[axis->head % AXIS_LINE_ROOM];
        return line->sent_ns + HOMING_OVERDUE_NS;
    }
    int64_t limit_ns;
    return axis_waiting_since(axis, &limit_ns) + OVERDUE_NS;
}

/* When to ask in order to know what has become of the oldest line. */
static int64_t look_ns(const struct axis *axis)
{
    const struct polled_state *polled = &axis->polled;
    if (axis->query_open || axis->state != AXIS_STATE_RUNNING)
        return INT64_MAX;
    if (polled->check)
        return polled_check_deadline_ns(axis);
    int64_t due = overdue_ns(axis), apart = polled->asked_ns + LOOK_NS;
    return due == INT64_MAX || due > apart ? due : apart;
}

static int64_t ask_again_ns(const struct axis *axis)
{
    if (!axis->query_open || axis->state != AXIS_STATE_RUNNING)
        return INT64_MAX;
    return axis->polled.asked_ns + (axis_deaf(axis) ? HOMING_OVERDUE_NS : ASK_AGAIN_NS);
}

void polled_ask_afresh(struct axis *axis, int64_t now_ns)
{
    if (!axis->query_open)
        return;
    axis->query_open = false;
    polled_ask(axis, now_ns);
}

/* ---- answers that got lost ---- */

/* It has been idle for some time, and the oldest line has no answer. */
static void make_good(struct axis *axis, double wire_mm, int64_t now_ns)
{
    struct axis_line *line = axis_line_at(axis, axis->head);
    axis->polled.idle_reports = 0;
    if (line->command.kind == AXIS_DO_CONNECT || line->command.kind == AXIS_DO_HOME) {
        /* Answer or line: either way it does no harm a second time. */
        if (line->probes >= SETUP_TRIES)
            return;
        line->probes++;
        axis->next = axis->head;
        axis_say(axis, AXIS_RESEND, 0, now_ns, "no answer, and it is idle: sent again");
        return;
    }
    for (uint64_t i = axis->next; i-- > axis->head;) {
        const struct axis_command *command = &axis_line_at(axis, i)->command;
        if (command->kind != AXIS_DO_MOVE)
            continue;
        double sent_mm = axis_to_wire(axis, command->stage_mm);
        if (fabs(wire_mm - sent_mm) <= AGREES_MM)
            break;
        char text[120];
        snprintf(text, sizeof text,
                 "a line got lost: it stands at %.3f mm, and was sent to %.3f mm", wire_mm,
                 sent_mm);
        axis_freeze(axis, AXIS_REFUSED, now_ns, text);
        return;
    }
    axis_say(axis, AXIS_CHATTER, 0, now_ns, "an answer got lost: all that was sent is done");
    while (axis->head < axis->next)
        axis_accept(axis, now_ns);
    axis->polled.check = POLLED_NO_CHECK;
    axis->polled.early_oks = 0;
}

void polled_look_into(struct axis *axis, const struct polled_report *report, int64_t now_ns)
{
    double wire_mm = report->wire_mm;
    struct polled_state *polled = &axis->polled;
    int64_t due = overdue_ns(axis);
    bool placed = isfinite(wire_mm) || axis_deaf(axis) || !axis->position_known;
    bool counts = due != INT64_MAX && axis->query_asked_ns >= due && placed &&
                  report->doing == POLLED_IDLE && !polled->check;
    /* Two that agree: one may have been damaged on its way. */
    bool same = isnan(wire_mm) ? isnan(polled->idle_mm) : fabs(wire_mm - polled->idle_mm) < SAME_MM;
    polled->idle_reports = !counts ? 0 : same ? polled->idle_reports + 1 : 1;
    polled->idle_mm = wire_mm;
    if (polled->idle_reports >= IDLE_REPORTS)
        make_good(axis, wire_mm, now_ns);
}

/* ---- time ---- */

static void connect(struct axis *axis, bool greeted)
{
    /* What an earlier talk left it in, an alarm or motion, ends with a reset. */
    bool resets = axis->polled.spoken && !greeted;
    axis->polled = (struct polled_state){.spoken = axis->polled.spoken,
                                         .reset_sent = resets,
                                         .set_wire_mm = NAN,
                                         .stopped_wire_mm = NAN};
    axis->polled.idle_mm = axis->polled.odd_offset_mm = NAN;
    axis->query_open = false;
    if (resets)
        polled_urge_reset(axis);
}

static void tick(struct axis *axis, int64_t now_ns)
{
    struct polled_state *polled = &axis->polled;
    if (axis->state == AXIS_STATE_GREETING) {
        if (axis->greeting_ns < 0)
            axis->greeting_ns = now_ns;
        if (now_ns < axis_greeting_ends_ns(axis))
            return;
        if (axis->greeted || polled->reset_sent) {
            axis->state = AXIS_STATE_RUNNING;
        } else {
            /* It did not start just now: what it may still be doing ends here. */
            polled->reset_sent = true;
            polled_urge_reset(axis);
            axis->greeting_ns = now_ns;
            axis->greeted_ns = -1;
        }
        return;
    }
    if (axis->state == AXIS_STATE_HALTING) {
        polled_halt_tick(axis, now_ns);
        return;
    }
    if (now_ns >= look_ns(axis))
        polled_ask(axis, now_ns);
    if (now_ns < ask_again_ns(axis))
        return;
    if (!axis_deaf(axis) && now_ns >= axis->query_asked_ns + ASK_LIMIT_NS) {
        axis_freeze(axis, AXIS_SILENT, now_ns, "no report within 5 s of being asked for one");
        return;
    }
    polled->asked_ns = now_ns;
    polled_urge(axis, POLLED_ASK_BYTE);
}

static int64_t deadline_ns(const struct axis *axis)
{
    if (axis->state == AXIS_STATE_GREETING)
        return axis_greeting_ends_ns(axis);
    if (axis->state == AXIS_STATE_HALTING)
        return polled_halt_deadline_ns(axis);
    int64_t look = look_ns(axis), again = ask_again_ns(axis);
    return look < again ? look : again;
}

const struct axis_dialect axis_polled = {
    .name = "status-polled",
    .compose = compose,
    .hear = polled_hear,
    .connect = connect,
    .halt = polled_halt,
    .tick = tick,
    .deadline_ns = deadline_ns,
    .budget = budget,
    .flight_room = 24,
    .ask = ask,
};
