/* SPDX-License-Identifier: GPL-3.0-or-later
 * One line of motion: ends met, limits kept, phases joined without a jump. */
#include "check.h"

#include "motion/kinematics.h"

#include <math.h>

static const struct motion_law trapezoid = {SPEED_TRAPEZOID, 900, NAN};
static const struct motion_law smooth = {SPEED_JERK_LIMITED, 900, 9000};

/* A small generator of its own, so that a failure can be repeated anywhere. */
static double pick(uint64_t *state, double low, double high)
{
    *state = *state * 6364136223846793005u + 1442695040888963407u;
    return low + (high - low) * (double)(*state >> 11) / 9007199254740992.0;
}

static void change_has_closed_form(void **state)
{
    (void)state;
    assert_near(motion_change_s(&trapezoid, 10, 55), 0.05, 1e-15, "s");
    assert_near(motion_change_mm(&trapezoid, 10, 55), 1.625, 1e-14, "mm");
    assert_near(motion_change_mm_s2(&trapezoid, 10, 10), 0, 0, "mm/s2");
    /* a^2/j = 90 mm/s: below it the acceleration isn't reached. */
    assert_near(motion_change_s(&smooth, 5, 45), 2 * sqrt(40. / 9000), 1e-15, "s");
    assert_near(motion_change_mm_s2(&smooth, 5, 45), 600, 1e-10, "mm/s2");
    assert_near(motion_change_s(&smooth, 0, 180), 180. / 900 + 0.1, 1e-15, "s");
    assert_near(motion_change_mm_s2(&smooth, 180, 0), 900, 0, "mm/s2");
}

static void reach_is_the_inverse_of_way(void **state)
{
    (void)state;
    const struct motion_law *laws[] = {&trapezoid, &smooth};
    uint64_t seed = 7;
    for (int i = 0; i < 4000; i++) {
        const struct motion_law *law = laws[i % 2];
        double slow = i % 5 ? pow(10, pick(&seed, -4, 2.5)) : 0;
        double distance = pow(10, pick(&seed, -4, 3));
        double fast = motion_reach_mm_s(law, slow, distance);
        assert_true(fast > slow);
        /* The way hangs on the root of a small change: a speed of 300 mm/s rounds to
         * 5e-14 mm/s, worth 1e-8 mm here. */
        assert_near(motion_change_mm(law, slow, fast), distance, 1e-8 + 1e-9 * distance, "mm");
    }
    assert_near(motion_reach_mm_s(&smooth, 12, 0), 12, 0, "mm/s");
}

static void check_line(const struct motion_law *law, double distance, double in, double out,
                       double feed)
{
    struct motion_line line;
    motion_line_make(&line, law, distance, in, out, feed);
    assert_in_range(line.count, 1, MOTION_PHASE_LIMIT);
    assert_true(line.peak_mm_s <= feed * (1 + 1e-12));
    assert_true(line.peak_mm_s2 <= law->acceleration_mm_s2 * (1 + 1e-12));
    assert_near(motion_line_mm(&line, 0), 0, 0, "mm");
    assert_near(motion_line_mm(&line, line.duration_s), distance, 0, "mm");
    assert_near(motion_line_mm_s(&line, 0), in, 1e-9 * feed, "mm/s");
    /* A time of days has its own last digit. */
    double digit_s = 1e-15 * line.duration_s;
    assert_near(motion_line_mm_s(&line, line.duration_s), out,
                1e-9 * feed + law->acceleration_mm_s2 * digit_s, "mm/s");
    double t = 0;
    for (int i = 0; i < line.count; i++) {
        const struct motion_phase *p = &line.phase[i];
        assert_true(p->duration_s > 0);
        assert_near(p->start_s, t, 1e-12 * (1 + t), "s");
        t += p->duration_s;
        double u = p->duration_s;
        double s = p->s0_mm + u * (p->v0_mm_s + u * (p->a0_mm_s2 / 2 + u * p->j_mm_s3 / 6));
        double v = p->v0_mm_s + u * (p->a0_mm_s2 + u * p->j_mm_s3 / 2);
        double a = p->a0_mm_s2 + u * p->j_mm_s3;
        int last = i + 1 == line.count;
        /* A peak just above a speed of 200 mm/s is the root of a tiny change: its
         * rounding is worth up to a nanometre. */
        assert_near(s, last ? distance : line.phase[i + 1].s0_mm, 1e-6, "mm");
        assert_near(v, last ? out : line.phase[i + 1].v0_mm_s, 1e-8 * feed, "mm/s");
        assert_true(fabs(a) <= law->acceleration_mm_s2 * (1 + 1e-9));
        if (law->law == SPEED_JERK_LIMITED) {
            assert_near(a, last ? 0 : line.phase[i + 1].a0_mm_s2, 1e-9 * law->acceleration_mm_s2,
                        "mm/s2");
            assert_true(fabs(p->j_mm_s3) <= law->jerk_mm_s3 * (1 + 1e-12));
        }
    }
    assert_near(line.duration_s, t, 1e-12 * (1 + t), "s");
}

static void random_lines_keep_every_limit(void **state)
{
    (void)state;
    const struct motion_law *laws[] = {&trapezoid, &smooth};
    uint64_t seed = 20;
    for (int i = 0; i < 20000; i++) {
        const struct motion_law *law = laws[i % 2];
        double feed = pow(10, pick(&seed, -3, 2.3)), distance = pow(10, pick(&seed, -4, 2.5));
        double in = i % 3 ? pick(&seed, 0, feed) : 0;
        double out = i % 4 ? pick(&seed, 0, feed) : 0;
        if (i % 7 == 0)
            in = out = feed;
        double fast = motion_reach_mm_s(law, fmin(in, out), distance);
        in = fmin(in, fast);
        out = fmin(out, fast);
        check_line(law, distance, in, out, feed);
    }
}

static void quicker_than_any_slower_peak(void **state)
{
    (void)state;
    /* The peak is as high as it may be: what is left of the distance is no more than
     * rounding, or the feed was reached. */
    struct motion_line line;
    motion_line_make(&line, &smooth, 1, 0, 0, 1000);
    assert_near(line.duration_s, 4 * cbrt(1 / (2 * 9000.)), 1e-12, "s");
    motion_line_make(&line, &trapezoid, 1, 0, 0, 1000);
    assert_near(line.duration_s, 2 * sqrt(1 / 900.), 1e-14, "s");
}

static void outside_its_time_it_rests_at_the_ends(void **state)
{
    (void)state;
    struct motion_line line;
    motion_line_make(&line, &trapezoid, 10, 0, 0, 20);
    assert_near(motion_line_mm(&line, -1), 0, 0, "mm");
    assert_near(motion_line_mm(&line, 99), 10, 0, "mm");
    assert_true(isnan(motion_line_mm(&line, NAN)));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(change_has_closed_form),
        cmocka_unit_test(reach_is_the_inverse_of_way),
        cmocka_unit_test(random_lines_keep_every_limit),
        cmocka_unit_test(quicker_than_any_slower_peak),
        cmocka_unit_test(outside_its_time_it_rests_at_the_ends),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
