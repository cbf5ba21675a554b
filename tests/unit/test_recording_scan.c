/* SPDX-License-Identifier: GPL-3.0-or-later
 * Reading tables that aren't as the writer left them: other columns, nonsense, cut
 * lines; and long ones in pieces. */
#include "check.h"
#include "recordings.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static struct recording_bench bench;

static int open_bench(void **state)
{
    (void)state;
    recording_bench_open(&bench, NULL, NULL);
    return 0;
}

static int close_bench(void **state)
{
    (void)state;
    recording_bench_close(&bench);
    return 0;
}

static int scan_board(const char *csv, struct kept_rows *kept, struct scan_report *report,
                      struct rig_err *err)
{
    recording_bench_put(&bench, "board.csv", csv, strlen(csv));
    struct recording *recording = recording_bench_reopen(&bench);
    *kept = (struct kept_rows){0};
    *report = (struct scan_report){0};
    int code = recording_scan(recording, 0, keep_rows, kept, report, err);
    recording_free(recording);
    return code;
}

static void columns_are_found_by_name(void **state)
{
    (void)state;
    struct rig_err err = {0};
    struct kept_rows kept;
    struct scan_report report;
    assert_int_equal(recording_close(recording_bench_create(&bench), RUN_COMPLETE, "", &err), 0);
    assert_int_equal(
        scan_board("t_s,command,\"extra\",level,device_s\n1,2,3,4,5\n", &kept, &report, &err), 0);
    assert_int_equal(kept.rows, 1);
    assert_int_equal(kept.columns, 4);
    assert_near(kept.cells[1], 5, 0, "s");
    assert_near(kept.cells[2], 4, 0, "V");
    assert_near(kept.cells[3], 2, 0, "us");
    assert_int_equal(report.unknown_columns, 1);
    free(kept.cells);

    assert_int_equal(scan_board("t_s,device_s,level\n1,2,3\n", &kept, &report, &err), RIG_EINPUT);
    assert_contains(err.text, "board.csv:1: has no column 'command'");
    assert_int_equal(scan_board("level,t_s,device_s,command\n1,2,3,4\n", &kept, &report, &err),
                     RIG_EINPUT);
    assert_contains(err.text, "the first column must be the time");

    /* Killed before the header was whole, or before there was any. */
    static const char *const early[] = {"", "t_s,devi", "t_s,device_s,level,command\r\n"};
    for (size_t i = 0; i < 3; i++) {
        assert_int_equal(scan_board(early[i], &kept, &report, &err), 0);
        assert_int_equal(kept.rows, 0);
        assert_int_equal(report.cut_last_line, i == 1);
    }
    assert_int_equal(
        scan_board("t_s,device_s,level,command\r\n1,2,3,4\r\n2,3,4,5", &kept, &report, &err), 0);
    assert_int_equal(kept.rows, 1);
    assert_int_equal(report.cut_last_line, 1);
    free(kept.cells);
    assert_int_equal(
        scan_board("\xEF\xBB\xBFt_s,device_s,level,command\n1,2,3,4\n", &kept, &report, &err), 0);
    assert_int_equal(kept.rows, 1);
    free(kept.cells);
}

/* A line without end, and a file cut into pieces at any number of threads. */
static void long_files_in_pieces(void **state)
{
    (void)state;
    enum { ROWS = 150000, ROOM = ROWS * 40 + 400000 };
    struct rig_err err = {0};
    assert_int_equal(recording_close(recording_bench_create(&bench), RUN_COMPLETE, "", &err), 0);
    char *csv = malloc(ROOM);
    assert_non_null(csv);
    size_t size = (size_t)sprintf(csv, "t_s,device_s,level,command\r\n");
    for (int i = 0; i < ROWS; i++) {
        size += (size_t)sprintf(csv + size, "%d.%03d,%d,%d.5,%d\r\n", i / 1000, i % 1000, i, i % 77,
                                -i);
        if (i == 100000) { /* a disk gone mad */
            memset(csv + size, 'x', 200000);
            size += 200000;
            csv[size++] = '\n';
        }
        if (i == 120000)
            size += (size_t)sprintf(csv + size, "100.5,1,1,1\r\n"); /* back in time */
    }
    recording_bench_put(&bench, "board.csv", csv, size);
    free(csv);
    struct recording *recording = recording_bench_reopen(&bench);
    struct scan_report first = {0};
    for (size_t pieces = 1; pieces <= 16; pieces += pieces < 4 ? 1 : 6) {
        struct kept_rows kept[16] = {{0}};
        void *contexts[16];
        struct scan_report report = {0};
        for (size_t i = 0; i < 16; i++)
            contexts[i] = &kept[i];
        assert_int_equal(
            recording_scan_parallel(recording, 0, pieces, keep_rows, contexts, &report, &err), 0);
        if (pieces == 1)
            first = report;
        assert_memory_equal(&report, &first, sizeof report);
        size_t row = 0;
        for (size_t i = 0; i < pieces; i++) {
            for (size_t r = 0; r < kept[i].rows; r++, row++) {
                size_t number = row - (row > 120000);
                double t_s = row == 120001 ? 100.5 : (double)number / 1000;
                if (fabs(kept[i].cells[4 * r] - t_s) > 1e-9)
                    fail_msg("row %zu at %.9g s instead of %.9g", row, kept[i].cells[4 * r], t_s);
            }
            free(kept[i].cells);
        }
        assert_int_equal(row, ROWS + 1);
    }
    assert_int_equal(first.rows, ROWS + 1);
    assert_int_equal(first.malformed, 1);
    assert_int_equal(first.first_malformed_line, 100003);
    assert_int_equal(first.lines, ROWS + 3);
    assert_int_equal(first.backward_times, 1);
    assert_near(first.last_t_s, 149.999, 0, "s");
    recording_free(recording);
}

