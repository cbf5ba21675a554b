/* SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE /* memmem */
#include "fault_bench.h"

#include "check.h"

#include "results/recording.h"

#include <fcntl.h>
#include <math.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <sys/signalfd.h>
#include <unistd.h>

static const char plain_rig[] = "axis\n"
                                "  port axis\n"
                                "  speaks acknowledged-lines\n"
                                "  letter Z reversed\n"
                                "  travel 0 mm to 200 mm\n"
                                "  speed up to 60 mm/s\n"
                                "  acceleration up to 900 mm/s2\n"
                                "  resolution 400 steps/mm\n"
                                "  park at -20 mm\n"
                                "  position live\n"
                                "end\n"
                                "water\n"
                                "  datum at stage 31.4 mm\n"
                                "end\n"
                                "source board\n"
                                "  port board\n"
                                "  line csv\n"
                                "  clock column 1 in ms, wraps at 2^32\n"
                                "  channel level column 2 in volts role sensor\n"
                                "end\n";

static const char plain_profile[] = "title \"Ramps for a test\"\n"
                                    "start at 10 mm\n"
                                    "repeat 3\n"
                                    "  ramp to 120 mm at 20 mm/s\n"
                                    "  hold 2 s\n"
                                    "  ramp to 10 mm at 20 mm/s\n"
                                    "  hold 2 s\n"
                                    "end\n";

double fault_bench_t_s(const struct fault_bench *bench)
{
    return rig_ns_to_s(rig_clock_now(&bench->clock));
}

/* ---- ports that fail ---- */

/* SplitMix64 (public domain, Vigna 2015). */
static uint64_t next_random(uint64_t *state)
{
    uint64_t z = (*state += 0x9e3779b97f4a7c15u);
    z = (z ^ (z >> 30)) * 0xbf58476d1ce4e5b9u;
    z = (z ^ (z >> 27)) * 0x94d049bb133111ebu;
    return z ^ (z >> 31);
}

static void disturb(struct fault_port *port, unsigned char *bytes, long size, double now_s)
{
    if (now_s < port->noise_from_s || now_s >= port->noise_until_s)
        return;
    for (long i = 0; i < size; i++)
        if ((double)(next_random(&port->noise_state) >> 11) * 0x1p-53 < port->noise) {
            bytes[i] ^= (unsigned char)(1u << (next_random(&port->noise_state) & 7));
            port->noise_count++;
        }
}

static long faulty_read(void *context, void *bytes, size_t room, struct rig_err *err)
{
    struct fault_port *port = context;
    double now_s = fault_bench_t_s(port->bench);
    for (size_t i = 0; i < sizeof port->bench->actions / sizeof port->bench->actions[0]; i++) {
        struct fault_action *action = &port->bench->actions[i];
        if (action->act && !action->done && now_s >= action->at_s) {
            action->done = true;
            action->act(port->bench);
        }
    }
    if (now_s >= port->gone_s)
        return -rig_fail(err, RIG_EUNPLUGGED, "the test pulled the plug");
    if (port->add && now_s >= port->add_s) {
        size_t size = strlen(port->add);
        assert_true(size <= room);
        memcpy(bytes, port->add, size);
        port->add = NULL;
        return (long)size;
    }
    long size = port->inner.read(port->inner.context, bytes, room, err);
    if (size > 0 && now_s >= port->quiet_s && now_s < port->loud_s)
        return 0;
    if (size > 0 && port->lie && now_s >= port->lie_s) {
        size = (long)strlen(port->lie);
        memcpy(bytes, port->lie, (size_t)size);
        port->lie = NULL;
    }
    disturb(port, bytes, size, now_s);
    return size;
}

