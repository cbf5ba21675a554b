/* SPDX-License-Identifier: GPL-3.0-or-later
 * Runs on an axis that speaks 'status-polled', in simulated time: a whole one, and what
 * interrupts it or ends it. By the bench's own truth, not by what the controller says. */
#include "check.h"
#include "fault_bench.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static struct fault_bench bench;
static char rig_text[1024];

static void change(const char *before, const char *after)
{
    char text[sizeof rig_text];
    const char *at = strstr(rig_text, before);
    assert_non_null(at);
    snprintf(text, sizeof text, "%.*s%s%s", (int)(at - rig_text), rig_text, after,
             at + strlen(before));
    memcpy(rig_text, text, sizeof text);
}

static void begin(void)
{
    fault_bench_defaults(&bench);
    bench.truth.buffer_bytes = 127;
    bench.truth.position_digits = 3;
    snprintf(rig_text, sizeof rig_text, "%s", bench.rig_text);
    change("acknowledged-lines", "status-polled");
    bench.rig_text = rig_text;
}

static int set_up(void **state)
{
    (void)state;
    begin();
    return 0;
}

static int tear_down(void **state)
{
    (void)state;
    fault_bench_free(&bench);
    return 0;
}

static void check_end(enum run_state state, int exit_status, const char *why)
{
    fault_bench_check_end(&bench, state, exit_status, why);
}

static void check_parked(void)
{
    fault_bench_check_parked(&bench);
}

static void a_whole_run(void **state)
{
    (void)state;
    fault_bench_run(&bench);
    check_end(RUN_COMPLETE, 0, "the whole plan was carried out");
    check_parked();
    assert_int_equal(bench.tally.overruns, 0);
    assert_int_equal(bench.tally.lines_refused, 0);
    assert_true(fault_bench_rows(&bench) > 1000);
}

static void a_wish_to_stop_in_mid_move(void **state)
{
    (void)state;
    bench.actions[0] = (struct fault_action){.at_s = 16, .act = fault_bench_stop};
    fault_bench_run(&bench);
    check_end(RUN_STOPPED, 4, "stopped by the user");
    check_parked();
}

static void a_wish_to_stop_while_homing(void **state)
{
    (void)state;
    bench.actions[0] = (struct fault_action){.at_s = 1.2, .act = fault_bench_stop};
    fault_bench_run(&bench);
    check_end(RUN_STOPPED, 4, "stopped by the user");
    check_parked();
}

static void two_wishes_to_stop(void **state)
{
    (void)state;
    bench.actions[0] = (struct fault_action){.at_s = 16, .act = fault_bench_stop};
    bench.actions[1] = (struct fault_action){.at_s = 16.05, .act = fault_bench_stop};
    fault_bench_run(&bench);
    check_end(RUN_STOPPED, 4, "halted at once");
    assert_near(bench.moving_mm, 0, 1e-9, "mm");
}

static void cut_power(struct fault_bench *it)
{
    sim_axis_power_cycle(it->sim, rig_clock_now(&it->clock));
}

static void an_axis_that_restarts(void **state)
{
    (void)state;
    bench.actions[0] = (struct fault_action){.at_s = 16, .act = cut_power};
    fault_bench_run(&bench);
    fault_bench_check_mended(&bench, 1);
    assert_int_equal(fault_bench_events(&bench, "reset", NULL, 0), 1);
}

static void an_axis_without_switch_that_restarts(void **state)
{
    (void)state;
    change("  position live\n", "  position live\n  home none\n");
    bench.actions[0] = (struct fault_action){.at_s = 16, .act = cut_power};
    fault_bench_run(&bench);
    check_end(RUN_FAULTED, 5, "has restarted in mid-run");
    assert_int_equal(bench.end.board, BOARD_LEFT);
    assert_contains(bench.end.why, "the axis has no switch to home to");
}

static void an_axis_that_hits_an_end_switch(void **state)
{
    (void)state;
    char text[256];
    bench.axis.add = "ALARM:1\r\n[MSG:Reset to continue]\r\n";
    bench.axis.add_s = 16;
    fault_bench_run(&bench);
    fault_bench_check_mended(&bench, 1);
    assert_int_equal(fault_bench_events(&bench, "alarm", text, sizeof text), 1);
    assert_contains(text, "ALARM:1 (an end switch was hit)");
}

