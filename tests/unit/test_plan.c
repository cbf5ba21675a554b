/* SPDX-License-Identifier: GPL-3.0-or-later
 * The planner: ramps, steps, holds, stairs, loops, strokes, limits. Sines and traces
 * are in test_plan_curves.c, random profiles in test_plan_random.c. */
#include "check.h"
#include "plans.h"
#include "units.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static struct rig rig;

static struct plan *planned(const char *text)
{
    struct plan *plan = test_plan(&rig, units, text, NULL);
    check_plan(&rig, plan);
    return plan;
}

static size_t of_kind(const struct plan *plan, enum segment_kind kind)
{
    size_t count = 0;
    for (size_t i = 0; i < plan_segment_count(plan); i++)
        count += plan_segments(plan)[i].kind == kind;
    return count;
}

static void a_ramp_is_a_trapezoid(void **state)
{
    (void)state;
    test_rig(&rig, units, "", "");
    struct plan *plan = planned("start at 10 mm\nhold 2 s\nramp to 150 mm at 20 mm/s\nhold 4 s\n");
    const struct plan_segment *s = plan_segments(plan);
    static const enum segment_kind kinds[] = {SEGMENT_APPROACH, SEGMENT_HOLD, SEGMENT_RAMP,
                                              SEGMENT_HOLD, SEGMENT_PARK};
    assert_int_equal(plan_segment_count(plan), 5);
    for (size_t i = 0; i < 5; i++)
        assert_int_equal(s[i].kind, kinds[i]);
    /* T = s/v + v/a (trapezoid from rest to rest). */
    assert_near(s[0].duration_s, 30. / 60 + 60. / 900, 1e-9, "s");
    assert_near(s[2].duration_s, 140. / 20 + 20. / 900, 1e-9, "s");
    double half = s[2].start_s + s[2].duration_s / 2;
    assert_near(plan_depth_mm(plan, half), 80, 1e-9, "mm");
    assert_near(plan_speed_mm_s(plan, half), 20, 1e-9, "mm/s");
    assert_near(plan_depth_mm(plan, s[2].start_s + 0.01), 10 + 900 * 0.01 * 0.01 / 2, 1e-9, "mm");
    assert_int_equal(s[2].direction, 1);
    assert_int_equal(s[3].direction, 1);
    assert_int_equal(s[4].direction, -1);
    assert_int_equal(plan_stroke_count(plan), 3);
    assert_int_equal(s[1].stroke, 0);
    assert_int_equal(s[3].stroke, 1);
    assert_int_equal(s[2].source_line, 3);
    assert_int_equal(s[4].source_line, 0);
    assert_int_equal(plan_line_count(plan), 3);
    plan_free(plan);
}

static void jerk_limited_ramp(void **state)
{
    (void)state;
    test_rig(&rig, units, "speed law jerk limited to 9000 mm/s3", "");
    struct plan *plan = planned("start at 10 mm\nhold 2 s\nramp to 150 mm at 20 mm/s\nhold 1 s\n");
    /* v < a^2/j: T = s/v + 2 sqrt(v/j). */
    assert_near(plan_segments(plan)[2].duration_s, 140. / 20 + 2 * sqrt(20. / 9000), 1e-9, "s");
    plan_free(plan);
}

static void speeds_asked_are_of_depth(void **state)
{
    (void)state;
    test_rig(&rig, units, "", "tank area 900 cm2\nboard section 90 cm2");
    struct plan *plan = planned("start at 0 mm\nhold 1 s\nramp to 100 mm at 20 mm/s\nhold 1 s\n"
                                "ramp to -10 mm at 20 mm/s\nhold 1 s\n");
    const struct plan_segment *s = plan_segments(plan);
    double half = s[2].start_s + s[2].duration_s / 2;
    assert_near(plan_speed_mm_s(plan, half), 20, 2e-5, "mm/s");
    assert_near(plan_stage_mm(plan, s[3].start_s), 31.4 + 100 * (1 - 0.1), 1e-9, "mm");
    /* In the air at the end the stage goes on as before, and depth with it. */
    double late = s[4].start_s + s[4].duration_s - 0.1;
    assert_true(plan_depth_mm(plan, late) < 0);
    assert_near(plan_speed_mm_s(plan, late), -18, 2e-5, "mm/s");
    plan_free(plan);
}

