/* SPDX-License-Identifier: GPL-3.0-or-later
 * The ledger in one process: what goes in comes out, once, by filter, and in order. */
#include "check.h"
#include "ledgers.h"

#include "base/file.h"
#include "results/ledger_parts.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

enum { COUNT = 42 };
static struct ledger_bench bench;

static int open_filled(void **state)
{
    (void)state;
    ledger_bench_open(&bench);
    for (int i = 0; i < COUNT; i++)
        ledger_bench_record(&bench, i);
    ledger_bench_put(&bench, 0); /* the first makes it, from all that lie beside it */
    return 0;
}

static int close_bench(void **state)
{
    (void)state;
    ledger_bench_close(&bench);
    return 0;
}

static size_t count_of(struct ledger_filter filter)
{
    struct ledger_list list = {0};
    struct rig_err err = {0};
    if (ledger_recordings(&list, bench.path, &filter, NULL, &err))
        fail_msg("%s", err.text);
    size_t count = list.count;
    for (size_t i = 1; i < count; i++)
        assert_true(strcmp(list.entries[i - 1].started, list.entries[i].started) <= 0);
    ledger_list_free(&list);
    return count;
}

static void finds_by_filter(void **state)
{
    (void)state;
    assert_int_equal(count_of((struct ledger_filter){0}), COUNT);
    assert_int_equal(count_of((struct ledger_filter){.board = "WS-B-0001"}), COUNT / 3);
    assert_int_equal(count_of((struct ledger_filter){.board = "WS-B-0001", .revision = "A"}),
                     COUNT / 6);
    assert_int_equal(count_of((struct ledger_filter){.board = "ws-b-0001"}), 0);
    assert_int_equal(count_of((struct ledger_filter){.coating = "wax"}), COUNT - 30);
    assert_int_equal(count_of((struct ledger_filter){.coating = ""}), 0);
    assert_int_equal(count_of((struct ledger_filter){.since = "2026-05"}), COUNT - 28);
    assert_int_equal(count_of((struct ledger_filter){.until = "2026-04"}), 28);
    assert_int_equal(count_of((struct ledger_filter){.until = "2026-04-03"}), 3);
    assert_int_equal(count_of((struct ledger_filter){.until = "2026-04-03T07:59:59Z"}), 2);
    assert_int_equal(count_of((struct ledger_filter){.since = "2026-04-03", .until = "2026-04-03"}),
                     1);
    assert_int_equal(count_of((struct ledger_filter){.since = "2027"}), 0);
}

static void refuses_what_is_no_date(void **state)
{
    (void)state;
    static const char *const wrong[] = {
        "", "26", "2026-4", "2026-04-1", "yesterday", "2026/04/01", "2026-04-01 08:00:00"};
    for (size_t i = 0; i < sizeof wrong / sizeof *wrong; i++) {
        struct ledger_list list = {0};
        struct rig_err err = {0};
        const struct ledger_filter filter = {.since = wrong[i]};
        assert_int_equal(ledger_recordings(&list, bench.path, &filter, NULL, &err), RIG_EINPUT);
        assert_contains(err.text, "is no date");
        ledger_list_free(&list);
    }
}

static void an_entry_has_what_the_recording_says(void **state)
{
    (void)state;
    struct ledger_list list = {0};
    struct rig_err err = {0};
    char hex[65], kept[65], path[200];
    const struct ledger_filter filter = {.since = "2026-04-03", .until = "2026-04-03"};
    assert_int_equal(ledger_recordings(&list, bench.path, &filter, NULL, &err), 0);
    const struct ledger_entry *entry = &list.entries[0];
    assert_string_equal(entry->folder, ledger_bench_folder(&bench, 2));
    assert_string_equal(entry->board, "WS-B-0002");
    assert_string_equal(entry->revision, "A");
    assert_string_equal(entry->coating, "bare");
    assert_string_equal(entry->note, "recording 2, \"invented\"");
    assert_string_equal(entry->started, "2026-04-03T08:00:00Z");
    assert_string_equal(entry->profile, "dip.profile");
    assert_string_equal(entry->state, "complete");
    assert_string_equal(entry->version, "0.1.0");
    assert_near(entry->water_degc, 20.5, 0, "degC");
    assert_int_equal(entry->known, 2);
    assert_int_equal(entry->refused, 1);
    snprintf(path, sizeof path, "%s/run.json", entry->folder);
    assert_int_equal(file_sha256(path, hex, &err), 0);
    assert_string_equal(ledger_hash_text(kept, entry->hash), hex);
    ledger_list_free(&list);
}

