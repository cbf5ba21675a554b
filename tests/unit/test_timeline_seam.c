/* SPDX-License-Identifier: GPL-3.0-or-later
 * Runs that were interrupted: which run of a stroke counts, and that nothing is known of
 * the time in between. All tables are made here, by hand. */
#include "check.h"
#include "plans.h"
#include "results/timeline.h"

#include <math.h>

static const char PROFILE[] = "start at 10 mm\n"
                              "repeat 3\n"
                              "ramp to 50 mm at 20 mm/s\n"
                              "hold 2 s\n"
                              "ramp to 10 mm at 20 mm/s\n"
                              "hold 2 s\n"
                              "end\n";

static struct units *units;
static struct rig rig;
static struct plan *plan;

/* Sent, and ended as late as the plan has it and 20 ms more; ended NaN: cut. */
static struct stroke_row row_of(size_t stroke, double sent_s, bool whole)
{
    const struct plan_stroke *planned = &plan_strokes(plan)[stroke];
    return (struct stroke_row){.stroke = (uint32_t)stroke,
                               .plan_s = planned->start_s,
                               .sent_s = sent_s,
                               .accepted_s = sent_s + 0.004,
                               .ended_s = whole ? sent_s + planned->end_s - planned->start_s + 0.02
                                                : (double)NAN};
}

static struct timeline timeline_of(const struct stroke_row rows[], size_t count)
{
    struct timeline timeline;
    struct rig_err err = {0};
    assert_int_equal(timeline_make(&timeline, plan, NULL, 0, rows, count, &rig.axis, &err), 0);
    return timeline;
}

static double plan_time(const struct timeline *timeline, double host_s)
{
    size_t hint = 0;
    return timeline_plan_s(timeline, host_s, NULL, &hint);
}

static const struct plan_stroke *stroke(size_t index)
{
    return &plan_strokes(plan)[index];
}

static void a_stroke_cut_and_repeated(void **state)
{
    (void)state;
    const struct stroke_row rows[] = {row_of(0, 1, true), row_of(1, 5, true), row_of(2, 10, false),
                                      row_of(2, 40, true), row_of(3, 45, true)};
    struct timeline timeline = timeline_of(rows, 5);
    assert_int_equal(timeline.last_known, 3);
    assert_near(timeline.strokes[2].host_start_s, 40, 0.02, "s");
    /* The hold before the cut run is one, up to there. */
    assert_near(plan_time(&timeline, rows[1].ended_s + 1), stroke(1)->end_s + 1, 0.03, "s");
    assert_true(isfinite(plan_time(&timeline, 9.99)));
    for (double host_s = 10.01; host_s < 39.9; host_s += 0.37)
        assert_true(isnan(plan_time(&timeline, host_s)));
    assert_near(plan_time(&timeline, 41), stroke(2)->start_s + 1, 0.03, "s");
    assert_near(plan_time(&timeline, 46), stroke(3)->start_s + 1, 0.03, "s");
    timeline_free(&timeline);
}

static void a_hold_that_was_cut(void **state)
{
    (void)state;
    /* Stroke 1 ended whole, its hold did not; both are repeated, and stroke 2 follows. */
    const struct stroke_row rows[] = {row_of(0, 1, true), row_of(1, 5, true), row_of(2, 7.8, false),
                                      row_of(1, 30, true), row_of(2, 36, true)};
    struct timeline timeline = timeline_of(rows, 5);
    assert_near(timeline.strokes[1].host_start_s, 30, 0.02, "s");
    assert_true(isnan(plan_time(&timeline, 6)));  /* the run that does not count */
    assert_true(isnan(plan_time(&timeline, 20))); /* parked */
    assert_near(plan_time(&timeline, 31), stroke(1)->start_s + 1, 0.03, "s");
    assert_near(plan_time(&timeline, 37), stroke(2)->start_s + 1, 0.03, "s");
    const struct plan_segment *segments = plan_segments(plan);
    size_t hold = stroke(1)->first_segment + stroke(1)->segment_count;
    double start_s, end_s;
    while (segments[hold].kind != SEGMENT_HOLD)
        hold++;
    assert_true(timeline_window(&timeline, &segments[hold], &start_s, &end_s));
    assert_true(start_s > 32 && end_s <= 36.02);
    timeline_free(&timeline);
}

