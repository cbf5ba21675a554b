/* SPDX-License-Identifier: GPL-3.0-or-later
 * The simulated axis: motion against elementary kinematics, the rules of the wire. */
#include "check.h"
#include "sim_bench.h"

#include "rig/sim_move.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static void home(struct test_bench *bench)
{
    test_bench_open(bench, 1);
    test_bench_do(bench, "G21");
    test_bench_do(bench, "G90");
    test_bench_do(bench, "G28");
}

static void move(struct test_bench *bench, double to_mm, double feed_mm_s)
{
    char line[80];
    snprintf(line, sizeof line, "G1 Z%.4f F%.3f", to_mm, feed_mm_s * 60);
    test_bench_do(bench, line);
}

static double stage_at(struct test_bench *bench, double seconds)
{
    return sim_true_stage_mm(bench->sim, bench->now_ns + rig_s_to_ns(seconds));
}

/* Rest to rest at constant acceleration: s = a t^2/2 up to v/a, then v t - v^2/(2 a), and
 * the mirror image. Elementary mechanics. */
static double trapezoid_mm(double t, double path, double v, double a)
{
    v = fmin(v, sqrt(a * path));
    double up = v / a, total = path / v + up;
    if (t <= 0)
        return 0;
    if (t >= total)
        return path;
    if (t < up)
        return a * t * t / 2;
    if (t > total - up)
        return path - a * (total - t) * (total - t) / 2;
    return v * t - v * v / (2 * a);
}

static void test_trapezoid(void **state)
{
    (void)state;
    static const struct {
        double to_mm, feed_mm_s;
    } cases[] = {{150, 20}, {150, 60}, {1, 60}, {0.05, 60}, {7.5, 5}};
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct test_bench bench;
        test_bench_set(&bench);
        home(&bench);
        move(&bench, cases[i].to_mm, cases[i].feed_mm_s);
        for (double t = 0; t < 8; t += 0.0137) {
            double place = stage_at(&bench, t);
            assert_near(place, trapezoid_mm(t, cases[i].to_mm, cases[i].feed_mm_s, 900), 1e-7,
                        "mm");
        }
        test_bench_close(&bench);
    }
}

/* Jerk given as a row of (duration, jerk), integrated piece by piece. */
static double integrate_mm(double t, const double pieces[][2], size_t count)
{
    double s = 0, v = 0, a = 0;
    for (size_t i = 0; i < count; i++) {
        double u = fmin(fmax(t, 0), pieces[i][0]), j = pieces[i][1];
        s += v * u + a * u * u / 2 + j * u * u * u / 6;
        v += a * u + j * u * u / 2;
        a += j * u;
        t -= pieces[i][0];
    }
    return s;
}

static void test_jerk_limited(void **state)
{
    (void)state;
    const double j = 20000, a = 900, v = 60, path = 100;
    /* v > a^2/j = 40.5 mm/s: acceleration reaches its limit. Durations a/j, v/a - a/j. */
    double bend = a / j, flat = v / a - bend, change = v / a + bend;
    double cruise = path / v - change;
    const double pieces[][2] = {{bend, j},  {flat, 0}, {bend, -j}, {cruise, 0},
                                {bend, -j}, {flat, 0}, {bend, j}};
    struct test_bench bench;
    test_bench_set(&bench);
    bench.truth.law = SPEED_JERK_LIMITED;
    home(&bench);
    move(&bench, path, v);
    for (double t = 0; t < 2.5; t += 0.0037) {
        double place = stage_at(&bench, t);
        assert_near(place, integrate_mm(t, pieces, 7), 1e-7, "mm");
    }
    test_bench_close(&bench);

    /* 0.3 mm has no room for any limit: four equal times T with jerk +j, -j, -j, +j cover
     * 2 j T^3. */
    double third = cbrt(0.3 / (2 * j));
    const double small[][2] = {{third, j}, {2 * third, -j}, {third, j}};
    test_bench_set(&bench);
    bench.truth.law = SPEED_JERK_LIMITED;
    home(&bench);
    move(&bench, 0.3, v);
    for (double t = 0; t < 0.1; t += 0.00031) {
        double place = stage_at(&bench, t);
        assert_near(place, integrate_mm(t, small, 3), 1e-7, "mm");
    }
    test_bench_close(&bench);
}