static int series_job(void *context, struct ledger *ledger, struct rig_err *err)
{
    const struct ledger_filter filter = {.board = "WS-B-0001"};
    return ledger_series_of(context, ledger, "hysteresis_at_rest", &filter, err);
}

static void a_series_is_one_result_of_many(void **state)
{
    (void)state;
    struct ledger_series series = {0};
    struct rig_err err = {0};
    assert_int_equal(ledger_use(bench.path, LEDGER_READ, series_job, &series, NULL, &err), 0);
    assert_int_equal(series.count, COUNT / 3);
    for (size_t i = 0; i < series.count; i++) {
        assert_near(series.values[i].value, 0.4 + 0.001 * (double)(3 * i + 1), 1e-15, "mm");
        assert_near(series.values[i].high_95 - series.values[i].low_95, 2 * 2.178813 * 0.01, 1e-7,
                    "mm");
        assert_string_equal(series.values[i].unit, "mm");
        assert_int_equal(series.values[i].entry, i);
    }
    ledger_series_free(&series);
}

static int misspelt_job(void *context, struct ledger *ledger, struct rig_err *err)
{
    const struct ledger_filter filter = {0};
    return ledger_series_of(context, ledger, "hysteresis_at_rst", &filter, err);
}

static void a_misspelt_result_is_told(void **state)
{
    (void)state;
    struct ledger_series series = {0};
    struct rig_err err = {0};
    assert_int_equal(ledger_use(bench.path, LEDGER_READ, misspelt_job, &series, NULL, &err),
                     RIG_EINPUT);
    assert_contains(err.text, "did you mean 'hysteresis_at_rest'?");
    ledger_series_free(&series);
}

/* Fitted again, copied, or copied over another: each measurement is there once. */
static void a_recording_is_there_once(void **state)
{
    (void)state;
    char command[600], copy[160];
    struct ledger_list list = {0};
    struct rig_err err = {0};
    const struct ledger_filter filter = {0};
    ledger_bench_put(&bench, 5);
    ledger_bench_put(&bench, 5);
    assert_int_equal(count_of(filter), COUNT);
    snprintf(command, sizeof command, "cp -r '%s' '%s/copy.recording'",
             ledger_bench_folder(&bench, 5), bench.base);
    assert_int_equal(system(command), 0);
    snprintf(copy, sizeof copy, "%s/r%03d.recording", bench.base, 5);
    /* The copy is put in: the entry moves to it and keeps its number. */
    assert_int_equal(ledger_recordings(&list, bench.path, &filter, NULL, &err), 0);
    int64_t number = list.entries[5].number;
    snprintf(command, sizeof command, "mv '%s' '%s/elsewhere' && mv '%s/copy.recording' '%s'", copy,
             bench.base, bench.base, copy);
    assert_int_equal(system(command), 0);
    ledger_bench_put(&bench, 5);
    assert_int_equal(ledger_recordings(&list, bench.path, &filter, NULL, &err), 0);
    assert_int_equal(list.count, COUNT);
    assert_int_equal(list.entries[5].number, number);
    /* Number 6's folder now holds number 7's recording: 6 is gone, 7 has moved. */
    snprintf(command, sizeof command,
             "rm -r '%s/elsewhere' '%s/r006.recording' && mv "
             "'%s/r007.recording' '%s/r006.recording'",
             bench.base, bench.base, bench.base, bench.base);
    assert_int_equal(system(command), 0);
    ledger_bench_put(&bench, 6);
    assert_int_equal(ledger_recordings(&list, bench.path, &filter, NULL, &err), 0);
    assert_int_equal(list.count, COUNT - 1);
    for (size_t i = 0; i < list.count; i++) {
        assert_string_not_equal(list.entries[i].note, "recording 6, \"invented\"");
        if (strcmp(list.entries[i].note, "recording 7, \"invented\"") == 0)
            assert_string_equal(list.entries[i].folder, ledger_bench_folder(&bench, 6));
    }
    ledger_list_free(&list);
}

/* The tables made again hold the same, but for the numbers. */
static void rebuilding_gives_the_same(void **state)
{
    (void)state;
    struct rig_err err = {0};
    struct ledger_tally tally;
    const char *const folders[] = {bench.base};
    char *before = ledger_bench_all(&bench, NULL, &err);
    assert_non_null(before);
    assert_int_equal(ledger_rebuild(&tally, bench.path, folders, 1, NULL, &err), 0);
    assert_int_equal(tally.put, COUNT - 1);
    assert_int_equal(tally.copies + tally.unfitted + tally.unreadable, 0);
    char *after = ledger_bench_all(&bench, NULL, &err);
    assert_non_null(after);
    assert_string_equal(before, after);
    free(before);
    free(after);
}

