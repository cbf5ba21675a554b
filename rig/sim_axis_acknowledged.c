/* SPDX-License-Identifier: GPL-3.0-or-later
 * The controller's side of the acknowledged-lines dialect. Line numbers and checksums
 * are verified, lines wait where the queue is full, and bytes beyond the receive
 * buffer are lost, as they are on a serial line without flow control. */
#include "rig/sim_axis.h"

#include "base/number.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static void power_up(struct sim_axis *axis, double t)
{
    sim_axis_say(axis, t, "start\n");
    sim_axis_say(axis, t, "echo:simulated axis, all data invented\n");
}

static void busy(struct sim_axis *axis, double t)
{
    sim_axis_say(axis, t, "echo:busy: processing\n");
}

static void homed(struct sim_axis *axis)
{
    axis->offset_mm = axis->truth->home_mm - axis->motion.rest_mm;
}

static void tell_position(struct sim_axis *axis, double t)
{
    double place_mm = axis->truth->live_position ? sim_axis_motor_mm(axis, t) : axis->motion.end_mm;
    double steps = axis->truth->step_mm;
    if (axis->truth->live_position && steps > 0)
        place_mm = rint(place_mm / steps) * steps;
    double wire = sim_axis_wire_mm(axis, place_mm), unit = pow(10, axis->truth->position_digits);
    wire = rint(wire * unit) / unit + 0.0; /* + 0.0: never "-0.00" */
    char text[160];
    size_t used = 0;
    const char letters[] = {'X', 'Y', 'Z', axis->letter};
    bool told = false;
    for (size_t i = 0; i < sizeof letters; i++) {
        bool ours = letters[i] == axis->letter;
        if (ours && told)
            continue;
        told = told || ours;
        used += (size_t)snprintf(text + used, sizeof text - used, "%s%c:%.*f", i ? " " : "",
                                 letters[i], axis->truth->position_digits, ours ? wire : 0.0);
    }
    snprintf(text + used, sizeof text - used, "\n");
    sim_axis_say(axis, t, text);
}

static void work_on(struct sim_axis *axis, const char *text, double t)
{
    char code = 0, letter;
    double number, code_number = -1, p = NAN, place = NAN;
    const char *at = text;
    while (sim_axis_word(&at, &letter, &number)) {
        if (!code && (letter == 'G' || letter == 'M')) {
            code = letter;
            code_number = number;
        } else if (letter == axis->letter) {
            place = number;
        } else if (letter == 'F' && number > 0) {
            axis->feed_mm_s = number / 60;
        } else if (letter == 'P') {
            p = number;
        } else if (letter == 'S' && code_number == 4) {
            p = number * 1000;
        }
    }
    bool whole = code_number >= 0 && code_number <= 999 && code_number == rint(code_number);
    int what = code && whole ? (code == 'M' ? 1000 : 0) + (int)code_number : -1;
    switch (what) {
    case 0:
    case 1:
        if (!isfinite(place)) {
            sim_axis_ok(axis, t);
        } else {
            double base = axis->relative ? axis->motion.end_mm : sim_axis_motor_of(axis, 0);
            double by = axis->reversed ? -place : place;
            struct sim_command move = {.to_mm = base + by, .feed_mm_s = axis->feed_mm_s};
            sim_axis_queue(axis, t, &move);
        }
        return;
    case 4: {
        struct sim_command dwell = {.dwell = true, .dwell_s = p > 0 ? p / 1000 : 0};
        sim_axis_queue(axis, t, &dwell);
        return;
    }
    case 28:
        if (axis->discard) {
            sim_axis_ok(axis, t);
            return;
        }
        axis->homing_leg = 0;
        sim_axis_wait_for(axis, t, SIM_WAIT_HOMING);
        return;
    case 90:
    case 91:
        axis->relative = what == 91;
        break;
    case 92:
        if (isfinite(place))
            axis->offset_mm = (axis->reversed ? -place : place) - axis->motion.end_mm;
        break;
    case 21:
    case 1110:
    case 1410: /* done when it arrived */
        break;
    case 1112:
        return; /* likewise; never answered */
    case 1114:
        tell_position(axis, t);
        break;
    case 1400:
        sim_axis_wait_for(axis, t, SIM_WAIT_ENOUGH);
        return;
    default: {
        char echo[SIM_LINE_SIZE + 40];
        snprintf(echo, sizeof echo, "echo:unknown command \"%s\"\n", text);
        sim_axis_say(axis, t, echo);
        break;
    }
    }
    sim_axis_ok(axis, t);
}

