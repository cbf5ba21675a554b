/* SPDX-License-Identifier: GPL-3.0-or-later
 * The controller's side of the acknowledged-lines dialect. Line numbers and checksums
 * are verified, lines wait where the queue is full, and bytes beyond the receive
 * buffer are lost, as they are on a serial line without flow control. */
#include "rig/sim_axis.h"

#include "base/number.h"

#include <gsl/gsl_randist.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const double BUSY_S = 2;       /* between busy notices */
static const double BACK_OFF_MM = 2;  /* of homing, before the slow approach */
static const double SLOW_SHARE = 0.2; /* of the homing speed */

static double axis_s(const struct sim_axis *axis, double t)
{
    return t * (1 + axis->truth->axis_skew_ppm * 1e-6);
}

static double true_s(const struct sim_axis *axis, double axis_time_s)
{
    return axis_time_s / (1 + axis->truth->axis_skew_ppm * 1e-6);
}

double sim_axis_motor_mm(const struct sim_axis *axis, double t)
{
    return sim_motion_at_mm(&axis->motion, axis_s(axis, t));
}

static void say(struct sim_axis *axis, double t, const char *text)
{
    double delay_s = axis->truth->answer_delay_s;
    if (axis->truth->answer_delay_sd_s > 0)
        delay_s += gsl_ran_exponential(axis->random, axis->truth->answer_delay_sd_s);
    sim_queue_put(&axis->out, text, strlen(text), rig_s_to_ns(t + delay_s));
}

static double start_delay_s(struct sim_axis *axis)
{
    double delay_s = axis->truth->start_delay_s;
    if (axis->truth->start_delay_sd_s > 0 && sim_motion_idle(&axis->motion))
        delay_s += gsl_ran_gaussian_ziggurat(axis->random, axis->truth->start_delay_sd_s);
    return fmax(delay_s, 0);
}

int sim_axis_init(struct sim_axis *axis, const struct sim_truth *truth, const struct rig *rig,
                  double at_mm, uint64_t seed, struct rig_err *err)
{
    *axis = (struct sim_axis){.truth = truth,
                              .letter = rig->axis.letter,
                              .reversed = rig->axis.reversed,
                              .received_room = (size_t)truth->buffer_bytes};
    struct sim_law law = {truth->law, truth->acceleration_mm_s2, truth->jerk_mm_s3};
    int code = sim_motion_init(&axis->motion, &law, truth->top_speed_mm_s, truth->lookahead_lines,
                               at_mm, err);
    if (!code)
        code = sim_queue_init(&axis->out, err);
    if (code)
        return code;
    axis->received = malloc(axis->received_room);
    axis->random = gsl_rng_alloc(gsl_rng_mt19937);
    if (!axis->received || !axis->random)
        return rig_fail_memory(err, "the simulated axis");
    gsl_rng_set(axis->random, (unsigned long)seed);
    return 0;
}

void sim_axis_drop(struct sim_axis *axis)
{
    sim_motion_drop(&axis->motion);
    sim_queue_drop(&axis->out);
    free(axis->received);
    if (axis->random)
        gsl_rng_free(axis->random);
    *axis = (struct sim_axis){0};
}

void sim_axis_power_up(struct sim_axis *axis, double t, bool knows_place)
{
    sim_motion_halt(&axis->motion, axis_s(axis, t), true);
    axis->received_size = axis->line_size = axis->watched_size = axis->discard = 0;
    axis->wait = SIM_WAIT_NOTHING;
    axis->halted = axis->relative = false;
    axis->last_line = 0;
    axis->feed_mm_s = axis->truth->homing_speed_mm_s;
    /* An axis that homes counts from 0 until it has; one that doesn't is put at the
     * place that its rig file calls home before the supply comes on. */
    axis->offset_mm = (knows_place ? axis->truth->home_mm : 0) - axis->motion.rest_mm;
    say(axis, t, "start\n");
    say(axis, t, "echo:simulated axis, all data invented\n");
}

/* The controller's own coordinate, and back. The sign flips here and nowhere else. */
static double wire_mm(const struct sim_axis *axis, double motor_mm)
{
    double stage_mm = motor_mm + axis->offset_mm;
    return axis->reversed ? -stage_mm : stage_mm;
}

static double motor_mm(const struct sim_axis *axis, double wire)
{
    return (axis->reversed ? -wire : wire) - axis->offset_mm;
}

