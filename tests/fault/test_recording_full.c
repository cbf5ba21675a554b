/* SPDX-License-Identifier: GPL-3.0-or-later
 * A disk that is full, played by a limit on the size of files: at any place the
 * error comes back, and what was written can be read. */
#include "check.h"
#include "recordings.h"

#include <errno.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <sys/wait.h>
#include <unistd.h>

static struct recording_bench bench;

static void limit_files(rlim_t size)
{
    const struct rlimit limit = {.rlim_cur = size, .rlim_max = RLIM_INFINITY};
    signal(SIGXFSZ, SIG_IGN);
    if (setrlimit(RLIMIT_FSIZE, &limit))
        _exit(9);
}

/* Runs the job in a process of its own, under the limit; its exit status. */
static int in_child(void (*job)(void), rlim_t size)
{
    int status;
    pid_t child = fork();
    assert_true(child >= 0);
    if (child == 0) {
        limit_files(size);
        job();
        _exit(0);
    }
    while (waitpid(child, &status, 0) < 0)
        assert_int_equal(errno, EINTR);
    assert_true(WIFEXITED(status));
    return WEXITSTATUS(status);
}

/* Writes until it fails, then closes. Exits with 0 when all went as it should. */
static void fill(void)
{
    struct rig_err err = {0};
    struct recording_writer *writer =
        recording_create(bench.folder, &bench.facts, &bench.rig, bench.plan, NULL, &err);
    if (!writer)
        _exit(1);
    int code = 0;
    for (int i = 0; i < 20000 && !code; i++) {
        const double values[] = {0.25 * i, i};
        code = recording_row(writer, 0, i * 1e-3, i * 1e-3, values, &err);
        if (!code && i % 100 == 99)
            code = recording_sync(writer, &err);
    }
    if (code != RIG_EOS || !strstr(err.text, "board.csv") || !strstr(err.text, "File too large"))
        _exit(2);
    /* Other tables still go on, and so does the last word. */
    if (recording_event(writer, 21, "fault", "the disk is full", &err))
        _exit(3);
    const double water = 20;
    if (recording_row(writer, 1, 21, 0, &water, &err))
        _exit(4);
    err = (struct rig_err){0};
    if (recording_close(writer, RUN_FAULTED, "the disk is full", &err) != RIG_EOS)
        _exit(5);
    if (!strstr(err.text, "board.csv"))
        _exit(6);
}

static void what_was_written_is_readable(void **state)
{
    (void)state;
    struct rig_err err = {0};
    for (rlim_t size = 50000; size < 50040; size += 7) {
        recording_bench_open(&bench, NULL, NULL);
        assert_int_equal(in_child(fill, size), 0);
        struct recording *recording = recording_bench_reopen(&bench);
        assert_int_equal(recording_state(recording), RUN_FAULTED);
        assert_string_equal(recording_state_reason(recording), "the disk is full");
        struct kept_rows kept = {0};
        struct scan_report report = {0};
        assert_int_equal(recording_scan(recording, 0, keep_rows, &kept, &report, &err), 0);
        assert_int_equal(report.malformed, 0);
        size_t bytes;
        free(recording_bench_read(&bench, "board.csv", &bytes));
        assert_int_equal(bytes, size); /* to the last byte that fitted */
        assert_true(kept.rows > 1500);
        for (size_t r = 0; r < kept.rows; r++)
            assert_near(kept.cells[4 * r + 2], 0.25 * (double)r, 1e-9, "V");
        free(kept.cells);
        struct event_row *events;
        size_t count;
        assert_int_equal(recording_event_rows(recording, &events, &count, &report, &err), 0);
        assert_int_equal(count, 1);
        recording_event_rows_free(events, count);
        recording_free(recording);
        recording_bench_close(&bench);
    }
}

static void make(void)
{
    struct rig_err err = {0};
    struct recording_writer *writer =
        recording_create(bench.folder, &bench.facts, &bench.rig, bench.plan, NULL, &err);
    if (writer)
        _exit(0);
    _exit(err.code == RIG_EOS && strstr(err.text, bench.folder) ? 10 : 11);
}

/* As much room as it takes, byte by byte in steps: either a recording or nothing. */
static void nothing_stays_of_what_does_not_fit(void **state)
{
    (void)state;
    int failed = 0, made = 0;
    recording_bench_open(&bench, NULL, NULL);
    for (rlim_t size = 0; size < 8000; size += 97) {
        int status = in_child(make, size);
        assert_true(status == 0 || status == 10);
        if (status == 0) {
            recording_free(recording_bench_reopen(&bench));
            char command[160];
            snprintf(command, sizeof command, "rm -r '%s'", bench.folder);
            assert_int_equal(system(command), 0);
            made++;
        } else {
            assert_int_equal(access(bench.folder, F_OK), -1);
            failed++;
        }
    }
    assert_true(failed > 5 && made > 5);
    recording_bench_close(&bench);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(what_was_written_is_readable),
        cmocka_unit_test(nothing_stays_of_what_does_not_fit),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