static void rebuilding_tells_what_it_leaves_out(void **state)
{
    (void)state;
    char command[600];
    struct rig_err err = {0};
    struct ledger_tally tally;
    const char *const folders[] = {bench.base};
    snprintf(command, sizeof command,
             "cd '%s' && mkdir -p deep/er && cp -r r001.recording deep/er/copy && "
             "rm r002.recording/results.json && echo '{' >r003.recording/results.json && "
             "cp r004.recording/results.json r005.recording/ && ln -s .. deep/up",
             bench.base);
    assert_int_equal(system(command), 0);
    assert_int_equal(ledger_rebuild(&tally, bench.path, folders, 1, NULL, &err), 0);
    assert_int_equal(tally.put, COUNT - 4);
    assert_int_equal(tally.copies, 1);
    assert_int_equal(tally.unfitted, 1);
    assert_int_equal(tally.unreadable, 2);
    assert_contains(tally.first_unreadable, "r003.recording/results.json");
    assert_int_equal(count_of((struct ledger_filter){0}), COUNT - 4);
}

/* Moved with its recordings, a ledger still leads to them. */
static void it_can_be_moved_with_its_recordings(void **state)
{
    (void)state;
    char command[200];
    struct ledger_bench moved = {0};
    struct ledger_list list = {0};
    struct rig_err err = {0};
    const struct ledger_filter filter = {.until = "2026-04-01"};
    snprintf(moved.base, sizeof moved.base, "%.60s-m", bench.base);
    snprintf(moved.path, sizeof moved.path, "%s/wetsweep.ledger", moved.base);
    snprintf(command, sizeof command, "mv '%s' '%s'", bench.base, moved.base);
    assert_int_equal(system(command), 0);
    bench = moved;
    assert_int_equal(ledger_recordings(&list, bench.path, &filter, NULL, &err), 0);
    assert_int_equal(list.count, 1);
    assert_string_equal(list.entries[0].folder, ledger_bench_folder(&bench, 0));
    ledger_list_free(&list);
}

static int never_job(void *context, struct ledger *ledger, struct rig_err *err)
{
    (void)context;
    (void)ledger;
    (void)err;
    fail_msg("a job ran on what is no ledger");
    return 0;
}

static void expect_refused(const char *path, const char *because)
{
    struct rig_err err = {0};
    assert_int_equal(ledger_use(path, LEDGER_READ, never_job, NULL, NULL, &err), RIG_EINPUT);
    assert_contains(err.text, because);
}

/* Files that aren't ours are left where they are. */
static void what_is_no_ledger_is_refused(void **state)
{
    (void)state;
    char path[160], command[400];
    struct stat status;
    sqlite3 *db;
    expect_refused("", "can't be the name");
    expect_refused(":memory:", "can't be the name");
    snprintf(path, sizeof path, "%s/none.ledger", bench.base);
    expect_refused(path, "there is no ledger");
    snprintf(path, sizeof path, "%s/notes.txt", bench.base);
    snprintf(command, sizeof command, "echo 'not at all a ledger' >'%s'", path);
    assert_int_equal(system(command), 0);
    expect_refused(path, "isn't a ledger");
    assert_int_equal(stat(path, &status), 0);
    snprintf(path, sizeof path, "%s/other.db", bench.base);
    assert_int_equal(sqlite3_open(path, &db), SQLITE_OK);
    assert_int_equal(sqlite3_exec(db, "CREATE TABLE t(a)", NULL, NULL, NULL), SQLITE_OK);
    sqlite3_close(db);
    expect_refused(path, "another program");
    assert_int_equal(stat(path, &status), 0);
    /* Written by a later version: not to be thrown away by an earlier one. */
    assert_int_equal(sqlite3_open(bench.path, &db), SQLITE_OK);
    assert_int_equal(sqlite3_exec(db, "PRAGMA user_version = 999", NULL, NULL, NULL), SQLITE_OK);
    sqlite3_close(db);
    expect_refused(bench.path, "newer wetsweep");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(finds_by_filter),
        cmocka_unit_test(refuses_what_is_no_date),
        cmocka_unit_test(an_entry_has_what_the_recording_says),
        cmocka_unit_test(a_series_is_one_result_of_many),
        cmocka_unit_test(a_misspelt_result_is_told),
        cmocka_unit_test(a_recording_is_there_once),
        cmocka_unit_test(rebuilding_gives_the_same),
        cmocka_unit_test(rebuilding_tells_what_it_leaves_out),
        cmocka_unit_test(it_can_be_moved_with_its_recordings),
        cmocka_unit_test(what_is_no_ledger_is_refused),
    };
    return cmocka_run_group_tests(tests, open_filled, close_bench);
}