/* Reach is the inverse of path, over both regimes of the jerk-limited law. */
static void test_reach_inverts_path(void **state)
{
    (void)state;
    static const enum speed_law laws[] = {SPEED_TRAPEZOID, SPEED_JERK_LIMITED};
    for (size_t k = 0; k < 2; k++) {
        struct sim_law law = {laws[k], 900, 20000};
        for (double v0 = 0; v0 < 50; v0 += 7.3)
            for (double path = 1e-3; path < 30; path *= 1.9) {
                double v1 = sim_reach_mm_s(&law, v0, path);
                assert_true(v1 > v0);
                assert_near(sim_change_path_mm(&law, v0, v1), path, 1e-9 * (1 + path), "mm");
            }
    }
}

/* Collinear lines that keep coming move like one: no slowing down at the junctions. Under
 * bounded jerk each speed change belongs to one line (no acceleration at a junction), so
 * there the first and the last line have room for theirs. */
static void test_look_ahead(void **state)
{
    (void)state;
    static const enum speed_law laws[] = {SPEED_TRAPEZOID, SPEED_JERK_LIMITED};
    for (size_t k = 0; k < 2; k++) {
        struct test_bench one, many;
        test_bench_set(&one);
        one.truth.law = laws[k];
        one.truth.start_delay_s = 0.05; /* time for the lines to come */
        many = one;
        home(&one);
        home(&many);
        move(&one, 120, 40);
        char line[80];
        double worst = 0;
        int sent = 0, first = k ? 10 : 1, last = k ? 111 : 120;
        for (double t = 0; t < 4.5; t += 0.001) {
            /* 120 lines of a millimetre; 'ok' waits while the queue is full */
            test_bench_wait(&many, 0);
            if (sent < 120 && (sent == 0 || strstr(many.said, "ok\n"))) {
                test_bench_hush(&many);
                int to_mm = sent < 1 ? first : sent + first < last ? sent + first : 120;
                snprintf(line, sizeof line, "G1 Z%d F2400", to_mm);
                sent = to_mm == 120 ? 120 : sent + 1;
                test_bench_send(&many, line);
            }
            double a = stage_at(&one, t), b = sim_true_stage_mm(many.sim, many.now_ns);
            worst = fmax(worst, fabs(a - b));
            many.now_ns += 1000000;
        }
        assert_int_equal(sent, 120);
        /* both clocks tick in whole ns while positions are compared at 40 mm/s */
        assert_near(worst, 0, 1e-6, "mm");
        assert_int_equal(sim_tally(many.sim).starved, 0);
        test_bench_close(&one);
        test_bench_close(&many);
    }
}

/* A junction of two feeds has the lower speed; a reversal is a stop. */
static void test_junctions(void **state)
{
    (void)state;
    struct test_bench bench;
    test_bench_set(&bench);
    bench.truth.start_delay_s = 0.02;
    home(&bench);
    test_bench_send(&bench, "G1 Z30 F1800"); /* 30 mm/s */
    test_bench_send(&bench, "G1 Z50 F600");  /* 10 mm/s */
    test_bench_send(&bench, "G1 Z40 F600");
    /* slows down before the junction: at 30 mm its speed is 10 mm/s */
    double up = 30.0 / 900, down = 20.0 / 900;
    double cruise = (30 - 30 * up / 2 - 20 * down) / 30;
    double at = 0.02 + up + cruise + down;
    assert_near(stage_at(&bench, at - 1e-3), 30 - 10e-3 - 900 * 1e-6 / 2, 1e-6, "mm");
    assert_near(stage_at(&bench, at), 30, 1e-6, "mm");
    assert_near(stage_at(&bench, at + 0.5), 35, 1e-6, "mm");
    /* 20 mm at 10 mm/s with one stop at the end, then back */
    double turn = at + (20 - 10 * 10 / 900.0 / 2) / 10 + 10.0 / 900;
    assert_near(stage_at(&bench, turn), 50, 1e-6, "mm");
    assert_near(stage_at(&bench, turn + 0.005), 50 - 900 * 0.005 * 0.005 / 2, 1e-6, "mm");
    test_bench_close(&bench);
}

