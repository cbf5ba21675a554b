/* SPDX-License-Identifier: GPL-3.0-or-later
 * The ring between ports and disk, with two threads and full; and what a recorder does
 * when the disk refuses. */
#include "check.h"

#include "fault_bench.h"
#include "rig/recorder.h"
#include "rig/ring.h"

#include <math.h>
#include <poll.h>
#include <pthread.h>
#include <sched.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <time.h>
#include <unistd.h>

/* ---- ring ---- */

static void ring_keeps_order_and_bytes(void **state)
{
    (void)state;
    struct rig_err err;
    struct ring *ring = ring_open(1, &err);
    assert_non_null(ring);
    assert_int_equal(ring_room(ring), 4096);
    size_t size;
    assert_null(ring_peek(ring, &size));
    /* Sizes that never divide the ring, many times round. */
    for (unsigned i = 0; i < 5000; i++) {
        size_t want = 1 + i * 37 % 900;
        unsigned char *bytes = ring_reserve(ring, want);
        assert_non_null(bytes);
        assert_int_equal((uintptr_t)bytes % 8, 0);
        memset(bytes, (int)(i & 0xff), want);
        ring_commit(ring);
        const unsigned char *got = ring_peek(ring, &size);
        assert_non_null(got);
        assert_int_equal(size, want);
        assert_int_equal(got[0], i & 0xff);
        assert_int_equal(got[size - 1], i & 0xff);
        ring_release(ring);
        assert_null(ring_peek(ring, &size));
        assert_int_equal(ring_used(ring), 0);
    }
    ring_free(ring);
}

static void ring_tells_when_full(void **state)
{
    (void)state;
    struct rig_err err;
    struct ring *ring = ring_open(4096, &err);
    assert_non_null(ring);
    assert_null(ring_reserve(ring, 0));
    assert_null(ring_reserve(ring, 1025)); /* more than a quarter */
    unsigned count = 0;
    for (void *bytes; (bytes = ring_reserve(ring, 100)); count++) {
        memcpy(bytes, &count, sizeof count);
        ring_commit(ring);
    }
    /* 100 bytes take 104 and 8 for the head: 36 fit into 4096. */
    assert_int_equal(count, 36);
    size_t size;
    for (unsigned i = 0; i < count; i++) {
        unsigned got;
        const void *bytes = ring_peek(ring, &size);
        assert_non_null(bytes);
        memcpy(&got, bytes, sizeof got);
        assert_int_equal(got, i);
        ring_release(ring);
        assert_non_null(ring_reserve(ring, 100)); /* room again, not committed: no record */
    }
    assert_null(ring_peek(ring, &size));
    ring_free(ring);
}

enum { SHARED_RECORDS = 200000 };

static void *produce(void *context)
{
    struct ring *ring = context;
    uint64_t refused = 0;
    for (uint64_t i = 0; i < SHARED_RECORDS;) {
        size_t size = 8 + (size_t)(i * 13 % 120);
        unsigned char *bytes = ring_reserve(ring, size);
        if (!bytes) {
            refused++;
            sched_yield();
            continue;
        }
        memset(bytes, (int)(i & 0x7f), size);
        memcpy(bytes, &i, sizeof i);
        ring_commit(ring);
        i++;
    }
    return (void *)(uintptr_t)refused;
}

static void ring_passes_between_threads(void **state)
{
    (void)state;
    struct rig_err err;
    struct ring *ring = ring_open(8192, &err);
    assert_non_null(ring);
    pthread_t producer;
    assert_int_equal(pthread_create(&producer, NULL, produce, ring), 0);
    for (uint64_t i = 0; i < SHARED_RECORDS;) {
        size_t size;
        const unsigned char *bytes = ring_peek(ring, &size);
        if (!bytes) {
            sched_yield();
            continue;
        }
        uint64_t number;
        memcpy(&number, bytes, sizeof number);
        assert_int_equal(number, i);
        assert_int_equal(size, 8 + i * 13 % 120);
        for (size_t k = sizeof number; k < size; k++)
            if (bytes[k] != (i & 0x7f))
                fail_msg("record %llu, byte %zu", (unsigned long long)i, k);
        ring_release(ring);
        i++;
    }
    assert_int_equal(pthread_join(producer, NULL), 0);
    assert_int_equal(ring_used(ring), 0);
    ring_free(ring);
}