static void moves_in_one_direction_are_joined(void **state)
{
    (void)state;
    test_rig(&rig, units, "", "");
    struct plan *plan =
        planned("start at 10 mm\nhold 1 s\nramp to 50 mm at 20 mm/s\nramp to 90 mm at 10 mm/s\n"
                "ramp to 20 mm at 40 mm/s\nhold 1 s\n");
    const struct plan_segment *s = plan_segments(plan);
    assert_int_equal(s[2].kind, SEGMENT_LEAD);
    assert_near(s[2].duration_s, 0.25, 0, "s");
    assert_int_equal(s[3].kind, SEGMENT_RAMP);
    /* 20 to 10 mm/s at the joint without a stop: the change comes out of the first. */
    assert_near(plan_speed_mm_s(plan, s[4].start_s), 10, 1e-9, "mm/s");
    double change_mm = (20. * 20 - 10. * 10) / (2 * 900), up_mm = 20. * 20 / (2 * 900);
    assert_near(s[3].duration_s, 20. / 900 + 10. / 900 + (40 - change_mm - up_mm) / 20, 1e-9, "s");
    /* The reversal is a stop. */
    assert_near(plan_speed_mm_s(plan, s[5].start_s), 0, 1e-9, "mm/s");
    assert_int_equal(plan_strokes(plan)[1].segment_count, 4);
    assert_int_equal(plan_strokes(plan)[1].line_count, 4);
    plan_free(plan);
}

static void lines_that_end_otherwise_are_not_the_same(void **state)
{
    (void)state;
    test_rig(&rig, units, "", "");
    /* Twice the same line: once to rest, once on at 10 mm/s. */
    struct plan *plan = planned("start at 10 mm\nhold 1 s\nramp to 50 mm at 20 mm/s\nhold 1 s\n"
                                "step to 10 mm\nhold 1 s\nramp to 50 mm at 20 mm/s\n"
                                "ramp to 90 mm at 10 mm/s\nhold 1 s\n");
    const struct plan_segment *s = plan_segments(plan);
    assert_int_equal(s[2].kind, SEGMENT_RAMP);
    assert_int_equal(s[7].kind, SEGMENT_RAMP);
    assert_near(s[2].duration_s, 2 + 20. / 900, 1e-9, "s");
    assert_true(s[7].duration_s < s[2].duration_s - 1e-3);
    assert_near(plan_speed_mm_s(plan, s[8].start_s), 10, 1e-6, "mm/s");
    plan_free(plan);
}

static void look_ahead_limits_the_joint(void **state)
{
    (void)state;
    /* With one line known ahead the next joint must be a stop. */
    test_rig(&rig, units, "look ahead 1 line", "");
    struct rig_err err;
    struct plan *plan = plan_make(&rig, "p", "start at 1 mm\n", 14, units, NULL, &err);
    assert_non_null(plan);
    plan_free(plan);
    plan =
        planned("start at 10 mm\nhold 1 s\nramp to 50 mm at 20 mm/s\nramp to 90 mm at 10 mm/s\n");
    assert_near(plan_speed_mm_s(plan, plan_segments(plan)[4].start_s), 0, 1e-9, "mm/s");
    plan_free(plan);
    /* Three short lines, the second known while the first runs: v^2 = 2 a s. */
    test_rig(&rig, units, "look ahead 2 lines", "");
    plan =
        planned("start at 10 mm\nhold 1 s\nramp to 30 mm at 50 mm/s\nramp to 30.5 mm at 50 mm/s\n"
                "ramp to 50 mm at 50 mm/s\n");
    const struct plan_segment *s = plan_segments(plan);
    assert_near(plan_speed_mm_s(plan, s[4].start_s), sqrt(2 * 900 * 0.5), 1e-5, "mm/s");
    plan_free(plan);
    test_rig(&rig, units, "", "");
    plan =
        planned("start at 10 mm\nhold 1 s\nramp to 30 mm at 50 mm/s\nramp to 30.5 mm at 50 mm/s\n"
                "ramp to 50 mm at 50 mm/s\n");
    assert_near(plan_speed_mm_s(plan, plan_segments(plan)[4].start_s), 50, 1e-5, "mm/s");
    plan_free(plan);
}