static void a_run_that_ended_in_a_hold(void **state)
{
    (void)state;
    const struct stroke_row rows[] = {row_of(0, 1, true), row_of(1, 5, true), row_of(2, 8, false)};
    struct timeline timeline = timeline_of(rows, 3);
    const struct plan_segment *segments = plan_segments(plan);
    size_t hold = stroke(1)->first_segment + stroke(1)->segment_count;
    double start_s, end_s;
    assert_true(isfinite(plan_time(&timeline, 7.9)));
    assert_true(isnan(plan_time(&timeline, 8.1))); /* on the way to the park position */
    while (segments[hold].kind != SEGMENT_HOLD)
        hold++;
    assert_true(timeline_window(&timeline, &segments[hold], &start_s, &end_s));
    assert_near(end_s, 8, 1e-9, "s");
    timeline_free(&timeline);
}

/* No row of the stroke under way: the reports of the stage's place tell that it had begun. */
static void a_run_that_was_killed_in_a_stroke(void **state)
{
    (void)state;
    const struct stroke_row rows[] = {row_of(0, 1, true), row_of(1, 5, true)};
    const double end_s = rows[1].ended_s;
    const struct motion_row motion[] = {
        {.t_s = end_s - 1, .stroke = 1},   {.t_s = end_s + 0.5, .stroke = 1},
        {.t_s = end_s + 1.9, .stroke = 1}, {.t_s = end_s + 2, .stroke = 2},
        {.t_s = end_s + 2.1, .stroke = 2},
    };
    struct timeline timeline;
    struct rig_err err = {0};
    assert_int_equal(timeline_make(&timeline, plan, motion, 5, rows, 2, &rig.axis, &err), 0);
    assert_true(isfinite(plan_time(&timeline, end_s + 1.89)));
    assert_true(isnan(plan_time(&timeline, end_s + 1.95)));
    assert_true(isnan(plan_time(&timeline, end_s + 2.05)));
    timeline_free(&timeline);
    /* Killed in the hold itself: it goes on to its end. */
    assert_int_equal(timeline_make(&timeline, plan, motion, 3, rows, 2, &rig.axis, &err), 0);
    assert_true(isfinite(plan_time(&timeline, end_s + 1.95)));
    timeline_free(&timeline);
}

/* Ended for good in the middle of a repeated pass: the first runs, which follow one
 * another, count; strokes never stand in another order than time. */
static void a_repetition_that_was_cut_too(void **state)
{
    (void)state;
    const struct stroke_row rows[] = {row_of(0, 1, true),  row_of(1, 5, true),
                                      row_of(2, 10, true), row_of(3, 15, false),
                                      row_of(1, 50, true), row_of(2, 55, false)};
    struct timeline timeline = timeline_of(rows, 6);
    assert_int_equal(timeline.last_known, 2);
    assert_near(timeline.strokes[1].host_start_s, 5, 0.02, "s");
    assert_near(timeline.strokes[2].host_start_s, 10, 0.02, "s");
    assert_near(plan_time(&timeline, 11), stroke(2)->start_s + 1, 0.03, "s");
    assert_true(isnan(plan_time(&timeline, 16)));
    assert_true(isnan(plan_time(&timeline, 51)));
    timeline_free(&timeline);
}

static int open_bench(void **state)
{
    (void)state;
    struct rig_err err = {0};
    units = units_open(&err);
    assert_non_null(units);
    test_rig(&rig, units, "", "");
    plan = plan_make(&rig, "seam.profile", PROFILE, sizeof PROFILE - 1, units, NULL, &err);
    if (!plan)
        fail_msg("%s", err.text);
    return 0;
}

static int close_bench(void **state)
{
    (void)state;
    plan_free(plan);
    units_close(units);
    return 0;
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_stroke_cut_and_repeated),
        cmocka_unit_test(a_hold_that_was_cut),
        cmocka_unit_test(a_run_that_ended_in_a_hold),
        cmocka_unit_test(a_run_that_was_killed_in_a_stroke),
        cmocka_unit_test(a_repetition_that_was_cut_too),
    };
    return cmocka_run_group_tests(tests, open_bench, close_bench);
}
