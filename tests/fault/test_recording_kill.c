/* SPDX-License-Identifier: GPL-3.0-or-later
 * A writer that is killed at random moments: while it makes the folder, writes rows,
 * syncs, closes. Every recording that was made opens; run.json is whole; what was
 * synced is there, row by row. WETSWEEP_KILLS sets how often (else 8 s of it). */
#include "check.h"
#include "recordings.h"

#include <gsl/gsl_rng.h>

#include <errno.h>
#include <math.h>
#include <signal.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

/* Shared with the writer: what it knows to be safe. */
struct known {
    atomic_uint made, closing;
    atomic_uint synced; /* rows */
    atomic_uint written;
};

static double now_s(void)
{
    struct timespec time;
    clock_gettime(CLOCK_MONOTONIC, &time);
    return (double)time.tv_sec + 1e-9 * (double)time.tv_nsec;
}

static void pause_us(long us)
{
    const struct timespec time = {.tv_nsec = us * 1000};
    nanosleep(&time, NULL);
}

static double level_of(unsigned row)
{
    return 0.25 * (row % 1000);
}

/* The child: a run of 3000 rows, synced every 200. */
static void write_recording(const struct recording_bench *bench, struct known *known)
{
    struct rig_err err = {0};
    struct recording_writer *writer =
        recording_create(bench->folder, &bench->facts, &bench->rig, bench->plan, NULL, &err);
    if (!writer)
        _exit(1);
    atomic_store(&known->made, 1);
    for (unsigned row = 0; row < 3000; row++) {
        const double values[] = {level_of(row), row};
        int code = recording_row(writer, 0, row * 1e-3, row * 1e-3, values, &err);
        if (row % 100 == 0) {
            code |= recording_motion(writer, row * 1e-3, 0, 10, 10, 0.001, 0, &err);
            code |= recording_event(writer, row * 1e-3, "chatter", "T:20.5", &err);
        }
        if (row % 200 == 199) {
            code |= recording_stroke(writer, row / 200, 0, 1, 2, 3, &err);
            atomic_store(&known->written, row + 1);
            code |= recording_sync(writer, &err);
            atomic_store(&known->synced, row + 1);
            pause_us(1000);
        }
        if (code)
            _exit(2);
    }
    atomic_store(&known->closing, 1);
    _exit(recording_close(writer, RUN_COMPLETE, "the profile is over", &err) ? 3 : 0);
}

static void check_rows(const struct recording *recording, const struct known *known)
{
    struct kept_rows kept = {0};
    struct scan_report report = {0};
    struct rig_err err = {0};
    assert_int_equal(recording_scan(recording, 0, keep_rows, &kept, &report, &err), 0);
    assert_int_equal(report.malformed, 0);
    assert_true(kept.rows >= atomic_load(&known->synced));
    for (size_t r = 0; r < kept.rows; r++) {
        const double *row = &kept.cells[4 * r];
        if (fabs(row[0] - (double)r * 1e-3) > 1e-9 || row[2] != level_of((unsigned)r) ||
            row[3] != (double)r)
            fail_msg("row %zu is %g,%g,%g,%g", r, row[0], row[1], row[2], row[3]);
    }
    free(kept.cells);
    struct motion_row *motion;
    struct stroke_row *strokes;
    struct event_row *events;
    size_t count;
    unsigned synced = atomic_load(&known->synced);
    assert_int_equal(recording_motion_rows(recording, &motion, &count, &report, &err), 0);
    assert_true(count >= synced / 100);
    free(motion);
    assert_int_equal(recording_stroke_rows(recording, &strokes, &count, &report, &err), 0);
    assert_true(count >= synced / 200);
    free(strokes);
    assert_int_equal(recording_event_rows(recording, &events, &count, &report, &err), 0);
    assert_true(count >= synced / 100);
    recording_event_rows_free(events, count);
    assert_int_equal(report.malformed, 0);
}

struct tally {
    unsigned kills, while_made, while_written, while_closed, whole;
};

/* Killed after delay_s, counted from the start or, with `made`, from when the folder is
 * ready. */