/* ---- recorder ---- */

static const char rig_text[] = "axis\n"
                               "  port axis\n"
                               "  travel 0 mm to 200 mm\n"
                               "  speed up to 60 mm/s\n"
                               "  acceleration up to 900 mm/s2\n"
                               "  resolution 400 steps/mm\n"
                               "  park at -20 mm\n"
                               "  speaks acknowledged-lines\n"
                               "  letter Z\n"
                               "end\n"
                               "water\n"
                               "  datum at stage 31.4 mm\n"
                               "end\n"
                               "source board\n"
                               "  port board\n"
                               "  line csv\n"
                               "  channel level column 1 in volts role sensor\n"
                               "  channel other column 2 in volts\n"
                               "end\n";
static const char profile_text[] = "start at 10 mm\nramp to 20 mm at 10 mm/s\n";

struct fixture {
    char folder[64];
    struct units *units;
    struct rig rig;
    struct plan *plan;
    struct recording_writer *writer;
};
static struct fixture fixture;

static int make_writer(void **state)
{
    (void)state;
    struct rig_err err = {0};
    struct fixture *f = &fixture;
    snprintf(f->folder, sizeof f->folder, "/tmp/wetsweep-test-XXXXXX");
    assert_non_null(mkdtemp(f->folder));
    assert_int_equal(rmdir(f->folder), 0);
    f->units = units_open(&err);
    assert_non_null(f->units);
    if (rig_read(&f->rig, "a.rig", rig_text, strlen(rig_text), f->units, &err))
        fail_msg("%s", err.text);
    f->plan =
        plan_make(&f->rig, "a.profile", profile_text, strlen(profile_text), f->units, NULL, &err);
    assert_non_null(f->plan);
    const struct run_facts facts = {.board = "WS-A-0001",
                                    .revision = "A",
                                    .coating = "",
                                    .note = "",
                                    .rig_name = "a.rig",
                                    .rig_text = rig_text,
                                    .profile_name = "a.profile",
                                    .profile_text = profile_text,
                                    .started = "2026-01-01T00:00:00Z",
                                    .version = "test",
                                    .water_degc = NAN};
    f->writer = recording_create(f->folder, &facts, &f->rig, f->plan, NULL, &err);
    if (!f->writer)
        fail_msg("%s", err.text);
    return 0;
}

static int remove_all(void **state)
{
    (void)state;
    plan_free(fixture.plan);
    units_close(fixture.units);
    remove_folder(fixture.folder);
    return 0;
}

struct seen {
    uint64_t rows;
    double last;
};

static int look(void *context, const struct row_batch *batch, struct rig_err *err)
{
    (void)err;
    struct seen *seen = context;
    for (size_t r = 0; r < batch->rows; r++) {
        assert_near(batch->values[2][r], batch->values[1][r] + 0.5, 1e-6, "V");
        assert_true(batch->values[1][r] > seen->last);
        seen->last = batch->values[1][r];
    }
    seen->rows += batch->rows;
    return 0;
}

static struct recording *reopen(struct seen *seen)
{
    struct rig_err err = {0};
    struct scan_report report = {0};
    struct recording *recording = recording_open(fixture.folder, &err);
    if (!recording)
        fail_msg("%s", err.text);
    *seen = (struct seen){.last = -1};
    assert_int_equal(recording_scan(recording, 0, look, seen, &report, &err), 0);
    assert_int_equal(report.malformed, 0);
    return recording;
}

static void add_rows(struct recorder *recorder, unsigned from, unsigned until)
{
    for (unsigned i = from; i < until; i++) {
        const double values[] = {i, i + 0.5};
        recorder_row(recorder, 0, i * 1e-3, NAN, values, 2);
    }
}

