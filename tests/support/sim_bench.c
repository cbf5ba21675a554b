/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "sim_bench.h"

#include "check.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static void add_channel(struct rig_source *source, const char *name, int column, const char *unit,
                        enum channel_role role)
{
    struct rig_channel *channel = &source->channels[source->channel_count++];
    snprintf(channel->name, sizeof channel->name, "%s", name);
    snprintf(channel->key, sizeof channel->key, "%s", name);
    snprintf(channel->unit, sizeof channel->unit, "%s", unit);
    channel->column = column;
    channel->role = role;
}

void test_bench_set(struct test_bench *bench)
{
    memset(bench, 0, sizeof *bench);
    sim_truth_defaults(&bench->truth);
    bench->truth.step_mm = 0;
    bench->truth.position_digits = 4;
    struct rig_axis *axis = &bench->rig.axis;
    axis->letter = 'Z';
    axis->homes = true;
    axis->travel_high_mm = 220;
    bench->rig.water.datum_mm = bench->truth.datum_mm;
    bench->rig.source_count = 1;
    struct rig_source *source = &bench->rig.sources[0];
    source->clock_column = 1;
    source->clock_unit_s = 1e-3;
    snprintf(source->clock_key, sizeof source->clock_key, "ms");
    add_channel(source, "level", 2, "volts", ROLE_SENSOR);
    add_channel(source, "command", 3, "us", ROLE_CONTROLLER);
    add_channel(source, "horn", 4, "us", ROLE_ACTUATOR);
    add_channel(source, "water", 5, "degC", ROLE_TEMPERATURE);
}

void test_bench_open(struct test_bench *bench, uint64_t seed)
{
    struct rig_err err = {0};
    bench->sim = sim_open(&bench->truth, &bench->rig, seed, &err);
    if (!bench->sim)
        fail_msg("sim_open: %s", err.text);
    bench->now_ns = 0;
}

void test_bench_close(struct test_bench *bench)
{
    sim_close(bench->sim);
    bench->sim = NULL;
}

static void listen(struct test_bench *bench)
{
    size_t room = sizeof bench->said - 1 - bench->said_size;
    if (room < 512) { /* keep the latest */
        size_t drop = sizeof bench->said / 2;
        memmove(bench->said, bench->said + drop, bench->said_size - drop);
        bench->said_size -= drop;
        room += drop;
    }
    bench->said_size +=
        sim_axis_says(bench->sim, bench->said + bench->said_size, room, bench->now_ns);
    bench->said[bench->said_size] = 0;
}

void test_bench_wait(struct test_bench *bench, double seconds)
{
    bench->now_ns += rig_s_to_ns(seconds);
    listen(bench);
}

void test_bench_send(struct test_bench *bench, const char *line)
{
    char text[512];
    int size = snprintf(text, sizeof text, "%s\n", line);
    sim_axis_hears(bench->sim, text, (size_t)size, bench->now_ns);
}

void test_bench_send_numbered(struct test_bench *bench, const char *line)
{
    char text[512];
    snprintf(text, sizeof text, "N%lld %s", ++bench->line, line);
    unsigned sum = 0;
    for (const char *c = text; *c; c++)
        sum ^= (unsigned char)*c;
    size_t size = strlen(text);
    snprintf(text + size, sizeof text - size, "*%u", sum);
    test_bench_send(bench, text);
}

void test_bench_hush(struct test_bench *bench)
{
    listen(bench);
    bench->said_size = 0;
    bench->said[0] = 0;
}

void test_bench_until(struct test_bench *bench, const char *what)
{
    int64_t end_ns = bench->now_ns + 600 * INT64_C(1000000000);
    for (;;) {
        listen(bench);
        char *at = strstr(bench->said, what);
        if (at) {
            at += strlen(what);
            bench->said_size -= (size_t)(at - bench->said);
            memmove(bench->said, at, bench->said_size + 1);
            return;
        }
        if (bench->now_ns >= end_ns)
            fail_msg("the axis hasn't said '%s' for 600 s; it said:\n%s", what, bench->said);
        bench->now_ns = sim_next_ns(bench->sim);
    }
}

void test_bench_do(struct test_bench *bench, const char *line)
{
    test_bench_hush(bench);
    test_bench_send(bench, line);
    test_bench_until(bench, "ok\n");
}

size_t test_bench_rows(struct test_bench *bench, double seconds, double rows[][8], double at_s[],
                       size_t room)
{
    int64_t end_ns = bench->now_ns + rig_s_to_ns(seconds);
    char bytes[4096];
    size_t count = 0;
    while (sim_board_says(bench->sim, bytes, sizeof bytes, bench->now_ns))
        ; /* what was sent before */
    while (bench->now_ns < end_ns && count < room) {
        bench->now_ns = sim_next_ns(bench->sim);
        listen(bench);
        size_t size = sim_board_says(bench->sim, bytes, sizeof bytes - 1, bench->now_ns);
        bytes[size] = 0;
        for (char *line = bytes; *line && count < room;) {
            char *end = line;
            for (size_t i = 0; i < 8; i++) {
                rows[count][i] = *end && *end != '\r' ? strtod(end, &end) : NAN;
                if (*end == ',')
                    end++;
            }
            if (at_s)
                at_s[count] = rig_ns_to_s(bench->now_ns);
            count++;
            line = strchr(end, '\n');
            line = line ? line + 1 : end + strlen(end);
        }
    }
    return count;
}
