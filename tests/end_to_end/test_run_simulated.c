/* SPDX-License-Identifier: GPL-3.0-or-later
 * A run on the simulated bench in simulated time leaves a complete recording: every
 * line of the board, every stroke, holds as long as planned, marks in their places. */
#include "check.h"
#include "fault_bench.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const char profile[] = "title \"A bit of everything\"\n"
                              "start at 10 mm\n"
                              "mark \"first ramp\"\n"
                              "ramp to 120 mm at 20 mm/s\n"
                              "hold 3 s\n"
                              "step to 40 mm\n"
                              "hold 5 s\n"
                              "mark \"sine\"\n"
                              "sine about 80 mm amplitude 8 mm at 0.5 Hz, 6 cycles\n"
                              "stairs from 20 mm to 60 mm in 4 steps, hold 2 s, up and down\n";

static struct fault_bench bench;

static int run_once(void **state)
{
    (void)state;
    fault_bench_defaults(&bench);
    bench.profile_text = profile;
    fault_bench_run(&bench);
    return 0;
}

static int clean(void **state)
{
    (void)state;
    fault_bench_free(&bench);
    return 0;
}

static struct recording *open_recording(void)
{
    struct rig_err err = {0};
    struct recording *recording = recording_open(bench.folder, &err);
    if (!recording)
        fail_msg("%s", err.text);
    return recording;
}

static void it_is_complete(void **state)
{
    (void)state;
    assert_int_equal(bench.code, 0);
    assert_int_equal(bench.closed, 0);
    assert_contains(bench.end.why, "the whole plan was carried out");
    assert_int_equal(bench.end.state, RUN_COMPLETE);
    assert_int_equal(bench.end.exit_status, 0);
    assert_int_equal(bench.end.board, BOARD_PARKED);
    assert_near(bench.true_depth_mm, -20, 0.1, "mm");
    struct recording *recording = open_recording();
    assert_int_equal(recording_state(recording), RUN_COMPLETE);
    recording_free(recording);
}

static void no_line_is_missing(void **state)
{
    (void)state;
    assert_int_equal(bench.end.view.lost, 0);
    assert_int_equal(bench.end.view.malformed, 0);
    uint64_t rows = fault_bench_rows(&bench);
    assert_int_equal(rows, bench.end.view.rows);
    /* Whatever the board sends in the moment of the end is not waited for. */
    assert_true(rows + 5 >=
                bench.tally.board_lines - (uint64_t)ceil(2.5 / bench.truth.line_interval_s));
    assert_true((double)rows * bench.truth.line_interval_s > bench.end.view.run.duration_s);
}

static void the_axis_was_kept_fed(void **state)
{
    (void)state;
    assert_int_equal(bench.tally.starved, 0);
    assert_int_equal(bench.tally.overruns, 0);
    assert_int_equal(bench.tally.lines_refused, 0);
    assert_int_equal(bench.tally.end_stops, 0);
}

static void every_stroke_has_its_row(void **state)
{
    (void)state;
    struct rig_err err = {0};
    struct scan_report report = {0};
    struct stroke_row *rows = NULL;
    size_t count = 0;
    struct recording *recording = open_recording();
    const struct plan *plan = recording_plan(recording);
    const struct plan_stroke *strokes = plan_strokes(plan);
    assert_int_equal(recording_stroke_rows(recording, &rows, &count, &report, &err), 0);
    assert_int_equal(count, plan_stroke_count(plan));
    assert_true(count >= 12);
    for (size_t i = 0; i < count; i++) {
        assert_int_equal(rows[i].stroke, i);
        assert_near(rows[i].plan_s, strokes[i].start_s, 1e-6, "s");
        assert_true(rows[i].accepted_s >= rows[i].sent_s);
        double took_s = rows[i].ended_s - rows[i].sent_s;
        double planned_s = strokes[i].end_s - strokes[i].start_s;
        assert_true(took_s >= planned_s * (1 - 1e-3));
        assert_true(took_s < planned_s + 1);
        if (i > 0) {
            /* Holds last at least as long as planned, and hardly longer. */
            double hold_s = strokes[i].start_s - strokes[i - 1].end_s;
            double held_s = rows[i].sent_s - rows[i - 1].ended_s;
            assert_true(held_s >= hold_s - 2e-6);
            assert_near(held_s, hold_s, 0.01, "s");
        }
    }
    free(rows);
    recording_free(recording);
}

