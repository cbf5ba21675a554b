/* SPDX-License-Identifier: GPL-3.0-or-later
 * The ledger where things go wrong: bits that rot, files cut short, several processes at
 * once, writers that are killed. What is asked of it then is either answered rightly, from
 * a ledger made anew where need be, or refused; never wrongly. */
#include "check.h"
#include "ledgers.h"

#include "base/file.h"

#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

enum { COUNT = 24, TRIALS = 80, WRITERS = 4, EACH = 6 };
static struct ledger_bench bench;
static uint64_t seed = 20260412;

static uint64_t dice(uint64_t below)
{
    seed ^= seed << 13;
    seed ^= seed >> 7;
    seed ^= seed << 17;
    return seed % below;
}

static int open_bench(void **state)
{
    (void)state;
    print_message("seed %llu\n", (unsigned long long)seed);
    ledger_bench_open(&bench);
    return 0;
}

static int close_bench(void **state)
{
    (void)state;
    ledger_bench_close(&bench);
    return 0;
}

static void spoil(char *bytes, size_t *size)
{
    switch (dice(8)) {
    case 0: /* cut short */
        *size = dice(*size);
        break;
    case 1: { /* a block of zeros */
        size_t from = dice(*size), length = 1 + dice(4096);
        memset(bytes + from, 0, from + length > *size ? *size - from : length);
        break;
    }
    case 2: { /* another block in its place */
        size_t pages = *size / 4096, to = dice(pages), from = dice(pages);
        memcpy(bytes + 4096 * to, bytes + 4096 * from, 4096);
        break;
    }
    default: /* one bit */
        bytes[dice(*size)] ^= (char)(1 << dice(8));
    }
}

static void put_file(const char *path, const char *bytes, size_t size)
{
    FILE *file = fopen(path, "w");
    assert_non_null(file);
    assert_int_equal(fwrite(bytes, 1, size, file), size);
    assert_int_equal(fclose(file), 0);
}

static int count_aside(void)
{
    int count = 0;
    DIR *listing = opendir(bench.base);
    assert_non_null(listing);
    for (struct dirent *entry; (entry = readdir(listing));)
        count += strstr(entry->d_name, ".damaged-") != NULL;
    closedir(listing);
    return count;
}

static void a_damaged_file_is_never_trusted(void **state)
{
    (void)state;
    struct rig_err err = {0};
    char *whole, *good;
    size_t size;
    int mended = 0, unharmed = 0, refused = 0;
    for (int i = 0; i < COUNT; i++)
        ledger_bench_record(&bench, i);
    for (int i = 0; i < COUNT; i++)
        ledger_bench_put(&bench, i);
    char *expected = ledger_bench_all(&bench, NULL, &err);
    assert_non_null(expected);
    assert_int_equal(file_read(bench.path, 1 << 24, &good, &size, &err), 0);
    whole = malloc(size);
    assert_non_null(whole);
    for (int trial = 0; trial < TRIALS; trial++) {
        size_t now = size;
        struct text notice = {0};
        memcpy(whole, good, size);
        spoil(whole, &now);
        put_file(bench.path, whole, now);
        int aside = count_aside();
        char *said = ledger_bench_all(&bench, &notice, &err);
        if (said) {
            if (strcmp(said, expected) != 0)
                fail_msg("trial %d: another answer\n%s", trial, said);
            assert_int_equal(count_aside() - aside, notice.size ? 1 : 0);
            if (notice.size)
                assert_contains(notice.bytes, "made anew from 24 recordings");
            *(notice.size ? &mended : &unharmed) += 1;
        } else { /* its version says that it is of a program to come */
            assert_contains(err.text, "newer wetsweep");
            refused++;
        }
        free(said);
        text_free(&notice);
    }
    print_message("of %d: %d made anew, %d harmless, %d refused\n", TRIALS, mended, unharmed,
                  refused);
    assert_true(mended > TRIALS / 4);
    assert_true(refused < TRIALS / 20);
    free(whole);
    free(good);
    free(expected);
}

/* One bit of one stored value: SQLite can't know, the row's mark does. */
static void a_changed_value_is_noticed(void **state)
{
    (void)state;
    struct rig_err err = {0};
    struct text notice = {0};
    char *bytes, stored[8];
    size_t size;
    const double value = 0.407; /* of recording 7 */
    uint64_t word;
    char *expected = ledger_bench_all(&bench, NULL, &err);
    assert_non_null(expected);
    memcpy(&word, &value, sizeof word);
    for (int i = 0; i < 8; i++) /* as SQLite stores it: the high byte first */
        stored[i] = (char)(word >> (56 - 8 * i));
    assert_int_equal(file_read(bench.path, 1 << 24, &bytes, &size, &err), 0);
    size_t at = 0;
    while (at + 8 < size && memcmp(bytes + at, stored, 8) != 0)
        at++;
    assert_true(at + 8 < size);
    bytes[at + 7] ^= 1;
    put_file(bench.path, bytes, size);
    char *said = ledger_bench_all(&bench, &notice, &err);
    assert_non_null(said);
    assert_string_equal(said, expected);
    assert_non_null(notice.bytes);
    assert_contains(notice.bytes, "a row of 'result' isn't what was written");
    free(bytes);
    free(said);
    free(expected);
    text_free(&notice);
}