static void stairs_up_and_down(void **state)
{
    (void)state;
    test_rig(&rig, units, "", "");
    struct plan *plan = planned("start at 10 mm\nstairs from 10 mm to 150 mm in 7 steps, hold 4 s, "
                                "up and down\n");
    assert_int_equal(of_kind(plan, SEGMENT_STAIR_HOLD), 15);
    assert_int_equal(of_kind(plan, SEGMENT_STAIR_MOVE), 14);
    const struct plan_segment *s = plan_segments(plan);
    int rising = 0, falling = 0;
    for (size_t i = 0; i < plan_segment_count(plan); i++)
        if (s[i].kind == SEGMENT_STAIR_HOLD) {
            rising += s[i].direction == 1;
            falling += s[i].direction == -1;
            double level = ((double)s[i].from_mm - 10) / 20;
            assert_near(level, rint(level), 1e-6, "stairs");
            assert_near(s[i].duration_s, 4, 0, "s");
        }
    assert_int_equal(rising, 8); /* the first came from the park depth */
    assert_int_equal(falling, 7);
    plan_free(plan);
    plan = planned("stairs from 150 mm to 10 mm in 2 steps, at 5 mm/s, hold 1 s\n");
    assert_int_equal(of_kind(plan, SEGMENT_APPROACH), 1);
    assert_int_equal(of_kind(plan, SEGMENT_STAIR_HOLD), 3);
    assert_near(plan_families(plan)[0].speed_mm_s, 5, 0, "mm/s");
    plan_free(plan);
}

static void loops_unfold_in_order(void **state)
{
    (void)state;
    test_rig(&rig, units, "", "");
    struct plan *plan = planned("start at 10 mm\neach speed 5, 10, 20, 40 mm/s\nrepeat 5\n"
                                "ramp to 150 mm at speed\nhold 4 s\nramp to 10 mm at speed\n"
                                "hold 15 s\nend\nend\n");
    assert_int_equal(of_kind(plan, SEGMENT_RAMP), 40);
    const struct plan_segment *s = plan_segments(plan);
    double before = 0;
    for (size_t i = 0; i < plan_segment_count(plan); i++)
        if (s[i].kind == SEGMENT_RAMP) {
            assert_true((double)s[i].speed_mm_s >= before);
            before = (double)s[i].speed_mm_s;
        }
    size_t ramps = 0, holds = 0;
    for (size_t i = 0; i < plan_family_count(plan); i++) {
        const struct plan_family *f = &plan_families(plan)[i];
        if (f->kind == SEGMENT_RAMP) {
            ramps++;
            assert_int_equal(f->instances, 5);
        }
        holds += f->kind == SEGMENT_HOLD;
    }
    assert_int_equal(ramps, 8);
    assert_int_equal(holds, 8); /* told apart by the ramp before */
    plan_free(plan);
}

static void repeat_for_a_time_is_whole(void **state)
{
    (void)state;
    test_rig(&rig, units, "", "");
    /* One turn takes 2 x (50/50 + 50/900) + 8 s = 10.111 s. */
    static const struct {
        const char *time;
        size_t turns;
    } cases[] = {{"1 s", 1}, {"10.1 s", 1}, {"10.2 s", 2}, {"1 min", 6}, {"1 h", 357}};
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        char text[200];
        snprintf(text, sizeof text,
                 "start at 10 mm\nhold 1 s\nrepeat for %s\nramp to 60 mm at 50 mm/s\nhold 4 s\n"
                 "ramp to 10 mm at 50 mm/s\nhold 4 s\nend\n",
                 cases[i].time);
        struct plan *plan = planned(text);
        assert_int_equal(of_kind(plan, SEGMENT_RAMP), 2 * cases[i].turns);
        plan_free(plan);
    }
}

static void marks_stand_where_they_were_written(void **state)
{
    (void)state;
    test_rig(&rig, units, "", "");
    struct plan *plan = planned("start at 10 mm\nmark \"a\"\nhold 1 s\nmark \"b\"\n"
                                "ramp to 50 mm at 20 mm/s\nmark \"c\"\nramp to 10 mm at 20 mm/s\n"
                                "hold 1 s\nmark \"d\"\n");
    const struct plan_mark *m = plan_marks(plan);
    const struct plan_segment *s = plan_segments(plan);
    assert_int_equal(plan_mark_count(plan), 4);
    assert_string_equal(m[2].text, "c");
    assert_near(m[0].at_s, s[1].start_s, 0, "s");
    assert_near(m[1].at_s, s[2].start_s, 0, "s");
    assert_int_equal(s[2].kind, SEGMENT_LEAD);
    assert_near(m[2].at_s, s[4].start_s, 0, "s"); /* the lead came in before it */
    assert_near(m[3].at_s, s[6].start_s, 0, "s");
    plan_free(plan);
}