static void carry_out(struct sim_axis *axis, double t, const struct sim_command *command)
{
    double now = axis_s(axis, t);
    if (command->dwell)
        sim_motion_dwell(&axis->motion, now, command->dwell_s, start_delay_s(axis));
    else
        sim_motion_move(&axis->motion, now, command->to_mm, command->feed_mm_s,
                        start_delay_s(axis));
}

static void wait_for(struct sim_axis *axis, double t, enum sim_wait what)
{
    axis->wait = what;
    axis->next_busy_s = t + BUSY_S;
}

static void answer_ok(struct sim_axis *axis, double t)
{
    axis->lines_taken++;
    say(axis, t, "ok\n");
}

static void queue_command(struct sim_axis *axis, double t, const struct sim_command *command)
{
    if (axis->discard) {
        answer_ok(axis, t);
    } else if (sim_motion_full(&axis->motion)) {
        axis->pending = *command;
        wait_for(axis, t, SIM_WAIT_SLOT);
    } else {
        carry_out(axis, t, command);
        answer_ok(axis, t);
    }
}

static void tell_position(struct sim_axis *axis, double t)
{
    double place_mm = axis->truth->live_position ? sim_axis_motor_mm(axis, t) : axis->motion.end_mm;
    double steps = axis->truth->step_mm;
    if (axis->truth->live_position && steps > 0)
        place_mm = rint(place_mm / steps) * steps;
    double wire = wire_mm(axis, place_mm), unit = pow(10, axis->truth->position_digits);
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
    say(axis, t, text);
}

/* One word of a line: a letter and a number. Returns false at the end or at nonsense. */
static bool next_word(const char **at, char *letter, double *number)
{
    while (**at == ' ' || **at == '\t')
        ++*at;
    char c = **at;
    if (c >= 'a' && c <= 'z')
        c = (char)(c - 'a' + 'A');
    if (c < 'A' || c > 'Z')
        return false;
    *letter = c;
    const char *from = ++*at;
    while (**at && strchr("+-.0123456789", **at))
        ++*at;
    *number = NAN;
    if (*at > from)
        rig_number(from, (size_t)(*at - from), number, NULL);
    return true;
}

static void work_on(struct sim_axis *axis, const char *text, double t)
{
    char code = 0, letter;
    double number, code_number = -1, p = NAN, place = NAN;
    const char *at = text;
    while (next_word(&at, &letter, &number)) {
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
    int what = code == 'G' ? (int)code_number : code == 'M' ? 1000 + (int)code_number : -1;
    if (code && (code_number != rint(code_number) || code_number < 0 || code_number > 999))
        what = -1;
    switch (what) {
    case 0:
    case 1:
        if (!isfinite(place)) {
            answer_ok(axis, t);
        } else {
            double base = axis->relative ? axis->motion.end_mm : motor_mm(axis, 0);
            double by = axis->reversed ? -place : place;
            struct sim_command move = {.to_mm = base + by, .feed_mm_s = axis->feed_mm_s};
            queue_command(axis, t, &move);
        }
        return;
    case 4: {
        struct sim_command dwell = {.dwell = true, .dwell_s = p > 0 ? p / 1000 : 0};
        queue_command(axis, t, &dwell);
        return;
    }
    case 28:
        if (axis->discard) {
            answer_ok(axis, t);
            return;
        }
        axis->homing_leg = 0;
        wait_for(axis, t, SIM_WAIT_HOMING);
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
        wait_for(axis, t, SIM_WAIT_ENOUGH);
        return;
    default: {
        char echo[SIM_LINE_SIZE + 40];
        snprintf(echo, sizeof echo, "echo:unknown command \"%s\"\n", text);
        say(axis, t, echo);
        break;
    }
    }
    answer_ok(axis, t);
}

static void ask_again(struct sim_axis *axis, double t, const char *why)
{
    char text[160];
    snprintf(text, sizeof text, "Error:%s, last line: %lld\n", why, axis->last_line);
    say(axis, t, text);
    snprintf(text, sizeof text, "Resend: %lld\n", axis->last_line + 1);
    say(axis, t, text);
    say(axis, t, "ok\n");
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
        answer_ok(axis, t);
    } else {
        work_on(axis, text, t);
    }
    if (axis->discard)
        axis->discard--;
}