/* Slow, then fast: the faster feed begins only at the junction. */
static void test_junction_to_a_faster_line(void **state)
{
    (void)state;
    struct test_bench bench;
    test_bench_set(&bench);
    bench.truth.start_delay_s = 0.02;
    home(&bench);
    test_bench_send(&bench, "G1 Z10 F600");
    test_bench_send(&bench, "G1 Z50 F1800");
    /* 10 mm at 10 mm/s behind one speed change from rest */
    double at = 0.02 + 1 + 10.0 / 900 / 2;
    assert_near(stage_at(&bench, at - 0.1), 9, 1e-6, "mm");
    assert_near(stage_at(&bench, at), 10, 1e-6, "mm");
    assert_near(stage_at(&bench, at + 0.02), 10 + 0.2 + 900 * 0.02 * 0.02 / 2, 1e-6, "mm");
    assert_near(stage_at(&bench, at + 0.5), 10 + 15 - 20 * (20.0 / 900) / 2, 1e-6, "mm");
    test_bench_close(&bench);
}

static void test_start_delay_and_skew(void **state)
{
    (void)state;
    struct test_bench bench;
    test_bench_set(&bench);
    bench.truth.start_delay_s = 0.08;
    bench.truth.axis_skew_ppm = 1000; /* the axis' clock is fast: moves take less time */
    home(&bench);
    double delay = 0.08 / 1.001;
    move(&bench, 100, 20);
    assert_near(stage_at(&bench, delay - 1e-6), 0, 1e-9, "mm");
    double ramp = 20.0 / 900;
    assert_near(stage_at(&bench, delay + 2), 20 * 2 * 1.001 - 20 * ramp / 2, 1e-6, "mm");
    test_bench_close(&bench);
}

static void test_steps_and_backlash(void **state)
{
    (void)state;
    struct test_bench bench;
    test_bench_set(&bench);
    bench.truth.step_mm = 0.0125;
    bench.truth.backlash_mm = 0.1;
    bench.truth.position_digits = 2;
    home(&bench);
    move(&bench, 10.004, 20);
    test_bench_do(&bench, "M400");
    /* 10.004 lies nearest 800 steps; half of the play is late on the way down */
    assert_near(sim_true_stage_mm(bench.sim, bench.now_ns), 10 - 0.05, 1e-9, "mm");
    move(&bench, 5, 20);
    test_bench_do(&bench, "M400");
    assert_near(sim_true_stage_mm(bench.sim, bench.now_ns), 5 + 0.05, 1e-9, "mm");
    test_bench_hush(&bench);
    test_bench_send(&bench, "M114");
    test_bench_wait(&bench, 0.01);
    assert_contains(bench.said, "Z:5.00");
    test_bench_close(&bench);
}

static void test_end_stop(void **state)
{
    (void)state;
    struct test_bench bench;
    test_bench_set(&bench);
    home(&bench);
    move(&bench, 250, 50); /* the stage ends at 225 mm */
    test_bench_do(&bench, "M400");
    assert_near(sim_true_stage_mm(bench.sim, bench.now_ns), 225, 1e-9, "mm");
    assert_int_equal(sim_tally(bench.sim).end_stops, 1);
    move(&bench, 240, 50); /* 25 mm of steps were lost */
    test_bench_do(&bench, "M400");
    assert_near(sim_true_stage_mm(bench.sim, bench.now_ns), 215, 1e-9, "mm");
    test_bench_do(&bench, "G28"); /* finds itself again */
    assert_near(sim_true_stage_mm(bench.sim, bench.now_ns), 0, 1e-9, "mm");
    move(&bench, 50, 50);
    test_bench_do(&bench, "M400");
    assert_near(sim_true_stage_mm(bench.sim, bench.now_ns), 50, 1e-9, "mm");
    test_bench_close(&bench);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_trapezoid),
        cmocka_unit_test(test_jerk_limited),
        cmocka_unit_test(test_reach_inverts_path),
        cmocka_unit_test(test_look_ahead),
        cmocka_unit_test(test_junctions),
        cmocka_unit_test(test_junction_to_a_faster_line),
        cmocka_unit_test(test_start_delay_and_skew),
        cmocka_unit_test(test_steps_and_backlash),
        cmocka_unit_test(test_end_stop),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
