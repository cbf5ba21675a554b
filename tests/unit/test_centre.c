/* SPDX-License-Identifier: GPL-3.0-or-later
 * The mean characteristic: half way between rising and falling, at the turn of stairs
 * and drawn to rest from ramps, against characteristics that are known. */
#include "check.h"

#include "results/fit_centre.h"

#include <math.h>
#include <stdlib.h>

static double truth(double depth)
{
    return 0.35 + 0.021 * depth - 9.5e-6 * depth * depth;
}

static void test_turns_of_stairs_are_half_a_loop_off(void **state)
{
    (void)state;
    static const double depths[] = {10, 50, 90, 130, 90.00004, 50, 10}; /* up, one turn, down */
    const double half = 0.004;
    struct centre_sample samples[14];
    struct rig_err err;
    for (size_t i = 0; i < 14; i++) {
        int direction = i % 7 < 4 ? 1 : -1;
        samples[i] = (struct centre_sample){.depth_mm = depths[i % 7],
                                            .reading = truth(depths[i % 7]) - direction * half,
                                            .direction = direction,
                                            .cycle = i / 7};
    }
    struct centres centres;
    assert_int_equal(centres_at_rest(&centres, samples, 14, NULL, NULL, &err), 0);
    assert_int_equal(centres.n, 8);
    assert_int_equal(centres.cycles, 2);
    assert_false(centres.one_sided);
    for (size_t i = 0; i < centres.n; i++) {
        assert_near(centres.reading[i], truth(centres.depth_mm[i]), 1e-6, "V");
        assert_true(i == 0 || centres.depth_mm[i] >= centres.depth_mm[i - 1]);
    }
    centres_free(&centres);
    assert_int_equal(centres_at_rest(&centres, samples, 4, NULL, NULL, &err), 0);
    assert_true(centres.one_sided);
    assert_near(centres.reading[3], truth(130) - half, 1e-12, "V");
    centres_free(&centres);
    assert_int_equal(centres_at_rest(&centres, samples, 0, NULL, NULL, &err), 0);
    assert_int_equal(centres.n, 0);
    centres_free(&centres);
}

/* Readings late by their own lag on each way, over a play of 0.4 mm. */
static size_t ramps(struct centre_sample samples[], const double speeds[], size_t count)
{
    size_t n = 0;
    for (size_t s = 0; s < count; s++)
        for (double depth = 20; depth <= 120; depth += 20)
            for (int direction = 1; direction >= -1; direction -= 2) {
                double lag = direction > 0 ? 0.08 : 0.31;
                samples[n++] = (struct centre_sample){
                    .depth_mm = depth,
                    .reading = truth(depth - direction * (0.2 + lag * speeds[s])),
                    .direction = direction,
                    .speed_mm_s = speeds[s]};
            }
    return n;
}

static void test_ramps_are_drawn_to_rest(void **state)
{
    (void)state;
    static const double speeds[] = {5, 10, 20};
    struct centre_sample samples[64];
    struct centres centres;
    struct rig_err err;
    assert_int_equal(centres_at_speed(&centres, samples, ramps(samples, speeds, 3), 0.02, &err), 0);
    assert_int_equal(centres.n, 6);
    assert_near(centres.common_depth_u_mm, 0, 0, "mm");
    for (size_t i = 0; i < centres.n; i++) /* a lag of 20 mm/s bends by the curve a little */
        assert_near(centres.reading[i], truth(centres.depth_mm[i]), 1e-4, "V");
    centres_free(&centres);
}

static void test_one_speed_says_how_far_off_it_may_be(void **state)
{
    (void)state;
    static const double speed[] = {10};
    struct centre_sample samples[64];
    struct centres centres;
    struct rig_err err;
    assert_int_equal(centres_at_speed(&centres, samples, ramps(samples, speed, 1), 0.02, &err), 0);
    assert_int_equal(centres.n, 6);
    /* W/2 = (0.4 + 10 x 0.39)/2 mm, as a rectangle; the true offset 10 x 0.23/2 lies within. */
    assert_near(centres.common_depth_u_mm, 2.15 / sqrt(3), 0.07, "mm");
    for (size_t i = 0; i < centres.n; i++)
        assert_true(fabs(centres.reading[i] - truth(centres.depth_mm[i])) <
                    centres.common_depth_u_mm * sqrt(3) * 0.021);
    centres_free(&centres);
}

static double steeper(const void *curve, double depth_mm)
{
    return *(const double *)curve * (1 + depth_mm / 100);
}

/* A loop of one width in depth on a curve that bends: at the turns it is wider in reading. */
static void a_bent_curve_scales_the_loop(void **state)
{
    (void)state;
    struct rig_err err = {0};
    struct centres centres;
    struct centre_sample samples[7];
    const double base = 0.02, half_mm = 0.3;
    for (int i = 0; i < 7; i++) {
        int level = i < 4 ? i : 6 - i, direction = i == 0 || i > 3 ? -1 : 1;
        double depth = 40 * level;
        samples[i] = (struct centre_sample){.depth_mm = depth,
                                            .direction = direction,
                                            .reading = base * (depth + depth * depth / 200) -
                                                       direction * half_mm * steeper(&base, depth)};
    }
    assert_int_equal(centres_at_rest(&centres, samples, 6, steeper, &base, &err), 0);
    assert_int_equal(centres.n, 4);
    for (size_t i = 0; i < 4; i++) {
        double depth = centres.depth_mm[i];
        assert_near(centres.reading[i], base * (depth + depth * depth / 200), 1e-12, "");
    }
    centres_free(&centres);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_turns_of_stairs_are_half_a_loop_off),
        cmocka_unit_test(test_ramps_are_drawn_to_rest),
        cmocka_unit_test(test_one_speed_says_how_far_off_it_may_be),
        cmocka_unit_test(a_bent_curve_scales_the_loop),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