static void recorder_keeps_every_row(void **state)
{
    (void)state;
    struct rig_err err = {0};
    struct seen seen;
    struct recorder *recorder = recorder_open(fixture.writer, 1 << 23, true, &err);
    assert_non_null(recorder);
    /* Bursts, as fast as this thread can; the other one writes meanwhile. */
    for (unsigned burst = 0; burst < 10; burst++) {
        const struct timespec pause = {.tv_nsec = 15000000};
        add_rows(recorder, burst * 10000, (burst + 1) * 10000);
        recorder_event(recorder, burst, "mark", "a burst");
        nanosleep(&pause, NULL);
    }
    const struct motion_row motion = {.t_s = 1, .depth_mm = 12, .reported_mm = NAN};
    const struct stroke_row stroke = {.stroke = 0, .plan_s = 0, .sent_s = 1, .accepted_s = 2};
    recorder_motion(recorder, &motion);
    recorder_stroke(recorder, &stroke);
    assert_int_equal(recorder_rows(recorder), 100000);
    assert_int_equal(recorder_lost(recorder), 0);
    assert_int_equal(recorder_trouble(recorder, &err), 0);
    if (recorder_close(recorder, RUN_COMPLETE, "done", &err))
        fail_msg("%s", err.text);
    struct recording *recording = reopen(&seen);
    assert_int_equal(seen.rows, 100000);
    assert_int_equal(recording_state(recording), RUN_COMPLETE);
    recording_free(recording);
}

static void recorder_counts_what_it_loses(void **state)
{
    (void)state;
    struct rig_err err = {0};
    struct seen seen;
    struct scan_report report = {0};
    struct event_row *events = NULL;
    size_t count = 0;
    /* Nobody writes out: as with a disk that stands still. */
    struct recorder *recorder = recorder_open(fixture.writer, 8192, false, &err);
    assert_non_null(recorder);
    add_rows(recorder, 0, 1000);
    uint64_t kept = recorder_rows(recorder);
    assert_int_equal(kept + recorder_lost(recorder), 1000);
    assert_true(kept > 100 && kept < 200); /* 8192 bytes, 56 a row */
    recorder_drain(recorder);
    add_rows(recorder, 1000, 1010);
    if (recorder_close(recorder, RUN_STOPPED, "a test", &err))
        fail_msg("%s", err.text);
    struct recording *recording = reopen(&seen);
    assert_int_equal(seen.rows, kept + 10);
    assert_int_equal(recording_event_rows(recording, &events, &count, &report, &err), 0);
    assert_int_equal(count, 1);
    assert_string_equal(events[0].kind, "lost");
    char expected[64];
    snprintf(expected, sizeof expected, "%llu records were lost since",
             (unsigned long long)(1000 - kept));
    assert_contains(events[0].text, expected);
    recording_event_rows_free(events, count);
    recording_free(recording);
}

static void recorder_tells_trouble_and_goes_on(void **state)
{
    (void)state;
    struct rig_err err = {0}, closing = {0};
    struct rlimit before, small;
    assert_int_equal(getrlimit(RLIMIT_FSIZE, &before), 0);
    signal(SIGXFSZ, SIG_IGN);
    struct recorder *recorder = recorder_open(fixture.writer, 1 << 20, true, &err);
    assert_non_null(recorder);
    small = before;
    small.rlim_cur = 30000;
    assert_int_equal(setrlimit(RLIMIT_FSIZE, &small), 0);
    add_rows(recorder, 0, 5000);
    struct pollfd fd = {.fd = recorder_trouble_fd(recorder), .events = POLLIN};
    assert_int_equal(poll(&fd, 1, 5000), 1);
    assert_int_not_equal(recorder_trouble(recorder, &err), 0);
    assert_contains(err.text, "board.csv");
    /* The board is being parked meanwhile: rows still come and must not block. */
    add_rows(recorder, 5000, 50000);
    assert_int_not_equal(recorder_close(recorder, RUN_FAULTED, "the disk is full", &closing), 0);
    assert_int_equal(setrlimit(RLIMIT_FSIZE, &before), 0);
    assert_contains(closing.text, "board.csv");
    struct seen seen;
    struct recording *recording = reopen(&seen); /* what fitted is there, in whole rows */
    assert_true(seen.rows > 500 && seen.rows < 5000);
    recording_free(recording);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(recorder_keeps_every_row, make_writer, remove_all),
        cmocka_unit_test_setup_teardown(recorder_counts_what_it_loses, make_writer, remove_all),
        cmocka_unit_test_setup_teardown(recorder_tells_trouble_and_goes_on, make_writer,
                                        remove_all),
        cmocka_unit_test(ring_keeps_order_and_bytes),
        cmocka_unit_test(ring_tells_when_full),
        cmocka_unit_test(ring_passes_between_threads),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
