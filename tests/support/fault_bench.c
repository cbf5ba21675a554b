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

static bool chance(struct fault_port *port, double share)
{
    return share > 0 && (double)(next_random(&port->noise_state) >> 11) * 0x1p-53 < share;
}

/* Returns how many bytes are left. */
static long disturb(struct fault_port *port, unsigned char *bytes, long size, double now_s)
{
    long kept = 0;
    if (now_s < port->noise_from_s || now_s >= port->noise_until_s)
        return size;
    for (long i = 0; i < size; i++) {
        unsigned char byte = bytes[i];
        if (chance(port, port->loses)) {
            port->lost_count++;
            continue;
        }
        if (chance(port, port->noise)) {
            byte ^= (unsigned char)(1u << (next_random(&port->noise_state) & 7));
            port->noise_count++;
        }
        bytes[kept++] = byte;
    }
    return kept;
}

/* The second column of each line becomes that of the first line of the time. */
static long stick(struct fault_port *port, char *bytes, long size, size_t room, double now_s)
{
    char out[8192];
    size_t used = 0;
    if (now_s < port->stuck_s || now_s >= port->free_s || size <= 0)
        return size;
    for (long i = 0; i < size; i++) {
        if (port->line_size + 1 < sizeof port->line)
            port->line[port->line_size++] = bytes[i];
        if (bytes[i] != '\n')
            continue;
        port->line[port->line_size] = 0;
        char *first = strchr(port->line, ','), *rest = first ? first + 1 : NULL;
        size_t width = rest ? strcspn(rest, ",\r\n") : 0;
        if (rest && !port->stuck[0])
            snprintf(port->stuck, sizeof port->stuck, "%.*s", (int)width, rest);
        int wrote = rest ? snprintf(out + used, sizeof out - used, "%.*s%s%s",
                                    (int)(rest - port->line), port->line, port->stuck, rest + width)
                         : 0;
        char *star = wrote ? memchr(out + used, '*', (size_t)wrote) : NULL;
        unsigned sum = 0;
        for (const char *at = out + used + 1; star && at < star; at++)
            sum ^= (unsigned char)*at;
        if (star) {
            char digits[3];
            snprintf(digits, sizeof digits, "%02X", sum & 0xff);
            memcpy(star + 1, digits, 2);
        }
        used += (size_t)wrote;
        assert_true(used < sizeof out && used <= room);
        port->line_size = 0;
    }
    memcpy(bytes, out, used);
    return (long)used;
}

static bool unplugged(const struct fault_port *port, double now_s)
{
    return now_s >= port->gone_s && now_s < port->back_s;
}

static long faulty_read(void *context, void *bytes, size_t room, struct rig_err *err)
{
    struct fault_port *port = context;
    double now_s = fault_bench_t_s(port->bench);
    for (size_t i = 0; i < sizeof port->bench->actions / sizeof port->bench->actions[0]; i++) {
        struct fault_action *action = &port->bench->actions[i];
        if (action->act && !action->done && now_s >= action->at_s) {
            action->done = true;
            port->bench->acting = action;
            action->act(port->bench);
        }
    }
    if (unplugged(port, now_s))
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
    size = stick(port, bytes, size, room, now_s);
    return size > 0 ? disturb(port, bytes, size, now_s) : size;
}

