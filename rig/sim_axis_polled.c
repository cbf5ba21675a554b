/* SPDX-License-Identifier: GPL-3.0-or-later
 * The controller's side of the status-polled dialect: single characters are obeyed as they
 * arrive, lines wait in the receive buffer, and each is answered. No line is verified. */
#include "rig/sim_axis.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { LONGEST_LINE = 80, REPORTS_A_WCO = 10 };
/* Where homing leaves it by its own count: off its switch by this much. */
static const double PULLED_OFF_MM = -1;

static void error(struct sim_axis *axis, double t, int code)
{
    char text[32];
    axis->lines_refused++;
    snprintf(text, sizeof text, "error:%d\r\n", code);
    sim_axis_say(axis, t, text);
}

static void greet(struct sim_axis *axis, double t)
{
    axis->wco_mm = 0;
    axis->reports_to_wco = 0;
    axis->feed_mm_s = 0;
    sim_axis_say(axis, t, "\r\nSimulated 1.0 ['$' for help]\r\n");
    if (axis->locked)
        sim_axis_say(axis, t, "[MSG:'$H'|'$X' to unlock]\r\n");
}

static void power_up(struct sim_axis *axis, double t)
{
    axis->locked = axis->homes;
    axis->left_count = 0;
    greet(axis, t);
}

static void homed(struct sim_axis *axis)
{
    axis->offset_mm = (axis->reversed ? -PULLED_OFF_MM : PULLED_OFF_MM) - axis->motion.rest_mm;
    axis->locked = false;
}

/* ---- single characters ---- */

static void tell(struct sim_axis *axis, double t)
{
    bool idle = sim_motion_idle(&axis->motion);
    const char *state = axis->locked                            ? "Alarm"
                        : axis->wait == SIM_WAIT_HOMING         ? "Home"
                        : axis->held && idle                    ? "Hold:0"
                        : axis->held                            ? "Hold:1"
                        : idle || axis->wait == SIM_WAIT_ENOUGH ? (idle ? "Idle" : "Run")
                                                                : "Run";
    double place_mm = sim_axis_motor_mm(axis, t), steps = axis->truth->step_mm;
    if (steps > 0)
        place_mm = rint(place_mm / steps) * steps;
    double unit = pow(10, axis->truth->position_digits);
    double wire = rint(sim_axis_wire_mm(axis, place_mm) * unit) / unit + 0.0; /* never "-0.00" */
    static const char letters[] = "XYZABCUVW";
    const char *ours = strchr(letters, axis->letter == 'E' ? 'A' : axis->letter);
    int last = ours && ours - letters > 2 ? (int)(ours - letters) : 2;
    char text[320];
    size_t used = (size_t)snprintf(text, sizeof text, "<%s|MPos:", state);
    for (int i = 0; i <= last; i++)
        used += (size_t)snprintf(text + used, sizeof text - used, "%s%.*f", i ? "," : "",
                                 axis->truth->position_digits,
                                 ours && i == ours - letters ? wire : 0.0);
    used += (size_t)snprintf(text + used, sizeof text - used, "|Bf:%zu,%zu|FS:0,0",
                             axis->motion.room - axis->motion.count,
                             axis->received_room - axis->received_size);
    if (axis->reports_to_wco-- <= 0) {
        axis->reports_to_wco = REPORTS_A_WCO;
        used += (size_t)snprintf(text + used, sizeof text - used, "|WCO:");
        for (int i = 0; i <= last; i++)
            used += (size_t)snprintf(text + used, sizeof text - used, "%s%.3f", i ? "," : "",
                                     ours && i == ours - letters ? axis->wco_mm : 0.0);
    }
    snprintf(text + used, sizeof text - used, ">\r\n");
    sim_axis_say(axis, t, text);
}

static void hold(struct sim_axis *axis, double t)
{
    struct sim_motion *motion = &axis->motion;
    if (axis->held || axis->locked || axis->wait == SIM_WAIT_HOMING)
        return;
    free(axis->left);
    axis->left = calloc(motion->count + 1, sizeof *axis->left);
    axis->left_count = axis->left ? motion->count : 0;
    for (size_t i = 0; i < axis->left_count; i++) {
        const struct sim_block *block = &motion->blocks[(motion->head + i) % motion->room];
        axis->left[i] =
            (struct sim_command){block->dwell, block->to_mm, block->feed_mm_s, block->dwell_s};
    }
    axis->held = true;
    sim_motion_halt(motion, sim_axis_s(axis, t), false);
}

static void resume(struct sim_axis *axis, double t)
{
    if (!axis->held || !sim_motion_idle(&axis->motion))
        return;
    axis->held = false;
    for (size_t i = 0; i < axis->left_count; i++) {
        const struct sim_command *left = &axis->left[i];
        double delay_s = sim_axis_start_delay_s(axis), now = sim_axis_s(axis, t);
        if (left->dwell)
            sim_motion_dwell(&axis->motion, now, left->dwell_s, delay_s);
        else
            sim_motion_move(&axis->motion, now, left->to_mm, left->feed_mm_s, delay_s);
    }
    axis->left_count = 0;
}

