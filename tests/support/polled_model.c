/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "polled_model.h"

#include "check.h"
#include "wire_model.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const int64_t SLOWS_DOWN_NS = 60000000;

struct rig_axis polled_axis(void)
{
    struct rig_axis axis = wire_axis();
    snprintf(axis.speaks, sizeof axis.speaks, "status-polled");
    axis.buffer_bytes = 127;
    axis.checksums = false;
    return axis;
}

static uint64_t next_random(struct polled_model *model)
{
    /* xorshift64 (Marsaglia 2003, Journal of Statistical Software 8(14)) */
    model->random ^= model->random << 13;
    model->random ^= model->random >> 7;
    model->random ^= model->random << 17;
    return model->random;
}

/* False: the byte is lost. */
static bool pass(struct polled_model *model, char *byte, double noise)
{
    if (noise <= 0 || (double)(next_random(model) >> 11) * 0x1p-53 >= noise)
        return true;
    model->damaged++;
    if (next_random(model) & 64)
        return false;
    *byte = (char)(*byte ^ (1 << (next_random(model) >> 20 & 7)));
    return true;
}

void polled_model_open(struct polled_model *model, uint64_t seed)
{
    memset(model, 0, sizeof *model);
    model->buffer_bytes = 127;
    model->planner_moves = 15;
    model->answer_ns = 2000000;
    model->machine_mm = 40;
    model->locked = true;
    model->random = seed * 0x9E3779B97F4A7C15u + 1;
    polled_model_speak(model, "Model 1.0 ['$' for help]");
    polled_model_speak(model, "[MSG:'$H'|'$X' to unlock]");
}

void polled_model_speak(struct polled_model *model, const char *text)
{
    char line[256];
    int size = snprintf(line, sizeof line, "%s\r\n", text);
    for (int i = 0; i < size; i++) {
        if (model->said_size == sizeof model->said)
            fail_msg("the model has said more than anybody reads");
        model->said[model->said_size] = line[i];
        model->said_ns[model->said_size++] = model->now_ns + model->answer_ns;
    }
}

static void answer(struct polled_model *model, const char *text)
{
    model->answers++;
    if (model->lose_ok > 0 && --model->lose_ok == 0)
        return;
    polled_model_speak(model, text);
}

static double place_mm(const struct polled_model *model)
{
    if (model->move_count == 0)
        return model->machine_mm;
    const struct polled_move *move = &model->moves[0];
    int64_t at_ns = model->held ? model->held_ns : model->now_ns;
    double share =
        (double)(at_ns - move->start_ns) / fmax(1, (double)(move->end_ns - move->start_ns));
    return move->from_mm + fmin(fmax(share, 0), 1) * (move->to_mm - move->from_mm);
}

double polled_model_wire_mm(const struct polled_model *model)
{
    return place_mm(model) - model->offset_mm;
}

bool polled_model_rests(const struct polled_model *model)
{
    return model->move_count == 0 && !model->homing;
}

static void report(struct polled_model *model)
{
    char text[200];
    if (model->homing && model->homing_deaf) {
        model->questions_waiting = 1;
        return;
    }
    model->reports++;
    bool slow = model->held && model->now_ns < model->held_ns + SLOWS_DOWN_NS;
    const char *state = model->locked       ? "Alarm"
                        : model->homing     ? "Home"
                        : slow              ? "Hold:1"
                        : model->held       ? "Hold:0"
                        : model->move_count ? "Run"
                                            : "Idle";
    double place = place_mm(model), wire = place - model->offset_mm;
    if (model->old_reports)
        snprintf(text, sizeof text, "<%.4s,MPos:0.000,0.000,%.3f,WPos:0.000,0.000,%.3f>", state,
                 place, wire);
    else if (model->never_offset || model->reports % 8 != 1)
        snprintf(text, sizeof text, "<%s|MPos:0.000,0.000,%.3f|FS:600,0>", state, place);
    else
        snprintf(text, sizeof text, "<%s|MPos:0.000,0.000,%.3f|FS:600,0|WCO:0.000,0.000,%.3f>",
                 state, place, model->offset_mm);
    polled_model_speak(model, text);
}

