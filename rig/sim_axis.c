/* SPDX-License-Identifier: GPL-3.0-or-later
 * The simulated controller, the part that all dialects share: bytes into lines, what
 * waits for the motor, homing. The dialects are in sim_axis_NAME.c. */
#include "rig/sim_axis.h"

#include "base/number.h"

#include <gsl/gsl_randist.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

static const double BUSY_S = 2;       /* between busy notices */
static const double BACK_OFF_MM = 2;  /* of homing, before the slow approach */
static const double SLOW_SHARE = 0.2; /* of the homing speed */

/* One word of a line: a letter and a number. Returns false at the end or at nonsense. */
bool sim_axis_word(const char **at, char *letter, double *number)
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

double sim_axis_s(const struct sim_axis *axis, double t)
{
    return t * (1 + axis->truth->axis_skew_ppm * 1e-6);
}

static double true_s(const struct sim_axis *axis, double axis_time_s)
{
    return axis_time_s / (1 + axis->truth->axis_skew_ppm * 1e-6);
}

double sim_axis_motor_mm(const struct sim_axis *axis, double t)
{
    return sim_motion_at_mm(&axis->motion, sim_axis_s(axis, t));
}

void sim_axis_say(struct sim_axis *axis, double t, const char *text)
{
    double delay_s = axis->truth->answer_delay_s;
    if (axis->truth->answer_delay_sd_s > 0)
        delay_s += gsl_ran_exponential(axis->random, axis->truth->answer_delay_sd_s);
    sim_queue_put(&axis->out, text, strlen(text), rig_s_to_ns(t + delay_s));
}

double sim_axis_start_delay_s(struct sim_axis *axis)
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
                              .received_room = (size_t)truth->buffer_bytes,
                              .homes = rig->axis.homes,
                              .wire = strcmp(rig->axis.speaks, "status-polled") == 0
                                          ? &sim_wire_polled
                                          : &sim_wire_acknowledged};
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
    free(axis->left);
    if (axis->random)
        gsl_rng_free(axis->random);
    *axis = (struct sim_axis){0};
}

void sim_axis_power_up(struct sim_axis *axis, double t, bool knows_place)
{
    sim_motion_halt(&axis->motion, sim_axis_s(axis, t), true);
    axis->received_size = axis->line_size = axis->watched_size = axis->discard = 0;
    axis->wait = SIM_WAIT_NOTHING;
    axis->halted = axis->relative = axis->held = false;
    axis->last_line = 0;
    axis->feed_mm_s = axis->truth->homing_speed_mm_s;
    /* An axis that homes counts from 0 until it has; one that doesn't is put at the
     * place that its rig file calls home before the supply comes on. */
    axis->offset_mm = (knows_place ? axis->truth->home_mm : 0) - axis->motion.rest_mm;
    axis->wire->power_up(axis, t);
}

/* The controller's own coordinate, and back. The sign flips here and nowhere else. */
double sim_axis_wire_mm(const struct sim_axis *axis, double motor_mm)
{
    double stage_mm = motor_mm + axis->offset_mm;
    return axis->reversed ? -stage_mm : stage_mm;
}

double sim_axis_motor_of(const struct sim_axis *axis, double wire)
{
    return (axis->reversed ? -wire : wire) - axis->offset_mm;
}

static void carry_out(struct sim_axis *axis, double t, const struct sim_command *command)
{
    double now = sim_axis_s(axis, t);
    if (command->dwell)
        sim_motion_dwell(&axis->motion, now, command->dwell_s, sim_axis_start_delay_s(axis));
    else
        sim_motion_move(&axis->motion, now, command->to_mm, command->feed_mm_s,
                        sim_axis_start_delay_s(axis));
}

void sim_axis_wait_for(struct sim_axis *axis, double t, enum sim_wait what)
{
    axis->wait = what;
    axis->next_busy_s = axis->wire->busy ? t + BUSY_S : INFINITY;
}

void sim_axis_ok(struct sim_axis *axis, double t)
{
    axis->lines_taken++;
    sim_axis_say(axis, t, "ok\n");
}

