/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "wire_model.h"

#include "check.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static uint64_t next_random(struct wire_model *model)
{
    /* xorshift64 (Marsaglia 2003, Journal of Statistical Software 8(14)) */
    model->random ^= model->random << 13;
    model->random ^= model->random >> 7;
    model->random ^= model->random << 17;
    return model->random;
}

static double chance(struct wire_model *model)
{
    return (double)(next_random(model) >> 11) * 0x1p-53;
}

struct rig_axis wire_axis(void)
{
    struct rig_axis axis = {.letter = 'Z',
                            .travel_high_mm = 200,
                            .speed_mm_s = 60,
                            .acceleration_mm_s2 = 900,
                            .jerk_mm_s3 = NAN,
                            .step_mm = 0.0025,
                            .park_mm = -20,
                            .homes = true,
                            .lookahead_lines = 16,
                            .buffer_bytes = 96,
                            .checksums = true,
                            .live_position = true,
                            .poll_hz = 10,
                            .line_rate_hz = 100};
    snprintf(axis.speaks, sizeof axis.speaks, "acknowledged-lines");
    return axis;
}

void wire_model_open(struct wire_model *model, uint64_t seed)
{
    memset(model, 0, sizeof *model);
    model->buffer_bytes = 96;
    model->planner_moves = 16;
    model->answer_ns = 2000000;
    model->random = seed * 0x9E3779B97F4A7C15u + 1;
}

static void add(struct wire_model *model, char byte, int64_t at_ns)
{
    if (model->said_size == sizeof model->said)
        fail_msg("the model has said more than anybody reads");
    model->said[model->said_size] = byte;
    model->said_ns[model->said_size++] = at_ns;
}

void wire_model_speak(struct wire_model *model, const char *text)
{
    for (; *text; text++)
        add(model, *text, model->now_ns + model->answer_ns);
    add(model, '\n', model->now_ns + model->answer_ns);
}

/* At most one damaged byte in forty: the checksum finds every single one, but not all
 * pairs. False: the byte is lost. */
static bool pass(struct wire_model *model, char *byte, size_t *clean)
{
    if (++*clean < 40 || model->noise <= 0 || chance(model) >= model->noise)
        return true;
    *clean = 0;
    model->damaged++;
    if (next_random(model) & 64)
        return false;
    *byte = (char)(*byte ^ (1 << (next_random(model) >> 20 & 7)));
    return true;
}

static void ask_again(struct wire_model *model, const char *why)
{
    char text[80];
    if (!model->quiet_errors) {
        snprintf(text, sizeof text, "Error:%s, Last Line: %ld", why, model->last_number);
        wire_model_speak(model, text);
    }
    snprintf(text, sizeof text, model->short_resend ? "rs %ld" : "Resend: %ld",
             model->last_number + 1);
    wire_model_speak(model, text);
    wire_model_speak(model, "ok");
    if (model->flushes)
        model->received_size = 0;
}

static void say_ok(struct wire_model *model)
{
    char text[32];
    snprintf(text, sizeof text, model->numbers_ok ? "ok N%ld" : "ok", model->last_number);
    wire_model_speak(model, text);
}

static double word(const char *text, char letter)
{
    const char *at = strchr(text, letter);
    return at ? strtod(at + 1, NULL) : NAN;
}

static int64_t motion_end_ns(const struct wire_model *model)
{
    int64_t end = model->moves ? model->ends_ns[model->moves - 1] : model->now_ns;
    return end > model->now_ns ? end : model->now_ns;
}

/* Carries out the words of a line; the answer may come later. */
static void carry_out(struct wire_model *model, const char *words)
{
    assert_true(model->taken_count < WIRE_TAKEN);
    assert_true(strlen(words) < sizeof model->taken[0]);
    memcpy(model->taken[model->taken_count++], words, strlen(words) + 1);
    char text[80];
    if (strncmp(words, "G1 ", 3) == 0) {
        double to = word(words, 'Z'), feed = word(words, 'F') / 60;
        int64_t end = motion_end_ns(model) + (int64_t)(fabs(to - model->place_mm) / feed * 1e9);
        model->ends_ns[model->moves++] = end;
        model->place_mm = to;
    } else if (strncmp(words, "G4 ", 3) == 0) {
        model->blocked_until_ns = motion_end_ns(model) + (int64_t)(word(words, 'P') * 1e6);
        model->answer_waits = true;
        return;
    } else if (strncmp(words, "G28 ", 4) == 0) {
        model->blocked_until_ns = motion_end_ns(model) + 3000000000;
        model->place_mm = 0;
        model->answer_waits = true;
        return;
    } else if (strcmp(words, "M400") == 0) {
        model->blocked_until_ns = motion_end_ns(model);
        model->answer_waits = true;
        return;
    } else if (strcmp(words, "M410") == 0) {
        model->moves = 0;
    } else if (strcmp(words, "M114") == 0) {
        snprintf(text, sizeof text, "X:0.00 Y:0.00 Z:%.4f E:0.00 Count X:0 Y:0 Z:99",
                 model->place_mm);
        wire_model_speak(model, text);
    } else if (strncmp(words, "M110 N", 6) == 0) {
        model->last_number = strtol(words + 6, NULL, 10);
    } else if (strcmp(words, "G21") && strcmp(words, "G90") && strncmp(words, "G92 ", 4)) {
        snprintf(text, sizeof text, "echo:Unknown command: \"%.40s\"", words);
        wire_model_speak(model, text);
    }
    say_ok(model);
}