/* A recording that lies elsewhere is found again through the damaged file itself. */
static void recordings_elsewhere_are_found_again(void **state)
{
    (void)state;
    struct ledger_bench other;
    struct rig_err err = {0};
    struct text notice = {0};
    ledger_bench_open(&other);
    snprintf(bench.path, sizeof bench.path, "%s/wetsweep.ledger", other.base);
    for (int i = 0; i < 3; i++)
        ledger_bench_put(&bench, i);
    char *expected = ledger_bench_all(&bench, NULL, &err);
    assert_non_null(expected);
    int fd = open(bench.path, O_WRONLY);
    assert_true(fd >= 0);
    assert_int_equal(pwrite(fd, "\xff\xff", 2, 60), 2); /* user_version */
    close(fd);
    fd = open(bench.path, O_WRONLY);
    assert_int_equal(pwrite(fd, "\0\0\0\0", 4, 60), 4); /* an older one */
    close(fd);
    char *said = ledger_bench_all(&bench, &notice, &err);
    assert_non_null(said);
    assert_string_equal(said, expected);
    assert_non_null(notice.bytes);
    assert_contains(notice.bytes, "made anew from 3 recordings");
    free(said);
    free(expected);
    text_free(&notice);
    ledger_bench_close(&other);
    snprintf(bench.path, sizeof bench.path, "%s/wetsweep.ledger", bench.base);
}

static int put_job(void *context, struct ledger *ledger, struct rig_err *err)
{
    return ledger_put(ledger, context, err);
}

/* In a child: puts its share in, reading between. */
static void write_share(int writer)
{
    for (int i = writer * EACH; i < (writer + 1) * EACH; i++) {
        struct rig_err err = {0};
        struct text notice = {0};
        if (ledger_use(bench.path, LEDGER_WRITE, put_job, (void *)ledger_bench_folder(&bench, i),
                       &notice, &err)) {
            fprintf(stderr, "writer %d: %s\n", writer, err.text);
            _exit(1);
        }
        text_free(&notice);
        char *all = ledger_bench_all(&bench, NULL, &err);
        if (!all || !strstr(all, ledger_bench_folder(&bench, i))) {
            fprintf(stderr, "writer %d: %s\n", writer, all ? "its own row is missing" : err.text);
            _exit(1);
        }
        free(all);
    }
    _exit(0);
}

static void let_all_write(void)
{
    pid_t writers[WRITERS];
    for (int i = 0; i < WRITERS; i++) {
        writers[i] = fork();
        assert_true(writers[i] >= 0);
        if (writers[i] == 0)
            write_share(i);
    }
    for (int i = 0; i < WRITERS; i++) {
        int status = -1;
        assert_int_equal(waitpid(writers[i], &status, 0), writers[i]);
        assert_int_equal(status, 0);
    }
}

static void expect_all(size_t count)
{
    struct ledger_list list = {0};
    struct rig_err err = {0};
    struct text notice = {0};
    const struct ledger_filter filter = {0};
    if (ledger_recordings(&list, bench.path, &filter, &notice, &err))
        fail_msg("%s", err.text);
    assert_int_equal(list.count, count);
    assert_int_equal(notice.size, 0);
    ledger_list_free(&list);
}

/* Real processes, all at once: on a ledger that isn't there yet, on a damaged one, and on a
 * good one. */
static void several_processes_write_at_once(void **state)
{
    (void)state;
    for (int i = COUNT; i < WRITERS * EACH; i++)
        ledger_bench_record(&bench, i);
    unlink(bench.path);
    let_all_write();
    expect_all(WRITERS * EACH);
    int aside = count_aside();
    put_file(bench.path, "these are not the bytes of a ledger", 35);
    let_all_write();
    expect_all(WRITERS * EACH);
    assert_int_equal(count_aside(), aside + 1);
    let_all_write();
    expect_all(WRITERS * EACH);
    assert_int_equal(count_aside(), aside + 1);
}

/* A writer that is killed leaves the ledger as before its transaction or as after it. */
static void a_killed_writer_harms_nothing(void **state)
{
    (void)state;
    int aside = count_aside();
    for (int trial = 0; trial < 20; trial++) {
        pid_t writer = fork();
        assert_true(writer >= 0);
        if (writer == 0)
            for (;;) {
                struct rig_err err;
                int i = (int)dice(WRITERS * EACH);
                ledger_use(bench.path, LEDGER_WRITE, put_job,
                           (void *)ledger_bench_folder(&bench, i), NULL, &err);
            }
        struct timespec pause = {.tv_nsec = 1000000 + (long)dice(30000000)};
        nanosleep(&pause, NULL);
        kill(writer, SIGKILL);
        waitpid(writer, NULL, 0);
        expect_all(WRITERS * EACH);
    }
    assert_int_equal(count_aside(), aside);
}

static int failing_job(void *context, struct ledger *ledger, struct rig_err *err)
{
    int code = ledger_put(ledger, context, err);
    return code ? code : rig_fail(err, RIG_EINPUT, "no more of this");
}

static void a_job_that_fails_changes_nothing(void **state)
{
    (void)state;
    struct rig_err err = {0};
    ledger_bench_record(&bench, 80);
    assert_int_equal(ledger_use(bench.path, LEDGER_WRITE, failing_job,
                                (void *)ledger_bench_folder(&bench, 80), NULL, &err),
                     RIG_EINPUT);
    assert_string_equal(err.text, "no more of this");
    expect_all(WRITERS * EACH);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_damaged_file_is_never_trusted),
        cmocka_unit_test(a_changed_value_is_noticed),
        cmocka_unit_test(recordings_elsewhere_are_found_again),
        cmocka_unit_test(several_processes_write_at_once),
        cmocka_unit_test(a_killed_writer_harms_nothing),
        cmocka_unit_test(a_job_that_fails_changes_nothing),
    };
    return cmocka_run_group_tests(tests, open_bench, close_bench);
}