static void reset(struct polled_model *model)
{
    bool slow = model->held && model->now_ns < model->held_ns + SLOWS_DOWN_NS;
    bool moves = (model->move_count > 0 && (!model->held || slow)) || model->homing;
    model->resets++;
    model->machine_mm = place_mm(model);
    if (moves) {
        model->resets_in_motion++;
        model->locked = true;
        polled_model_speak(model, "ALARM:3");
    }
    model->move_count = model->received_size = 0;
    model->held = model->homing = model->dwells = false;
    model->blocked_until_ns = 0;
    model->offset_mm = 0;
    model->inches = model->relative = false;
    polled_model_speak(model, "");
    polled_model_speak(model, "Model 1.0 ['$' for help]");
    if (model->locked)
        polled_model_speak(model, "[MSG:'$H'|'$X' to unlock]");
}

static double word(const char *text, char letter)
{
    const char *at = strchr(text, letter);
    return at ? strtod(at + 1, NULL) : NAN;
}

/* Whether a line could be read: letters with numbers behind them, each letter once. */
static bool readable(const char *line)
{
    bool seen[26] = {false};
    for (const char *at = line; *at;) {
        if (*at < 'A' || *at > 'Z' || (seen[*at - 'A'] && *at != 'G'))
            return false;
        seen[*at++ - 'A'] = true;
        char *end;
        double number = strtod(at, &end);
        if (end == at || !isfinite(number))
            return false;
        at = end + strspn(end, " ");
    }
    return true;
}

static void carry_out(struct polled_model *model, const char *line)
{
    assert_true(model->taken_count < POLLED_TAKEN);
    snprintf(model->taken[model->taken_count++], sizeof model->taken[0], "%.47s", line);
    if (strcmp(line, "$X") == 0) {
        model->locked = false;
        answer(model, "ok");
    } else if (strcmp(line, "$H") == 0) {
        model->homing = true;
        model->locked = false;
        model->blocked_until_ns = model->now_ns + 4000000000;
    } else if (strcmp(line, "$G") == 0) {
        polled_model_speak(model, model->inches     ? "[GC:G0 G54 G17 G20 G90 G94]"
                                  : model->relative ? "[GC:G0 G54 G17 G21 G91 G94]"
                                                    : "[GC:G0 G54 G17 G21 G90 G94]");
        answer(model, "ok");
    } else if (line[0] == '$' || (line[0] && !readable(line))) {
        answer(model, "error:3");
    } else if (model->locked) {
        answer(model, "error:9");
    } else if (strncmp(line, "G1 ", 3) == 0) {
        double from =
            model->move_count ? model->moves[model->move_count - 1].to_mm : model->machine_mm;
        double to = word(line, 'Z') + model->offset_mm, feed = word(line, 'F') / 60;
        int64_t start =
            model->move_count ? model->moves[model->move_count - 1].end_ns : model->now_ns;
        if (!(feed > 0) || !isfinite(to)) {
            answer(model, "error:22");
            return;
        }
        model->moves[model->move_count++] = (struct polled_move){
            from, to, start, start + (int64_t)(fmin(fabs(to - from) / feed, 1e6) * 1e9)};
        answer(model, "ok");
    } else if (strncmp(line, "G4 P", 4) == 0) {
        model->dwells = true;
        model->dwell_s = fmin(fmax(word(line, 'P'), 0), 1e6);
    } else if (strncmp(line, "G92 Z", 5) == 0) {
        model->offset_mm = place_mm(model) - word(line, 'Z');
        model->reports = 0;
        answer(model, "ok");
    } else if (strlen(line) == 11 && (!strncmp(line, "G21 G9", 6) || !strncmp(line, "G20 G9", 6)) &&
               !strcmp(line + 7, " G94") && (line[6] == '0' || line[6] == '1')) {
        model->inches = line[2] == '0';
        model->relative = line[6] == '1';
        answer(model, "ok");
    } else if (!line[0]) {
        answer(model, "ok");
    } else {
        answer(model, "error:20");
    }
}