static long faulty_write(void *context, const void *bytes, size_t size, struct rig_err *err)
{
    struct fault_port *port = context;
    double now_s = fault_bench_t_s(port->bench);
    if (now_s >= port->gone_s)
        return -rig_fail(err, RIG_EUNPLUGGED, "the test pulled the plug");
    if (now_s >= port->deaf_s && now_s < port->hears_s)
        return (long)size;
    if (now_s >= port->swallow_s && memmem(bytes, size, "G1 ", 3)) {
        static const char answers[] = "ok\nok\nok\nok\nok\nok\nok\nok\n";
        size_t lines = 0;
        for (size_t i = 0; i < size; i++)
            lines += ((const char *)bytes)[i] == '\n';
        assert_in_range(lines, 1, 8);
        port->add = answers + sizeof answers - 1 - 3 * lines;
        port->add_s = now_s;
        port->swallow_s = INFINITY;
        return (long)size;
    }
    unsigned char sent[1024];
    size = size < sizeof sent ? size : sizeof sent;
    memcpy(sent, bytes, size);
    disturb(port, sent, (long)size, now_s);
    return port->inner.write(port->inner.context, sent, size, err);
}

static int no_fd(void *context)
{
    (void)context;
    return -1;
}

static void close_inner(void *context)
{
    struct fault_port *port = context;
    transport_close(&port->inner);
}

static struct transport faulty(struct fault_port *port, struct fault_bench *bench,
                               struct transport inner)
{
    port->bench = bench;
    port->inner = inner;
    return (struct transport){.read = faulty_read,
                              .write = faulty_write,
                              .fd = no_fd,
                              .close = close_inner,
                              .context = port};
}

static void never(struct fault_port *port)
{
    port->gone_s = port->quiet_s = port->loud_s = port->deaf_s = port->hears_s = INFINITY;
    port->lie_s = port->add_s = port->swallow_s = port->noise_from_s = INFINITY;
    port->noise_until_s = INFINITY;
    port->noise_state = 1;
}

void fault_bench_stop(struct fault_bench *bench)
{
    const struct signalfd_siginfo wish = {.ssi_signo = SIGINT};
    assert_int_equal(write(bench->stop_pipe[1], &wish, sizeof wish), sizeof wish);
}

/* ---- a run ---- */

void fault_bench_defaults(struct fault_bench *bench)
{
    memset(bench, 0, sizeof *bench);
    bench->rig_text = plain_rig;
    bench->profile_text = plain_profile;
    bench->seed = 1;
    sim_truth_defaults(&bench->truth);
    bench->truth.datum_mm = 31.4;
    bench->truth.live_position = true;
    never(&bench->axis);
    never(&bench->board);
    snprintf(bench->folder, sizeof bench->folder, "/tmp/wetsweep-test-XXXXXX");
    assert_non_null(mkdtemp(bench->folder));
    assert_int_equal(rmdir(bench->folder), 0);
    assert_int_equal(pipe(bench->stop_pipe), 0);
    assert_int_equal(fcntl(bench->stop_pipe[0], F_SETFL, O_NONBLOCK), 0);
}

static struct rlimit limit_files(size_t bytes)
{
    struct rlimit before;
    assert_int_equal(getrlimit(RLIMIT_FSIZE, &before), 0);
    if (bytes) {
        const struct rlimit small = {.rlim_cur = bytes, .rlim_max = before.rlim_max};
        signal(SIGXFSZ, SIG_IGN);
        assert_int_equal(setrlimit(RLIMIT_FSIZE, &small), 0);
    }
    return before;
}

static void carry_out(struct fault_bench *bench, struct plan *plan)
{
    struct rig_err *err = &bench->err;
    const struct run_facts facts = {
        .board = "WS-B-0007",
        .revision = "B",
        .coating = "none",
        .note = "a test",
        .rig_name = "test.rig",
        .rig_text = bench->rig_text,
        .controller_name = bench->controller_text ? "own.axis" : NULL,
        .controller_text = bench->controller_text,
        .profile_name = "test.profile",
        .profile_text = bench->profile_text,
        .started = "2026-01-01T00:00:00Z",
        .version = "test",
        .water_degc = NAN,
    };
    struct recording_writer *writer =
        recording_create(bench->folder, &facts, &bench->rig, plan, NULL, err);
    if (!writer)
        fail_msg("%s", err->text);
    struct recorder *recorder = recorder_open(writer, 1 << 20, false, err);
    if (!recorder)
        fail_msg("%s", err->text);
    bench->clock = sim_clock(bench->sim);
    struct bench_settings settings = {
        .rig = &bench->rig,
        .plan = plan,
        .axis = faulty(&bench->axis, bench, sim_axis_transport(bench->sim)),
        .sources = {faulty(&bench->board, bench, sim_board_transport(bench->sim))},
        .clock = bench->clock,
        .recorder = recorder,
        .signal_fd = bench->stop_pipe[0],
    };
    struct rlimit before = limit_files(bench->disk_bytes);
    bench->code = bench_run(&settings, &bench->end, err);
    bench->closed = recorder_close(recorder, bench->end.state, bench->end.why, &bench->closing);
    assert_int_equal(setrlimit(RLIMIT_FSIZE, &before), 0);
}