static void a_move_to_where_it_stands_is_none(void **state)
{
    (void)state;
    test_rig(&rig, units, "", "");
    struct plan *plan = planned("start at 10 mm\nhold 1 s\nramp to 10 mm at 5 mm/s\nstep to 10 mm\n"
                                "hold 1 s\n");
    assert_int_equal(of_kind(plan, SEGMENT_RAMP) + of_kind(plan, SEGMENT_STEP), 0);
    assert_int_equal(plan_stroke_count(plan), 2);
    plan_free(plan);
}

static void a_touch_goes_through_the_surface_from_air(void **state)
{
    (void)state;
    test_rig(&rig, units, "", "");
    struct plan *plan =
        planned("touch within 2 mm at 0.5 mm/s\nramp to 50 mm at 20 mm/s\nhold 1 s\n");
    static const enum segment_kind kinds[] = {SEGMENT_APPROACH, SEGMENT_HOLD, SEGMENT_TOUCH,
                                              SEGMENT_HOLD, SEGMENT_RAMP};
    const struct plan_segment *segments = plan_segments(plan);
    assert_true(plan_segment_count(plan) >= 5);
    for (size_t i = 0; i < 5; i++)
        assert_int_equal(segments[i].kind, kinds[i]);
    assert_near((double)segments[2].from_mm, -2, 1e-6, "mm");
    assert_near((double)segments[2].to_mm, 2, 1e-6, "mm");
    assert_near((double)segments[2].speed_mm_s, 0.5, 1e-6, "mm/s");
    assert_near(segments[2].duration_s, 8, 0.05, "s");
    /* A stroke of its own: tied to the clock by itself. */
    assert_true(segments[2].stroke != segments[0].stroke);
    assert_true(segments[4].stroke != segments[2].stroke);
    plan_free(plan);
}

static void without_a_start_it_begins_parked(void **state)
{
    (void)state;
    test_rig(&rig, units, "", "");
    struct plan *plan = planned("hold 3 s\nstep to 40 mm\n");
    const struct plan_segment *s = plan_segments(plan);
    assert_int_equal(s[0].kind, SEGMENT_HOLD);
    assert_int_equal(s[0].direction, 0);
    assert_int_equal(s[0].stroke, 0);
    assert_near((double)s[0].from_mm, -20, 0, "mm");
    plan_free(plan);
}

static void fingerprints_tell_motion_apart(void **state)
{
    (void)state;
    static const char *const texts[] = {
        "start at 10 mm\nhold 1 s\nramp to 60 mm at 50 mm/s\n",
        "start at 10 mm\nhold 2 s\nramp to 60 mm at 50 mm/s\n",
        "start at 10 mm\nhold 1 s\nramp to 61 mm at 50 mm/s\n",
        "start at 10 mm\nhold 1 s\nramp to 60 mm at 51 mm/s\n",
    };
    uint64_t prints[6];
    test_rig(&rig, units, "", "");
    for (size_t i = 0; i < 4; i++) {
        struct plan *plan = planned(texts[i]);
        prints[i] = plan_fingerprint(plan);
        plan_free(plan);
    }
    struct plan *same = planned("title \"x\"\nstart at 1 cm # the same motion\nhold 1 s\n"
                                "ramp to 60 mm at 50 mm/s\n");
    assert_int_equal(plan_fingerprint(same), prints[0]);
    plan_free(same);
    test_rig(&rig, units, "speed law jerk limited to 9000 mm/s3", "");
    struct plan *smooth = planned(texts[0]);
    prints[4] = plan_fingerprint(smooth);
    plan_free(smooth);
    for (size_t i = 0; i < 5; i++)
        for (size_t k = 0; k < i; k++)
            assert_true(prints[i] != prints[k]);
}