void polled_model_until(struct polled_model *model, int64_t now_ns)
{
    model->now_ns = now_ns;
    if (model->held)
        return;
    size_t done = 0;
    while (done < model->move_count && model->moves[done].end_ns <= now_ns)
        model->machine_mm = model->moves[done++].to_mm;
    model->move_count -= done;
    memmove(model->moves, model->moves + done, model->move_count * sizeof model->moves[0]);
    for (;;) {
        if (now_ns < model->blocked_until_ns || model->move_count >= model->planner_moves)
            return;
        if (model->homing) {
            model->homing = false;
            model->machine_mm = -1;
            answer(model, "ok");
            if (model->questions_waiting > 0)
                report(model);
            model->questions_waiting = 0;
        }
        if (model->dwells) { /* begins when the motion before it has ended */
            if (model->move_count)
                return;
            if (model->dwell_s > 0) {
                model->blocked_until_ns = now_ns + (int64_t)(model->dwell_s * 1e9);
                model->dwell_s = 0;
                return;
            }
            model->dwells = false;
            answer(model, "ok");
        }
        char *end = memchr(model->received, '\n', model->received_size);
        if (!end)
            return;
        char line[sizeof model->received];
        size_t size = (size_t)(end - model->received);
        memcpy(line, model->received, size);
        line[size] = '\0';
        model->received_size -= size + 1;
        memmove(model->received, end + 1, model->received_size);
        if (model->lose_line == 0 || --model->lose_line > 0)
            carry_out(model, line);
    }
}

void polled_model_hear(struct polled_model *model, const char *bytes, size_t size)
{
    for (size_t i = 0; i < size; i++) {
        char byte = bytes[i];
        if (!pass(model, &byte, model->noise_in))
            continue;
        if (byte == '?') {
            report(model);
        } else if (byte == '!') {
            if (!model->held && !model->locked && !model->homing)
                model->held_ns = model->now_ns;
            model->held = model->held || (!model->locked && !model->homing);
        } else if (byte == '~') {
            for (size_t k = 0; model->held && k < model->move_count; k++) {
                model->moves[k].start_ns += model->now_ns - model->held_ns;
                model->moves[k].end_ns += model->now_ns - model->held_ns;
            }
            model->held = false;
        } else if (byte == '\x18') {
            reset(model);
        } else if (model->received_size < model->buffer_bytes) {
            model->received[model->received_size++] = byte;
        } else {
            model->overruns++;
        }
        if (model->received_size > model->most_received)
            model->most_received = model->received_size;
    }
}

size_t polled_model_say(struct polled_model *model, char *bytes, size_t room)
{
    size_t size = 0, used = 0;
    while (used < model->said_size && size < room && model->said_ns[used] <= model->now_ns) {
        char byte = model->said[used++];
        if (pass(model, &byte, model->noise_out))
            bytes[size++] = byte;
    }
    model->said_size -= used;
    memmove(model->said, model->said + used, model->said_size);
    memmove(model->said_ns, model->said_ns + used, model->said_size * sizeof model->said_ns[0]);
    return size;
}

void polled_run(struct axis *axis, struct polled_model *model, double seconds,
                void (*sink)(void *context, const struct axis_event *event), void *context)
{
    int64_t end = model->now_ns + (int64_t)(seconds * 1e9);
    char bytes[64];
    struct axis_event event;
    while (model->now_ns < end) {
        polled_model_until(model, model->now_ns + 1000000);
        size_t size = polled_model_say(model, bytes, sizeof bytes);
        axis_receive(axis, bytes, size, model->now_ns);
        axis_tick(axis, model->now_ns);
        while (axis_next_event(axis, &event))
            if (sink)
                sink(context, &event);
        size = axis_output(axis, bytes, sizeof bytes, model->now_ns);
        polled_model_hear(model, bytes, size);
        while (axis_next_event(axis, &event))
            if (sink)
                sink(context, &event);
    }
}