static void kill_one(const struct recording_bench *bench, struct known *known, bool made,
                     double delay_s, struct tally *tally)
{
    struct rig_err err = {0};
    memset(known, 0, sizeof *known);
    pid_t child = fork();
    assert_true(child >= 0);
    if (child == 0)
        write_recording(bench, known);
    while (made && !atomic_load(&known->made))
        pause_us(100);
    double until = now_s() + delay_s;
    while (now_s() < until)
        pause_us(100);
    kill(child, SIGKILL);
    int status;
    while (waitpid(child, &status, 0) < 0)
        assert_int_equal(errno, EINTR);
    if (WIFEXITED(status))
        assert_int_equal(WEXITSTATUS(status), 0);
    tally->kills++;
    struct recording *recording = recording_open(bench->folder, &err);
    if (recording) {
        bool closed = recording_state(recording) == RUN_COMPLETE;
        assert_true(closed || recording_state(recording) == RUN_RUNNING);
        assert_true(!closed || atomic_load(&known->closing));
        if (WIFEXITED(status))
            assert_true(closed);
        check_rows(recording, known);
        tally->whole += WIFEXITED(status);
        tally->while_closed += !WIFEXITED(status) && atomic_load(&known->closing);
        tally->while_written += !atomic_load(&known->closing);
    } else {
        /* Only one that never was: the folder is still without its run.json. */
        assert_int_equal(atomic_load(&known->made), 0);
        assert_int_equal(err.code, RIG_EINPUT);
        assert_contains(err.text, "a recording is a folder with a run.json");
        tally->while_made++;
    }
    recording_free(recording);
    char command[160];
    snprintf(command, sizeof command, "rm -rf '%s'", bench->folder);
    assert_int_equal(system(command), 0);
}

/* How long a run takes that nobody kills: until it is made, and from there to the end. */
static void time_one(const struct recording_bench *bench, struct known *known, double *making_s,
                     double *writing_s)
{
    memset(known, 0, sizeof *known);
    double start = now_s();
    pid_t child = fork();
    assert_true(child >= 0);
    if (child == 0)
        write_recording(bench, known);
    while (!atomic_load(&known->made) && now_s() < start + 20)
        pause_us(100);
    *making_s = now_s() - start;
    int status;
    while (waitpid(child, &status, 0) < 0)
        assert_int_equal(errno, EINTR);
    *writing_s = now_s() - start - *making_s;
    assert_true(WIFEXITED(status) && WEXITSTATUS(status) == 0);
    char command[160];
    snprintf(command, sizeof command, "rm -rf '%s'", bench->folder);
    assert_int_equal(system(command), 0);
}

static void killed_at_any_moment(void **state)
{
    (void)state;
    struct recording_bench bench;
    struct tally tally = {0};
    const char *kills = getenv("WETSWEEP_KILLS");
    unsigned wanted = kills ? (unsigned)atoi(kills) : UINT32_MAX;
    double until = now_s() + 8;
    struct known *known =
        mmap(NULL, sizeof *known, PROT_READ | PROT_WRITE, MAP_SHARED | MAP_ANONYMOUS, -1, 0);
    assert_true(known != MAP_FAILED);
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    unsigned long seed = (unsigned long)time(NULL);
    gsl_rng_set(random, seed);
    recording_bench_open(&bench, NULL, NULL);
    double making_s, writing_s;
    time_one(&bench, known, &making_s, &writing_s);
    while (tally.kills < wanted && (kills || now_s() < until)) {
        /* The end is short: some are aimed at it. */
        double share = gsl_rng_uniform(random);
        if (tally.kills % 4 == 0)
            kill_one(&bench, known, false, share * making_s, &tally);
        else
            kill_one(&bench, known, true,
                     (tally.kills % 4 == 1 ? 0.85 + 0.15 * share : share) * writing_s, &tally);
    }
    print_message("seed %lu: %u kills, %u while the folder was made, %u while rows were written, "
                  "%u while it was closed; %u had ended\n",
                  seed, tally.kills, tally.while_made, tally.while_written, tally.while_closed,
                  tally.whole);
    assert_true(tally.kills >= 10);
    assert_true(tally.while_written > 0);
    recording_bench_close(&bench);
    gsl_rng_free(random);
    munmap(known, sizeof *known);
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(killed_at_any_moment)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