static const struct {
    const char *text, *place, *says;
    int code;
} wrong[] = {
    {"start at 612 mm\n", "test.profile:1:10:", "past the end of travel (188.6 mm", RIG_ELIMIT},
    {"start at -32 mm\n", "test.profile:1:10:", "above the start of travel (-31.4 mm", RIG_ELIMIT},
    {"start at 1 mm\nramp to 300 mm at 5 mm/s\n", "test.profile:2:9:", "past the end", RIG_ELIMIT},
    {"start at 1 mm\neach d 5, 300 mm\nstep to d\nend\n", "test.profile:3:9:", "300 mm is past",
     RIG_ELIMIT},
    {"start at 1 mm\nramp to 30 mm at 61 mm/s\n", "test.profile:2:18:", "60 mm/s", RIG_ELIMIT},
    {"start at 1 mm\nramp to 30 mm at 0.000001 mm/s\n", "test.profile:2:18:", "slower than a feed",
     RIG_ELIMIT},
    {"start at 1 mm\neach v 5, -3 mm/s\nramp to 30 mm at v\nend\n",
     "test.profile:3:18:", "greater than zero", RIG_EINPUT},
    {"start at 1 mm\neach t 5, 0 s\nhold t\nend\n", "test.profile:3:6:", "greater than zero",
     RIG_EINPUT},
    {"stairs from 1 mm to 300 mm in 3 steps, hold 1 s\n", "test.profile:1:21:", "past the end",
     RIG_ELIMIT},
    {"stairs from 1 mm to 2 mm in 1000 steps, hold 1 s\n",
     "test.profile:1:21:", "below one step of the axis", RIG_ELIMIT},
    {"hold 3 s\n", "test.profile:1:1:", "nothing moves", RIG_EINPUT},
    {"start at 1 mm\nhold 40 day\n", "test.profile:2:1:", "longer than 31 days", RIG_ELIMIT},
    {"start at 1 mm\nrepeat for 40 day\nhold 1 s\nend\n",
     "test.profile:2:12:", "longer than 31 days", RIG_ELIMIT},
    {"start at 1 mm\nrepeat for 3 s\nmark \"x\"\nend\n", "test.profile:2:1:", "takes no time",
     RIG_EINPUT},
    {"start at 1 mm\nrepeat for 3 s\nstep to 1 mm\nend\n", "test.profile:2:1:", "takes no time",
     RIG_EINPUT},
    {"start at 1 mm\nrepeat 1000000000\nstep to 1 mm\nend\n",
     "test.profile:2:1:", "repeats more than", RIG_ELIMIT},
    {"start at 1 mm\nrepeat 1000000000\nhold 1 ms\nend\n",
     "test.profile:3:1:", "more than 2500000 segments", RIG_ELIMIT},
    {"start at 1 mm\nrepeat 1000000000\nmark \"x\"\nend\n",
     "test.profile:3:1:", "more than 100000 marks", RIG_ELIMIT},
    {"start at 1 mm\nfollow \"x.csv\"\n", "test.profile:2:8:", "can't be read here", RIG_EINPUT},
};

static void every_limit_has_its_place_and_remedy(void **state)
{
    (void)state;
    test_rig(&rig, units, "", "");
    for (size_t i = 0; i < sizeof wrong / sizeof *wrong; i++) {
        struct rig_err err = {0};
        struct plan *plan = plan_make(&rig, "test.profile", wrong[i].text, strlen(wrong[i].text),
                                      units, NULL, &err);
        if (plan || err.code != (enum rig_code)wrong[i].code || !strstr(err.text, wrong[i].place) ||
            !strstr(err.text, wrong[i].says))
            print_error("case %zu: %s\ngave %d '%s'\n", i, wrong[i].text, err.code, err.text);
        assert_null(plan);
        assert_int_equal(err.code, wrong[i].code);
        assert_contains(err.text, wrong[i].place);
        assert_contains(err.text, wrong[i].says);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_ramp_is_a_trapezoid),
        cmocka_unit_test(jerk_limited_ramp),
        cmocka_unit_test(speeds_asked_are_of_depth),
        cmocka_unit_test(moves_in_one_direction_are_joined),
        cmocka_unit_test(lines_that_end_otherwise_are_not_the_same),
        cmocka_unit_test(look_ahead_limits_the_joint),
        cmocka_unit_test(stairs_up_and_down),
        cmocka_unit_test(loops_unfold_in_order),
        cmocka_unit_test(repeat_for_a_time_is_whole),
        cmocka_unit_test(marks_stand_where_they_were_written),
        cmocka_unit_test(a_move_to_where_it_stands_is_none),
        cmocka_unit_test(a_touch_goes_through_the_surface_from_air),
        cmocka_unit_test(without_a_start_it_begins_parked),
        cmocka_unit_test(fingerprints_tell_motion_apart),
        cmocka_unit_test(every_limit_has_its_place_and_remedy),
    };
    return cmocka_run_group_tests(tests, open_units, close_units);
}