static void take_line(struct wire_model *model, char *line)
{
    char *star = strchr(line, '*');
    const char *words = line;
    if (line[0] == 'N' || star) {
        if (line[0] != 'N') {
            ask_again(model, "No Line Number with checksum");
            return;
        }
        char *end, *sum_end;
        long number = strtol(line + 1, &end, 10);
        unsigned sum = 0;
        for (const char *at = line; star && at < star; at++)
            sum ^= (unsigned char)*at;
        long told = star ? strtol(star + 1, &sum_end, 10) : -1;
        if (!star || told != (long)sum || sum_end == star + 1 || *sum_end) {
            ask_again(model, star ? "checksum mismatch" : "No Checksum with line number");
            return;
        }
        if (number != model->last_number + 1 && !strstr(line, "M110")) {
            ask_again(model, "Line Number is not Last Line Number+1");
            return;
        }
        *star = '\0';
        model->last_number = number;
        words = end + (*end == ' ');
    }
    if (*words)
        carry_out(model, words);
}

static bool works(const struct wire_model *model)
{
    return model->now_ns < model->blocked_until_ns || model->moves >= model->planner_moves;
}

void wire_model_until(struct wire_model *model, int64_t now_ns)
{
    model->now_ns = now_ns;
    size_t done = 0;
    while (done < model->moves && model->ends_ns[done] <= now_ns)
        done++;
    model->moves -= done;
    memmove(model->ends_ns, model->ends_ns + done, model->moves * sizeof model->ends_ns[0]);
    if (model->busy && works(model) && now_ns - model->busy_ns >= 2000000000) {
        wire_model_speak(model, "echo:busy: processing");
        model->busy_ns = now_ns;
    }
    for (;;) {
        if (works(model))
            return;
        if (model->answer_waits) {
            model->answer_waits = false;
            say_ok(model);
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
        take_line(model, line);
    }
}

void wire_model_hear(struct wire_model *model, const char *bytes, size_t size)
{
    for (size_t i = 0; i < size; i++) {
        char byte = bytes[i];
        if (!pass(model, &byte, &model->clean_in))
            continue;
        if (model->received_size < model->buffer_bytes)
            model->received[model->received_size++] = byte;
        else
            model->overruns++;
        if (model->received_size > model->most_received)
            model->most_received = model->received_size;
    }
}

size_t wire_model_say(struct wire_model *model, char *bytes, size_t room)
{
    size_t size = 0, used = 0;
    while (used < model->said_size && size < room && model->said_ns[used] <= model->now_ns) {
        char byte = model->said[used++];
        if (pass(model, &byte, &model->clean_out))
            bytes[size++] = byte;
    }
    model->said_size -= used;
    memmove(model->said, model->said + used, model->said_size);
    memmove(model->said_ns, model->said_ns + used, model->said_size * sizeof model->said_ns[0]);
    return size;
}

void wire_run(struct axis *axis, struct wire_model *model, double seconds,
              void (*sink)(void *context, const struct axis_event *event), void *context)
{
    int64_t end = model->now_ns + (int64_t)(seconds * 1e9);
    char bytes[64];
    struct axis_event event;
    while (model->now_ns < end) {
        wire_model_until(model, model->now_ns + 1000000);
        size_t size = wire_model_say(model, bytes, sizeof bytes);
        axis_receive(axis, bytes, size, model->now_ns);
        axis_tick(axis, model->now_ns);
        while (axis_next_event(axis, &event))
            if (sink)
                sink(context, &event);
        size = axis_output(axis, bytes, sizeof bytes, model->now_ns);
        wire_model_hear(model, bytes, size);
        while (axis_next_event(axis, &event))
            if (sink)
                sink(context, &event);
    }
}