struct failing {
    uint64_t rows;
    uint64_t limit;
};

static int fail_later(void *context, const struct row_batch *batch, struct rig_err *err)
{
    struct failing *failing = context;
    failing->rows += batch->rows;
    return failing->rows > failing->limit
               ? rig_fail(err, RIG_EMEMORY, "full after %llu", (unsigned long long)failing->limit)
               : 0;
}

static void an_error_of_any_piece_is_returned(void **state)
{
    (void)state;
    struct rig_err err = {0};
    struct recording_writer *writer = recording_bench_create(&bench);
    for (int i = 0; i < 200000; i++) {
        const double values[] = {i * 0.25, i};
        assert_int_equal(recording_row(writer, 0, i * 1e-3, i * 1e-3, values, &err), 0);
    }
    assert_int_equal(recording_close(writer, RUN_COMPLETE, "", &err), 0);
    struct recording *recording = recording_bench_reopen(&bench);
    for (size_t bad = 0; bad < 3; bad++) {
        struct failing pieces[3] = {{0, UINT64_MAX}, {0, UINT64_MAX}, {0, UINT64_MAX}};
        void *contexts[] = {&pieces[0], &pieces[1], &pieces[2]};
        struct scan_report report = {0};
        pieces[bad].limit = 3000;
        assert_int_equal(
            recording_scan_parallel(recording, 0, 3, fail_later, contexts, &report, &err),
            RIG_EMEMORY);
        assert_string_equal(err.text, "full after 3000");
    }
    struct scan_report report = {0};
    void *contexts[17] = {0};
    assert_int_equal(recording_scan_parallel(recording, 0, 17, fail_later, contexts, &report, &err),
                     RIG_EBUG);
    assert_int_equal(recording_scan_parallel(recording, 0, 0, fail_later, contexts, &report, &err),
                     RIG_EBUG);
    assert_int_equal(recording_scan(recording, 2, fail_later, NULL, &report, &err), RIG_EBUG);
    recording_free(recording);
}

static void tables_of_nonsense(void **state)
{
    (void)state;
    struct rig_err err = {0};
    assert_int_equal(recording_close(recording_bench_create(&bench), RUN_COMPLETE, "", &err), 0);
    static const char motion[] = "t_s,stroke,depth_mm,reported_mm,bracket_s,segment\n"
                                 "1,0,2,3,0.1,0\n1,-1,2,3,0.1,0\n1,0.5,2,3,0.1,0\n"
                                 "1,,2,3,0.1,0\n1,4294967296,2,3,0.1,0\n2,1,2,,,1\n";
    static const char strokes[] = "stroke,plan_s,sent_s,accepted_s,ended_s\n"
                                  "3,1,2,3,4\n0,1,2,3,\nx,1,2,3,4\n1e9,1,2,3,4\n1e10,1,2,3,4\n";
    static const char events[] = "t_s,kind,text\n1,a,b\n2,a\n3,a,b,c\nx,a,b\n"
                                 "4,a_word_of_twenty_four_by,b\n5,a,\"two\nlines\"\n6,a,\"cut";
    recording_bench_put(&bench, "motion.csv", motion, sizeof motion - 1);
    recording_bench_put(&bench, "strokes.csv", strokes, sizeof strokes - 1);
    recording_bench_put(&bench, "events.csv", events, sizeof events - 1);
    struct recording *recording = recording_bench_reopen(&bench);
    struct motion_row *moves;
    struct stroke_row *stroke;
    struct event_row *event;
    size_t count;
    struct scan_report report = {0};
    assert_int_equal(recording_motion_rows(recording, &moves, &count, &report, &err), 0);
    assert_int_equal(count, 2);
    assert_int_equal(moves[1].stroke, 1);
    assert_int_equal(report.malformed, 4);
    assert_int_equal(report.rows, 2);
    free(moves);
    report = (struct scan_report){0};
    assert_int_equal(recording_stroke_rows(recording, &stroke, &count, &report, &err), 0);
    assert_int_equal(count, 3);
    assert_int_equal(stroke[2].stroke, 1000000000);
    assert_int_equal(report.malformed, 2);
    assert_int_equal(report.backward_times, 0);
    free(stroke);
    report = (struct scan_report){0};
    assert_int_equal(recording_event_rows(recording, &event, &count, &report, &err), 0);
    assert_int_equal(count, 2);
    assert_string_equal(event[1].text, "two\nlines");
    assert_int_equal(report.malformed, 4);
    assert_int_equal(report.first_malformed_line, 3);
    assert_int_equal(report.cut_last_line, 1);
    recording_event_rows_free(event, count);
    recording_free(recording);
}

int main(void)
{
#define WITH_BENCH(test) cmocka_unit_test_setup_teardown(test, open_bench, close_bench)
    const struct CMUnitTest tests[] = {
        WITH_BENCH(columns_are_found_by_name),
        WITH_BENCH(long_files_in_pieces),
        WITH_BENCH(an_error_of_any_piece_is_returned),
        WITH_BENCH(tables_of_nonsense),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