void sim_axis_queue(struct sim_axis *axis, double t, const struct sim_command *command)
{
    if (axis->discard) {
        sim_axis_ok(axis, t);
    } else if (sim_motion_full(&axis->motion)) {
        axis->pending = *command;
        sim_axis_wait_for(axis, t, SIM_WAIT_SLOT);
    } else {
        carry_out(axis, t, command);
        sim_axis_ok(axis, t);
    }
}

/* A byte for the parser, which isn't waiting. */
static void read_byte(struct sim_axis *axis, char byte, double t)
{
    if (byte != '\n' && byte != '\r') {
        if (axis->line_size < SIM_LINE_SIZE - 1)
            axis->line[axis->line_size++] = byte;
        return;
    }
    if (!axis->line_size && !axis->wire->answers_blanks)
        return;
    axis->line[axis->line_size] = 0;
    axis->line_size = 0;
    char line[SIM_LINE_SIZE];
    memcpy(line, axis->line, sizeof line);
    axis->wire->line(axis, line, t);
}

void sim_axis_read_on(struct sim_axis *axis, double t)
{
    while (axis->wait == SIM_WAIT_NOTHING && !axis->halted && !axis->held && axis->received_size) {
        char byte = axis->received[0];
        axis->received_size--;
        memmove(axis->received, axis->received + 1, axis->received_size);
        read_byte(axis, byte, t);
    }
}

void sim_axis_take(struct sim_axis *axis, const char *bytes, size_t size, double t)
{
    for (size_t i = 0; i < size && !axis->halted; i++) {
        if (axis->wire->snatches && axis->wire->snatches(axis, bytes[i], t)) {
            sim_axis_read_on(axis, t);
            continue;
        }
        if (axis->received_size < axis->received_room)
            axis->received[axis->received_size++] = bytes[i];
        else
            axis->overruns++;
        if (axis->wire->notices)
            axis->wire->notices(axis, bytes[i], t);
        sim_axis_read_on(axis, t);
    }
}

double sim_axis_next_s(const struct sim_axis *axis)
{
    double next = true_s(axis, sim_motion_next_s(&axis->motion));
    bool over = axis->wait == SIM_WAIT_HOMING || axis->wait == SIM_WAIT_ENOUGH ||
                axis->wait == SIM_WAIT_DWELL;
    if (over && !axis->held && sim_motion_idle(&axis->motion))
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
        sim_motion_move(&axis->motion, sim_axis_s(axis, t), places_mm[axis->homing_leg++],
                        share * axis->truth->homing_speed_mm_s, sim_axis_start_delay_s(axis));
        return;
    }
    axis->wire->homed(axis);
    axis->wait = SIM_WAIT_NOTHING;
    sim_motion_forgive(&axis->motion);
    sim_axis_ok(axis, t);
}

void sim_axis_step(struct sim_axis *axis, double t)
{
    if (true_s(axis, sim_motion_next_s(&axis->motion)) <= t)
        sim_motion_step(&axis->motion);
    if (axis->held) {
        /* nothing goes on until it is told to */
    } else if (axis->wait == SIM_WAIT_SLOT && !sim_motion_full(&axis->motion)) {
        axis->wait = SIM_WAIT_NOTHING;
        carry_out(axis, t, &axis->pending);
        sim_axis_ok(axis, t);
    } else if (axis->wait == SIM_WAIT_DWELL && sim_motion_idle(&axis->motion)) {
        sim_motion_dwell(&axis->motion, sim_axis_s(axis, t), axis->pending.dwell_s, 0);
        sim_axis_wait_for(axis, t, SIM_WAIT_ENOUGH);
    } else if (axis->wait == SIM_WAIT_ENOUGH && sim_motion_idle(&axis->motion)) {
        axis->wait = SIM_WAIT_NOTHING;
        sim_motion_forgive(&axis->motion);
        sim_axis_ok(axis, t);
    } else if (axis->wait == SIM_WAIT_HOMING && sim_motion_idle(&axis->motion)) {
        home_on(axis, t);
    }
    if (axis->wait != SIM_WAIT_NOTHING && t >= axis->next_busy_s) {
        axis->wire->busy(axis, t);
        axis->next_busy_s += BUSY_S;
    }
    sim_axis_read_on(axis, t);
}
