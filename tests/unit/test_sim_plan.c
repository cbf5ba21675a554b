/* SPDX-License-Identifier: GPL-3.0-or-later
 * The planner says how the axis will move; the simulated controller, which works that out
 * by itself from the lines on the wire, has to move just so. Two derivations, one motion. */
#include "check.h"
#include "plans.h"
#include "sim_bench.h"

#include "motion/axis.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* Sends the lines of one stroke as room allows, from now on; the largest difference
 * between plan and stage, looked at every millisecond. */
static double follow_stroke(struct test_bench *bench, const struct plan *plan, size_t index)
{
    const struct plan_stroke *stroke = &plan_strokes(plan)[index];
    struct plan_line_cursor cursor = plan_stroke_lines(plan, index);
    struct plan_line line;
    int64_t start_ns = bench->now_ns;
    uint64_t sent = 0, taken_before = sim_tally(bench->sim).lines_taken;
    bool more = plan_next_line(&cursor, &line);
    double worst = 0, length_s = stroke->end_s - stroke->start_s;
    test_bench_hush(bench);
    for (int64_t t_ns = 0; t_ns < rig_s_to_ns(length_s); t_ns += 1000000) {
        bench->now_ns = start_ns + t_ns;
        uint64_t taken = sim_tally(bench->sim).lines_taken - taken_before;
        /* three lines of 31 bytes at most fit into the buffer of 96 */
        while (more && sent < taken + 3) {
            char text[80];
            if (line.dwell_s > 0)
                snprintf(text, sizeof text, "G4 P%.0f", line.dwell_s * 1e3);
            else
                snprintf(text, sizeof text, "G1 Z%.4f F%.3f", line.stage_mm, line.feed_mm_s * 60);
            test_bench_send(bench, text);
            sent++;
            more = plan_next_line(&cursor, &line);
            taken = sim_tally(bench->sim).lines_taken - taken_before;
        }
        double planned = plan_stage_mm(plan, stroke->start_s + rig_ns_to_s(t_ns));
        worst = fmax(worst, fabs(sim_true_stage_mm(bench->sim, bench->now_ns) - planned));
        test_bench_wait(bench, 0);
    }
    assert_false(more);
    assert_int_equal(sent, stroke->line_count);
    bench->now_ns = start_ns + rig_s_to_ns(length_s);
    test_bench_do(bench, "M400");
    return worst;
}

static void follow(const char *law, const char *profile)
{
    struct rig_err err = {0};
    struct units *units = units_open(&err);
    assert_non_null(units);
    struct rig rig;
    test_rig(&rig, units, law, "");
    struct plan *plan = test_plan(&rig, units, profile, NULL);
    struct test_bench bench;
    test_bench_set(&bench);
    bench.rig.axis = rig.axis;
    bench.truth.law = rig.axis.law;
    if (rig.axis.law == SPEED_JERK_LIMITED)
        bench.truth.jerk_mm_s3 = rig.axis.jerk_mm_s3;
    test_bench_open(&bench, 1);
    test_bench_do(&bench, "G28");
    char text[80];
    snprintf(text, sizeof text, "G1 Z%.4f F3000", plan_stage_mm(plan, 0));
    test_bench_do(&bench, text);
    test_bench_do(&bench, "M400");
    assert_true(plan_stroke_count(plan) > 0);
    for (size_t i = 0; i < plan_stroke_count(plan); i++) {
        double worst = follow_stroke(&bench, plan, i);
        if (!(worst < 1e-6))
            print_error("stroke %zu of %zu, %s\n", i, plan_stroke_count(plan), law);
        assert_near(worst, 0, 1e-6, "mm");
    }
    struct sim_tally tally = sim_tally(bench.sim);
    assert_int_equal(tally.overruns, 0);
    assert_int_equal(tally.starved, 0);
    assert_int_equal(tally.end_stops, 0);
    test_bench_close(&bench);
    plan_free(plan);
    units_close(units);
}

static const char profile[] = "start at 10 mm\n"
                              "ramp to 150 mm at 20 mm/s\n"
                              "ramp to 10 mm at 40 mm/s\n"
                              "hold 1 s\n"
                              "ramp to 60 mm at 30 mm/s\n"
                              "ramp to 120 mm at 5 mm/s\n"
                              "hold 1 s\n"
                              "step to 30 mm\n"
                              "hold 2 s\n"
                              "step to 30.2 mm\n"
                              "hold 1 s\n"
                              "stairs from 30 mm to 60 mm in 3 steps, hold 1 s, up and down\n"
                              "sine about 80 mm amplitude 4 mm at 0.5 Hz, 3 cycles\n"
                              "sine about 80 mm amplitude up to 3 mm from 0.2 Hz to 3 Hz in 3 "
                              "frequencies, 2 cycles each\n";

static void test_trapezoid(void **state)
{
    (void)state;
    follow("", profile);
}

static void test_jerk_limited(void **state)
{
    (void)state;
    follow("speed law jerk limited to 20000 mm/s3\n", profile);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_trapezoid),
        cmocka_unit_test(test_jerk_limited),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