static void motion_is_reported_while_it_moves(void **state)
{
    (void)state;
    struct rig_err err = {0};
    struct scan_report report = {0};
    struct motion_row *rows = NULL;
    size_t count = 0, reported = 0;
    struct recording *recording = open_recording();
    assert_int_equal(recording_motion_rows(recording, &rows, &count, &report, &err), 0);
    for (size_t i = 0; i < count; i++) {
        assert_true(isfinite(rows[i].depth_mm));
        if (!isfinite(rows[i].reported_mm))
            continue;
        reported++;
        assert_true(rows[i].bracket_s >= 0 && rows[i].bracket_s < 0.2);
        /* Depth, not stage; late by the start delay, at the speed of the moment, which is
         * 60 mm/s at most. */
        assert_near(rows[i].reported_mm, rows[i].depth_mm, 60 * 0.15, "mm");
    }
    assert_true(reported > 100);
    free(rows);
    recording_free(recording);
}

static void marks_come_in_their_places(void **state)
{
    (void)state;
    char text[128];
    assert_int_equal(fault_bench_events(&bench, "mark", text, sizeof text), 2);
    assert_string_equal(text, "first ramp");
    assert_int_equal(fault_bench_events(&bench, "complete", NULL, 0), 1);
}

/* ---- benches of another kind ---- */

static struct fault_bench other;

/* A controller whose clock is slow and that starts late: strokes take longer than
 * planned, later ones slide, and no hold is shortened. */
static void a_slow_axis_shortens_no_hold(void **state)
{
    (void)state;
    struct rig_err err = {0};
    struct scan_report report = {0};
    struct stroke_row *rows = NULL;
    size_t count = 0;
    fault_bench_defaults(&other);
    other.truth.axis_skew_ppm = -20000;
    other.truth.start_delay_s = 0.3;
    fault_bench_run(&other);
    assert_int_equal(other.end.state, RUN_COMPLETE);
    struct recording *recording = recording_open(other.folder, &err);
    assert_non_null(recording);
    const struct plan_stroke *strokes = plan_strokes(recording_plan(recording));
    assert_int_equal(recording_stroke_rows(recording, &rows, &count, &report, &err), 0);
    assert_int_equal(count, plan_stroke_count(recording_plan(recording)));
    double late_s = 0;
    for (size_t i = 1; i < count; i++) {
        double hold_s = strokes[i].start_s - strokes[i - 1].end_s;
        double held_s = rows[i].sent_s - rows[i - 1].ended_s;
        assert_true(held_s >= hold_s - 2e-6);
        assert_near(held_s, hold_s, 0.01, "s");
        late_s = rows[i].sent_s - rows[0].sent_s - (strokes[i].start_s - strokes[0].start_s);
    }
    assert_true(late_s > 0.3 * (double)(count - 1)); /* it did slide */
    free(rows);
    recording_free(recording);
    fault_bench_free(&other);
}

/* A fast clock: the stage comes to rest early, and the next stroke still waits for its
 * own planned time. */
static void a_fast_axis_brings_nothing_forward(void **state)
{
    (void)state;
    struct rig_err err = {0};
    struct scan_report report = {0};
    struct stroke_row *rows = NULL;
    size_t count = 0;
    fault_bench_defaults(&other);
    other.truth.axis_skew_ppm = 20000;
    other.truth.start_delay_s = 0;
    fault_bench_run(&other);
    assert_int_equal(other.end.state, RUN_COMPLETE);
    struct recording *recording = recording_open(other.folder, &err);
    assert_non_null(recording);
    const struct plan_stroke *strokes = plan_strokes(recording_plan(recording));
    assert_int_equal(recording_stroke_rows(recording, &rows, &count, &report, &err), 0);
    for (size_t i = 1; i < count; i++)
        assert_true(rows[i].sent_s - rows[i - 1].sent_s >=
                    strokes[i].start_s - strokes[i - 1].start_s - 2e-6);
    free(rows);
    recording_free(recording);
    fault_bench_free(&other);
}

static void a_board_that_waits_for_a_greeting(void **state)
{
    (void)state;
    static char rig[1024];
    fault_bench_defaults(&other);
    const char *at = strstr(other.rig_text, "  line csv\n");
    assert_non_null(at);
    snprintf(rig, sizeof rig, "%.*s  greet \"stream on\"\n%s", (int)(at - other.rig_text),
             other.rig_text, at);
    other.rig_text = rig;
    fault_bench_run(&other);
    assert_int_equal(other.end.state, RUN_COMPLETE);
    assert_true(other.end.view.rows > 3000);
    fault_bench_free(&other);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(it_is_complete),
        cmocka_unit_test(no_line_is_missing),
        cmocka_unit_test(the_axis_was_kept_fed),
        cmocka_unit_test(every_stroke_has_its_row),
        cmocka_unit_test(motion_is_reported_while_it_moves),
        cmocka_unit_test(marks_come_in_their_places),
        cmocka_unit_test(a_slow_axis_shortens_no_hold),
        cmocka_unit_test(a_fast_axis_brings_nothing_forward),
        cmocka_unit_test(a_board_that_waits_for_a_greeting),
    };
    return cmocka_run_group_tests(tests, run_once, clean);
}