/* A byte for the parser, which isn't waiting. */
static void read_byte(struct sim_axis *axis, char byte, double t)
{
    if (byte != '\n' && byte != '\r') {
        if (axis->line_size < SIM_LINE_SIZE - 1)
            axis->line[axis->line_size++] = byte;
        return;
    }
    if (!axis->line_size)
        return;
    axis->line[axis->line_size] = 0;
    axis->line_size = 0;
    char line[SIM_LINE_SIZE];
    memcpy(line, axis->line, sizeof line);
    take_line(axis, line, t);
}

static void read_on(struct sim_axis *axis, double t)
{
    while (axis->wait == SIM_WAIT_NOTHING && !axis->halted && axis->received_size) {
        char byte = axis->received[0];
        axis->received_size--;
        memmove(axis->received, axis->received + 1, axis->received_size);
        read_byte(axis, byte, t);
    }
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
    sim_motion_halt(&axis->motion, axis_s(axis, t), kill);
    if (kill) {
        axis->halted = true;
        axis->wait = SIM_WAIT_NOTHING;
        axis->received_size = axis->line_size = 0;
        say(axis, t, "Error:emergency stop; switch the controller off and on\n");
        return;
    }
    axis->discard = lines_waiting(axis);
    if (axis->wait == SIM_WAIT_SLOT || axis->wait == SIM_WAIT_HOMING)
        axis->wait = SIM_WAIT_ENOUGH; /* its 'ok' comes when the axis stands */
}

void sim_axis_take(struct sim_axis *axis, const char *bytes, size_t size, double t)
{
    for (size_t i = 0; i < size && !axis->halted; i++) {
        if (axis->received_size < axis->received_room)
            axis->received[axis->received_size++] = bytes[i];
        else
            axis->overruns++;
        watch_byte(axis, bytes[i], t);
        read_on(axis, t);
    }
}

double sim_axis_next_s(const struct sim_axis *axis)
{
    double next = true_s(axis, sim_motion_next_s(&axis->motion));
    bool over = axis->wait == SIM_WAIT_HOMING || axis->wait == SIM_WAIT_ENOUGH;
    if (over && sim_motion_idle(&axis->motion))
        return -INFINITY; /* at once */
    return axis->wait == SIM_WAIT_NOTHING ? next : fmin(next, axis->next_busy_s);
}

/* Towards the switch, off it again, and slowly back. */
static void home_on(struct sim_axis *axis, double t)
{
    double home_mm = axis->truth->home_mm - axis->slip_mm;
    double middle_mm = (axis->truth->travel_low_mm + axis->truth->travel_high_mm) / 2;
    double back_mm = home_mm + (middle_mm > axis->truth->home_mm ? BACK_OFF_MM : -BACK_OFF_MM);
    const double places_mm[] = {home_mm, back_mm, home_mm};
    if (axis->homing_leg < 3) {
        double share = axis->homing_leg == 2 ? SLOW_SHARE : 1;
        sim_motion_move(&axis->motion, axis_s(axis, t), places_mm[axis->homing_leg++],
                        share * axis->truth->homing_speed_mm_s, start_delay_s(axis));
        return;
    }
    axis->offset_mm = axis->truth->home_mm - axis->motion.rest_mm;
    axis->wait = SIM_WAIT_NOTHING;
    sim_motion_forgive(&axis->motion);
    answer_ok(axis, t);
}

void sim_axis_step(struct sim_axis *axis, double t)
{
    if (true_s(axis, sim_motion_next_s(&axis->motion)) <= t)
        sim_motion_step(&axis->motion);
    if (axis->wait == SIM_WAIT_SLOT && !sim_motion_full(&axis->motion)) {
        axis->wait = SIM_WAIT_NOTHING;
        carry_out(axis, t, &axis->pending);
        answer_ok(axis, t);
    } else if (axis->wait == SIM_WAIT_ENOUGH && sim_motion_idle(&axis->motion)) {
        axis->wait = SIM_WAIT_NOTHING;
        sim_motion_forgive(&axis->motion);
        answer_ok(axis, t);
    } else if (axis->wait == SIM_WAIT_HOMING && sim_motion_idle(&axis->motion)) {
        home_on(axis, t);
    }
    if (axis->wait != SIM_WAIT_NOTHING && t >= axis->next_busy_s) {
        say(axis, t, "echo:busy: processing\n");
        axis->next_busy_s += BUSY_S;
    }
    read_on(axis, t);
}
