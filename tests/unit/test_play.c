/* SPDX-License-Identifier: GPL-3.0-or-later
 * Play taken out of a move: what is left is what the play itself makes of the move,
 * sample by sample. */
#include "check.h"
#include "results/play.h"

#include <math.h>

/* A move from 30 to 120 mm: speeding up, steady, slowing down; after a rest. */
static size_t move(struct motion_piece pieces[4], int direction)
{
    double acceleration = 900, top = 60, distance = 90, ramp_s = top / acceleration;
    double cruise_s = (distance - top * ramp_s) / top, at = direction > 0 ? 30 : 120;
    const double starts[] = {-1, 0, ramp_s, ramp_s + cruise_s, 2 * ramp_s + cruise_s};
    const double v[] = {0, 0, top, top}, a[] = {0, acceleration, 0, -acceleration};
    for (int i = 0; i < 4; i++) {
        pieces[i] = (struct motion_piece){.start_s = starts[i],
                                          .end_s = starts[i + 1],
                                          .d0_mm = at,
                                          .v0_mm_s = direction * v[i],
                                          .a0_mm_s2 = direction * a[i]};
        double u = starts[i + 1] - starts[i];
        at += direction * (v[i] * u + a[i] * u * u / 2);
    }
    return 4;
}

static double depth_of(const struct motion_piece pieces[], size_t count, double settled, double t)
{
    double depth = settled;
    for (size_t i = 0; i < count && t >= pieces[i].start_s; i++) {
        double u = fmin(t, pieces[i].end_s) - pieces[i].start_s;
        depth = pieces[i].d0_mm + pieces[i].v0_mm_s * u + pieces[i].a0_mm_s2 * u * u / 2 +
                pieces[i].j_mm_s3 * u * u * u / 6;
    }
    return depth;
}

static void same_as_followed(int direction, int before, double width)
{
    struct motion_piece whole[4], left[4];
    size_t count = move(whole, direction);
    move(left, direction);
    double settled = whole[0].d0_mm, start = settled;
    size_t rest = play_take_up(left, count, &settled, direction, before, width);
    assert_true(rest > 0);
    double played = start - before * width / 2;
    assert_near(settled, played, 1e-12, "mm");
    for (double t = -0.5; t < 2; t += 1e-4) {
        played = play_follow_mm(played, depth_of(whole, count, start, t), width);
        assert_near(depth_of(left, rest, settled, t), played, 1e-9, "mm");
    }
}

static void a_turn_takes_the_play_up(void **state)
{
    (void)state;
    for (int direction = -1; direction <= 1; direction += 2)
        for (double width = 0.1; width < 80; width *= 3) {
            same_as_followed(direction, -direction, width);
            same_as_followed(direction, direction, width);
        }
}

static void no_play_changes_nothing(void **state)
{
    (void)state;
    struct motion_piece pieces[4], before[4];
    size_t count = move(pieces, 1);
    move(before, 1);
    double settled = 30;
    assert_int_equal(play_take_up(pieces, count, &settled, 1, -1, 0), count);
    assert_true(settled == 30);
    for (double t = -1; t < 2; t += 0.01)
        assert_near(depth_of(pieces, 4, 30, t), depth_of(before, 4, 30, t), 0, "mm");
}

static void a_move_within_the_play_is_none(void **state)
{
    (void)state;
    struct motion_piece pieces[4];
    size_t count = move(pieces, -1);
    double settled = 120;
    assert_int_equal(play_take_up(pieces, count, &settled, -1, 1, 90.5), 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_turn_takes_the_play_up),
        cmocka_unit_test(no_play_changes_nothing),
        cmocka_unit_test(a_move_within_the_play_is_none),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