static void ask_again(struct sim_axis *axis, double t, const char *why)
{
    char text[160];
    snprintf(text, sizeof text, "Error:%s, last line: %lld\n", why, axis->last_line);
    sim_axis_say(axis, t, text);
    snprintf(text, sizeof text, "Resend: %lld\n", axis->last_line + 1);
    sim_axis_say(axis, t, text);
    sim_axis_say(axis, t, "ok\n");
    axis->lines_refused++;
    /* What came after the bad line is out of order: it goes unread. */
    axis->received_size = axis->line_size = axis->discard = 0;
}

/* Without comments, and without blanks at either end. */
static void strip(char *line)
{
    size_t from = 0, to = 0;
    int inside = 0;
    while (line[from] == ' ' || line[from] == '\t')
        from++;
    for (; line[from] && line[from] != ';'; from++) {
        if (line[from] == '(')
            inside = 1;
        if (!inside)
            line[to++] = line[from];
        if (line[from] == ')')
            inside = 0;
    }
    while (to && (line[to - 1] == ' ' || line[to - 1] == '\t'))
        to--;
    line[to] = 0;
}

/* A whole line without its end, NUL-terminated. */
static void take_line(struct sim_axis *axis, char *line, double t)
{
    char *star = strrchr(line, '*');
    int64_t sum = 0, number = 0;
    if (star) {
        int seen = 0;
        for (const char *c = line; c < star; c++)
            seen ^= (unsigned char)*c;
        size_t digits = strlen(star + 1);
        while (digits && star[digits] == ' ')
            digits--;
        if (!rig_whole_number(star + 1, digits, 0, 255, &sum, NULL) || sum != seen) {
            ask_again(axis, t, "checksum mismatch");
            return;
        }
        *star = 0;
    }
    strip(line);
    const char *text = line;
    if (*text == 'N' || *text == 'n') {
        const char *from = ++text;
        while (*text >= '0' && *text <= '9')
            text++;
        if (!star || !rig_whole_number(from, (size_t)(text - from), 0, 1000000000, &number, NULL)) {
            ask_again(axis, t, star ? "no line number" : "no checksum");
            return;
        }
        while (*text == ' ')
            text++;
        if (strncmp(text, "M110", 4) != 0 && number != axis->last_line + 1) {
            ask_again(axis, t, "line number is not the last one + 1");
            return;
        }
        axis->last_line = number;
    } else if (star) {
        ask_again(axis, t, "no line number");
        return;
    } else if (!*text) {
        return; /* blank lines aren't answered */
    }
    if (!strncmp(text, "M110", 4)) {
        /* the number set is that of the word after it, else the line's own */
        const char *again = strpbrk(text + 4, "Nn");
        if (again && rig_whole_number(again + 1, strspn(again + 1, "0123456789"), 0, 1000000000,
                                      &number, NULL))
            axis->last_line = number;
        sim_axis_ok(axis, t);
    } else {
        work_on(axis, text, t);
    }
    if (axis->discard)
        axis->discard--;
}

static size_t lines_waiting(const struct sim_axis *axis)
{
    size_t lines = 0;
    for (size_t i = 0; i < axis->received_size; i++)
        lines += axis->received[i] == '\n';
    return lines;
}

/* Stops are obeyed as they arrive, whatever the controller is busy with. */
static void watch_byte(struct sim_axis *axis, char byte, double t)
{
    if (byte != '\n' && byte != '\r') {
        if (axis->watched_size < SIM_LINE_SIZE - 1)
            axis->watched[axis->watched_size++] = byte;
        return;
    }
    axis->watched[axis->watched_size] = 0;
    axis->watched_size = 0;
    const char *text = axis->watched;
    if (*text == 'N')
        text += 1 + strspn(text + 1, "0123456789 ");
    bool stop = !strncmp(text, "M410", 4), kill = !strncmp(text, "M112", 4);
    if (!(stop || kill) || (text[4] >= '0' && text[4] <= '9'))
        return;
    sim_motion_halt(&axis->motion, sim_axis_s(axis, t), kill);
    if (kill) {
        axis->halted = true;
        axis->wait = SIM_WAIT_NOTHING;
        axis->received_size = axis->line_size = 0;
        sim_axis_say(axis, t, "Error:emergency stop; switch the controller off and on\n");
        return;
    }
    axis->discard = lines_waiting(axis);
    if (axis->wait == SIM_WAIT_SLOT || axis->wait == SIM_WAIT_HOMING)
        axis->wait = SIM_WAIT_ENOUGH; /* its 'ok' comes when the axis stands */
}

const struct sim_wire sim_wire_acknowledged = {
    .power_up = power_up,
    .notices = watch_byte,
    .line = take_line,
    .busy = busy,
    .homed = homed,
};
