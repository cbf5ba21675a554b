/* SPDX-License-Identifier: GPL-3.0-or-later
 * Reading tables that aren't as the writer left them: other columns, nonsense, cut
 * lines. */
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
        WITH_BENCH(tables_of_nonsense),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