static long faulty_write(void *context, const void *bytes, size_t size, struct rig_err *err)
{
    struct fault_port *port = context;
    double now_s = fault_bench_t_s(port->bench);
    if (unplugged(port, now_s))
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
    long kept = disturb(port, sent, (long)size, now_s);
    for (long done = 0; done < kept;) {
        long wrote =
            port->inner.write(port->inner.context, sent + done, (size_t)(kept - done), err);
        if (wrote < 0)
            return wrote;
        assert_true(wrote > 0); /* the simulated bench takes all */
        done += wrote;
    }
    return (long)size;
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
    port->gone_s = port->back_s = port->stuck_s = port->free_s = INFINITY;
    port->quiet_s = port->loud_s = port->deaf_s = port->hears_s = INFINITY;
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

static int reopen(void *context, size_t port, struct transport *transport, struct rig_err *err)
{
    struct fault_bench *bench = context;
    struct fault_port *faulty_port = port == BENCH_AXIS ? &bench->axis : &bench->board;
    double now_s = fault_bench_t_s(bench);
    if (unplugged(faulty_port, now_s))
        return rig_fail(err, RIG_EUNPLUGGED, "the plug is still out");
    faulty_port->opened++;
    faulty_port->line_size = 0;
    if (faulty_port->wakes && now_s >= faulty_port->quiet_s)
        faulty_port->loud_s = now_s;
    if (faulty_port->wakes && now_s >= faulty_port->stuck_s)
        faulty_port->free_s = now_s;
    *transport = faulty(faulty_port, bench,
                        port == BENCH_AXIS ? sim_axis_transport(bench->sim)
                                           : sim_board_transport(bench->sim));
    return RIG_OK;
}

static int64_t slept_ns(void *context)
{
    const struct fault_bench *bench = context;
    return rig_s_to_ns(bench->slept_s);
}

void fault_bench_defaults(struct fault_bench *bench)
{
    memset(bench, 0, sizeof *bench);
    bench->rig_text = plain_rig;
    bench->profile_text = plain_profile;
    bench->seed = 1;
    sim_truth_defaults(&bench->truth);
    bench->patience_s = 120;
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
        .patience_s = bench->patience_s,
        .reopen = bench->no_reopen ? NULL : reopen,
        .reopen_context = bench,
        .slept_ns = slept_ns,
        .slept_context = bench,
        .until = bench->until,
        .until_ns = bench->until ? rig_clock_now(&bench->clock) + rig_s_to_ns(bench->until_s) : 0,
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

struct placing {
    const struct fault_bench *bench;
    const struct timeline *timeline;
    const struct plan *plan;
    size_t hint;
    uint64_t mapped;
    double worst_mm, worst_t_s, worst_plan_s;
};

static int place_rows(void *context, const struct row_batch *batch, struct rig_err *err)
{
    (void)err;
    struct placing *placing = context;
    const double *curve = placing->bench->truth.curve;
    for (size_t r = 0; r < batch->rows; r++) {
        double plan_s =
            timeline_plan_s(placing->timeline, batch->values[0][r], NULL, &placing->hint);
        if (isnan(plan_s))
            continue;
        double read_mm = (batch->values[2][r] - curve[0]) / curve[1];
        double off_mm = fabs(fmax(plan_depth_mm(placing->plan, plan_s), 0) - read_mm);
        placing->mapped++;
        if (off_mm <= placing->worst_mm)
            continue;
        placing->worst_mm = off_mm;
        placing->worst_t_s = batch->values[0][r];
        placing->worst_plan_s = plan_s;
    }
    return 0;
}

double fault_bench_worst_mm(const struct fault_bench *bench, uint64_t *mapped, size_t *known)
{
    struct rig_err err = {0};
    struct scan_report report = {0};
    struct motion_row *motion = NULL;
    struct stroke_row *strokes = NULL;
    size_t motion_count = 0, stroke_count = 0;
    struct timeline timeline;
    struct recording *recording = recording_open(bench->folder, &err);
    if (!recording || recording_motion_rows(recording, &motion, &motion_count, &report, &err) ||
        recording_stroke_rows(recording, &strokes, &stroke_count, &report, &err) ||
        timeline_make(&timeline, recording_plan(recording), motion, motion_count, strokes,
                      stroke_count, &bench->rig.axis, &err))
        fail_msg("%s", err.text);
    struct placing placing = {
        .bench = bench, .timeline = &timeline, .plan = recording_plan(recording)};
    if (recording_scan(recording, 0, place_rows, &placing, &report, &err))
        fail_msg("%s", err.text);
    if (mapped)
        *mapped = placing.mapped;
    if (placing.worst_mm > 1)
        print_message("%.2f mm off at %.3f s, placed at %.3f s of the plan\n", placing.worst_mm,
                      placing.worst_t_s, placing.worst_plan_s);
    for (size_t i = 0; known && i < timeline.stroke_count; i++)
        *known = (i ? *known : 0) + timeline.strokes[i].known;
    timeline_free(&timeline);
    free(motion);
    free(strokes);
    recording_free(recording);
    return placing.worst_mm;
}

void fault_bench_check_end(const struct fault_bench *bench, enum run_state state, int exit_status,
                           const char *why)
{
    assert_int_equal(bench->code, 0);
    assert_contains(bench->end.why, why);
    assert_int_equal(bench->end.state, state);
    assert_int_equal(bench->end.exit_status, exit_status);
}

void fault_bench_check_parked(const struct fault_bench *bench)
{
    assert_contains(bench->end.why, "the board is parked clear of the water");
    assert_int_equal(bench->end.board, BOARD_PARKED);
    assert_near(bench->true_depth_mm, -20, 0.1, "mm");
    assert_near(bench->moving_mm, 0, 1e-9, "mm");
}

void fault_bench_check_left(const struct fault_bench *bench)
{
    assert_contains(bench->end.why, "THE BOARD IS NOT PARKED");
    assert_int_equal(bench->end.board, BOARD_LEFT);
}

void fault_bench_check_mended(const struct fault_bench *bench, uint64_t interruptions)
{
    size_t known;
    fault_bench_check_end(bench, RUN_COMPLETE, 0, "the whole plan was carried out");
    fault_bench_check_parked(bench);
    assert_int_equal(bench->end.run.interruptions, interruptions);
    assert_int_equal(bench->end.run.whole, bench->end.run.planned);
    assert_int_equal(fault_bench_events(bench, "resumed", NULL, 0), interruptions);
    /* 20 mm/s, and strokes tied to some milliseconds. */
    assert_near(fault_bench_worst_mm(bench, NULL, &known), 0, 0.5, "mm");
    assert_int_equal(known, bench->end.run.planned);
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
    if (getenv("WETSWEEP_KEEP")) /* to look into */
        print_message("kept: %s\n", bench->folder);
    else
        remove_folder(bench->folder);
}