static void an_axis_that_refuses_a_line(void **state)
{
    (void)state;
    bench.axis.lie = "error:33\r\n";
    bench.axis.lie_s = 16;
    fault_bench_run(&bench);
    fault_bench_check_mended(&bench, 1);
    assert_int_equal(fault_bench_events(&bench, "refused", NULL, 0), 1);
}

static void an_axis_that_loses_lines(void **state)
{
    (void)state;
    bench.axis.deaf_s = 16; /* hears nothing for a while, in mid-profile */
    bench.axis.hears_s = 17;
    fault_bench_run(&bench);
    assert_int_equal(bench.code, 0);
    check_parked();
}

static void an_axis_that_falls_silent_and_answers_again(void **state)
{
    (void)state;
    bench.axis.quiet_s = bench.axis.deaf_s = 16;
    bench.axis.loud_s = bench.axis.hears_s = 40;
    fault_bench_run(&bench);
    fault_bench_check_mended(&bench, 1);
    assert_true(fault_bench_events(&bench, "silent", NULL, 0) >= 1);
}

static void an_axis_that_falls_silent_for_good(void **state)
{
    (void)state;
    bench.axis.quiet_s = 16;
    fault_bench_run(&bench);
    check_end(RUN_FAULTED, 5, "does not answer");
    assert_int_equal(bench.end.board, BOARD_LEFT);
    assert_contains(bench.end.why, "lift it out of the water by hand");
}

/* Without checksums: whatever comes of it, 'parked' is true, and a run that can't park
 * says so. */
static void noise_never_makes_it_lie(void **state)
{
    (void)state;
    unsigned complete = 0, parked = 0, left = 0;
    fault_bench_free(&bench);
    for (uint64_t seed = 1; seed <= 24; seed++) {
        begin();
        bench.axis.noise = seed <= 12 ? 2e-4 : 2e-3;
        bench.axis.noise_from_s = 1;
        bench.seed = bench.axis.noise_state = seed;
        fault_bench_run(&bench);
        assert_int_equal(bench.code, 0);
        if (bench.end.board == BOARD_PARKED && fabs(bench.true_depth_mm + 20) > 0.1)
            fail_msg("seed %llu: parked at %.2f mm? %s", (unsigned long long)seed,
                     bench.true_depth_mm, bench.end.why);
        if (bench.end.board != BOARD_PARKED)
            assert_int_equal(bench.end.exit_status, 5);
        complete += bench.end.state == RUN_COMPLETE;
        parked += bench.end.board == BOARD_PARKED;
        left += bench.end.board == BOARD_LEFT;
        fault_bench_free(&bench);
    }
    print_message("of 24 noisy runs %u complete, %u parked, %u given up\n", complete, parked, left);
    begin();
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(a_whole_run, set_up, tear_down),
        cmocka_unit_test_setup_teardown(a_wish_to_stop_in_mid_move, set_up, tear_down),
        cmocka_unit_test_setup_teardown(a_wish_to_stop_while_homing, set_up, tear_down),
        cmocka_unit_test_setup_teardown(two_wishes_to_stop, set_up, tear_down),
        cmocka_unit_test_setup_teardown(an_axis_that_restarts, set_up, tear_down),
        cmocka_unit_test_setup_teardown(an_axis_without_switch_that_restarts, set_up, tear_down),
        cmocka_unit_test_setup_teardown(an_axis_that_hits_an_end_switch, set_up, tear_down),
        cmocka_unit_test_setup_teardown(an_axis_that_refuses_a_line, set_up, tear_down),
        cmocka_unit_test_setup_teardown(an_axis_that_loses_lines, set_up, tear_down),
        cmocka_unit_test_setup_teardown(an_axis_that_falls_silent_and_answers_again, set_up,
                                        tear_down),
        cmocka_unit_test_setup_teardown(an_axis_that_falls_silent_for_good, set_up, tear_down),
        cmocka_unit_test_setup_teardown(noise_never_makes_it_lie, set_up, tear_down),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