void fault_bench_run(struct fault_bench *bench)
{
    struct rig_err *err = &bench->err;
    struct units *units = units_open(err);
    assert_non_null(units);
    if (rig_read(&bench->rig, "test.rig", bench->rig_text, strlen(bench->rig_text), units, err))
        fail_msg("%s", err->text);
    const char *controller = bench->controller_text;
    if (controller && controller_read(&bench->rig.axis.controller, "own.axis", controller,
                                      strlen(controller), err))
        fail_msg("%s", err->text);
    struct plan *plan = plan_make(&bench->rig, "test.profile", bench->profile_text,
                                  strlen(bench->profile_text), units, NULL, err);
    if (!plan)
        fail_msg("%s", err->text);
    bench->sim = sim_open(&bench->truth, &bench->rig, bench->seed, err);
    if (!bench->sim)
        fail_msg("%s", err->text);
    carry_out(bench, plan);
    int64_t end_ns = rig_clock_now(&bench->clock);
    bench->true_depth_mm = sim_true_depth_mm(bench->sim, end_ns + 1000000000);
    bench->moving_mm =
        fabs(sim_true_depth_mm(bench->sim, end_ns + 2000000000) - bench->true_depth_mm);
    bench->tally = sim_tally(bench->sim);
    plan_free(plan);
    units_close(units);
}

/* ---- what is left ---- */

static int count_rows(void *context, const struct row_batch *batch, struct rig_err *err)
{
    (void)err;
    *(uint64_t *)context += batch->rows;
    return 0;
}

uint64_t fault_bench_rows(const struct fault_bench *bench)
{
    struct rig_err err = {0};
    struct scan_report report = {0};
    uint64_t rows = 0;
    struct recording *recording = recording_open(bench->folder, &err);
    if (!recording)
        fail_msg("%s", err.text);
    if (recording_scan(recording, 0, count_rows, &rows, &report, &err))
        fail_msg("%s", err.text);
    assert_int_equal(report.malformed, 0);
    assert_int_equal(report.backward_times, 0);
    recording_free(recording);
    return rows;
}

size_t fault_bench_events(const struct fault_bench *bench, const char *kind, char *text,
                          size_t room)
{
    struct rig_err err = {0};
    struct scan_report report = {0};
    struct event_row *events = NULL;
    size_t count = 0, found = 0;
    struct recording *recording = recording_open(bench->folder, &err);
    if (!recording || recording_event_rows(recording, &events, &count, &report, &err))
        fail_msg("%s", err.text);
    for (size_t i = 0; i < count; i++)
        if (strcmp(events[i].kind, kind) == 0 && found++ == 0 && text)
            snprintf(text, room, "%s", events[i].text);
    recording_event_rows_free(events, count);
    recording_free(recording);
    return found;
}

void remove_folder(const char *path)
{
    char command[512];
    assert_true(strncmp(path, "/tmp/wetsweep-", 14) == 0 && !strchr(path, '\''));
    snprintf(command, sizeof command, "rm -rf '%s'", path);
    assert_int_equal(system(command), 0);
}

void fault_bench_free(struct fault_bench *bench)
{
    sim_close(bench->sim);
    close(bench->stop_pipe[0]);
    close(bench->stop_pipe[1]);
    remove_folder(bench->folder);
}