/* Buffer and planner are empty; in motion, it stops dead and may have lost steps. */
static void reset(struct sim_axis *axis, double t)
{
    bool homing = axis->wait == SIM_WAIT_HOMING;
    bool moving = homing || axis->motion.running;
    sim_motion_halt(&axis->motion, sim_axis_s(axis, t), true);
    axis->received_size = axis->line_size = axis->left_count = 0;
    axis->wait = SIM_WAIT_NOTHING;
    axis->held = axis->relative = false;
    if (moving) {
        axis->locked = true;
        sim_axis_say(axis, t, homing ? "ALARM:6\r\n" : "ALARM:3\r\n");
    }
    greet(axis, t);
}

static bool snatches(struct sim_axis *axis, char byte, double t)
{
    if (byte == '?')
        tell(axis, t);
    else if (byte == '!')
        hold(axis, t);
    else if (byte == '~')
        resume(axis, t);
    else if (byte == '\x18')
        reset(axis, t);
    else
        return false;
    return true;
}

/* ---- lines ---- */

struct words {
    bool seen[26];
    double value[26];
    double motion;    /* of modal group 1, -1: none */
    double non_modal; /* of group 0, -1: none */
};

/* Of the words that this controller knows; 0, or the code of an error. NISTIR 6556
 * sections 3.3.5 and 3.4: a letter comes once, but for G words of different groups. */
static int read_words(struct sim_axis *axis, const char *text, struct words *words)
{
    char letter;
    double number;
    *words = (struct words){.motion = -1, .non_modal = -1};
    for (const char *at = text; *at; at += strspn(at, " \t")) {
        if (!sim_axis_word(&at, &letter, &number))
            return 1;
        if (!isfinite(number))
            return 2;
        bool *seen = &words->seen[letter - 'A'];
        if (letter != 'G' && *seen)
            return 25;
        *seen = true;
        words->value[letter - 'A'] = number;
        if (letter != 'G')
            continue;
        if (number == 0 || number == 1) {
            if (words->motion >= 0)
                return 21;
            words->motion = number;
        } else if (number == 4 || number == 92) {
            if (words->non_modal >= 0)
                return 21;
            words->non_modal = number;
        } else if (number == 90 || number == 91) {
            axis->relative = number == 91;
        } else if (number != 21 && number != 94 && number != 17 && number != 54) {
            return 20;
        }
    }
    return 0;
}

static void command(struct sim_axis *axis, const struct words *words, double t)
{
    int ours = axis->letter - 'A';
    if (words->non_modal == 4) {
        if (!words->seen['P' - 'A'] || words->value['P' - 'A'] < 0) {
            error(axis, t, 28);
            return;
        }
        axis->pending = (struct sim_command){.dwell = true, .dwell_s = words->value['P' - 'A']};
        sim_axis_wait_for(axis, t, SIM_WAIT_DWELL);
        return;
    }
    if (words->non_modal == 92 && words->seen[ours]) {
        axis->wco_mm = sim_axis_wire_mm(axis, axis->motion.end_mm) - words->value[ours];
        axis->reports_to_wco = 0;
    } else if (words->motion >= 0 && words->seen[ours]) {
        if (words->motion == 1 && !(axis->feed_mm_s > 0)) {
            error(axis, t, 22);
            return;
        }
        double base = axis->relative ? sim_axis_wire_mm(axis, axis->motion.end_mm) : axis->wco_mm;
        struct sim_command move = {.to_mm = sim_axis_motor_of(axis, base + words->value[ours]),
                                   .feed_mm_s = words->motion == 1 ? axis->feed_mm_s
                                                                   : axis->truth->top_speed_mm_s};
        sim_axis_queue(axis, t, &move);
        return;
    }
    sim_axis_ok(axis, t);
}

static void take_line(struct sim_axis *axis, char *line, double t)
{
    struct words words;
    if (strlen(line) > LONGEST_LINE) {
        error(axis, t, 11);
    } else if (!*line) {
        sim_axis_ok(axis, t);
    } else if (!strcmp(line, "$G")) {
        sim_axis_say(axis, t,
                     axis->relative ? "[GC:G0 G54 G17 G21 G91 G94 M5 M9 T0 F0 S0]\r\n"
                                    : "[GC:G0 G54 G17 G21 G90 G94 M5 M9 T0 F0 S0]\r\n");
        sim_axis_ok(axis, t);
    } else if (*line == '$' && !sim_motion_idle(&axis->motion)) {
        error(axis, t, 8);
    } else if (!strcmp(line, "$H") && axis->homes) {
        axis->locked = false;
        axis->homing_leg = 0;
        sim_axis_wait_for(axis, t, SIM_WAIT_HOMING);
    } else if (!strcmp(line, "$X")) {
        if (axis->locked)
            sim_axis_say(axis, t, "[MSG:Caution: Unlocked]\r\n");
        axis->locked = false;
        sim_axis_ok(axis, t);
    } else if (*line == '$') {
        error(axis, t, !strcmp(line, "$H") ? 5 : 3);
    } else if (axis->locked) {
        error(axis, t, 9);
    } else {
        int code = read_words(axis, line, &words);
        if (code) {
            error(axis, t, code);
            return;
        }
        if (words.seen['F' - 'A'] && words.value['F' - 'A'] > 0)
            axis->feed_mm_s = words.value['F' - 'A'] / 60;
        command(axis, &words, t);
    }
}

const struct sim_wire sim_wire_polled = {
    .power_up = power_up,
    .snatches = snatches,
    .line = take_line,
    .homed = homed,
    .answers_blanks = true,
};
