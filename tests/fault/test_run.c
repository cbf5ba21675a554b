/* SPDX-License-Identifier: GPL-3.0-or-later
 * What ends a run, in simulated time: each with what the user reads, the exit status,
 * where the board really is afterwards, and a recording that can be read. What only
 * interrupts one is in test_interruptions.c. */
#include "check.h"
#include "fault_bench.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static struct fault_bench bench;

static int set_up(void **state)
{
    (void)state;
    fault_bench_defaults(&bench);
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

static void check_left(void)
{
    fault_bench_check_left(&bench);
}

static void check_recording(enum run_state state, uint64_t least_rows)
{
    struct rig_err err = {0};
    struct recording *recording = recording_open(bench.folder, &err);
    assert_non_null(recording);
    assert_int_equal(recording_state(recording), state);
    recording_free(recording);
    uint64_t rows = fault_bench_rows(&bench);
    assert_true(rows >= least_rows);
}

/* ---- the board ---- */

static void a_board_that_never_speaks(void **state)
{
    (void)state;
    bench.board.quiet_s = 0;
    fault_bench_run(&bench);
    check_end(RUN_FAULTED, 5, "source 'board' said nothing readable on board within 5 s");
    check_parked();
    check_recording(RUN_FAULTED, 0);
    assert_int_equal(bench.end.view.rows, 0);
}

static void a_board_that_pauses(void **state)
{
    (void)state;
    bench.board.quiet_s = 16;
    bench.board.loud_s = 20; /* less than the 5 s that a source may pause */
    fault_bench_run(&bench);
    check_end(RUN_COMPLETE, 0, "the whole plan was carried out");
    check_parked();
}

static void a_board_that_sends_rubbish(void **state)
{
    (void)state;
    bench.board.add = "\n12,ab\xff\x01,\n,,,,,,,\nmotor on\n";
    bench.board.add_s = 16;
    char text[256];
    fault_bench_run(&bench);
    check_end(RUN_COMPLETE, 0, "the whole plan was carried out");
    check_parked();
    check_recording(RUN_COMPLETE, 3000);
    assert_true(bench.end.view.malformed >= 3);
    assert_true(fault_bench_events(&bench, "malformed", text, sizeof text) >= 3);
}

/* ---- the axis ---- */

static void an_axis_that_never_answers(void **state)
{
    (void)state;
    bench.axis.quiet_s = 0;
    fault_bench_run(&bench);
    check_end(RUN_FAULTED, 5, "the axis never answered on axis; check its power");
    assert_int_equal(bench.end.board, BOARD_UNMOVED);
    assert_contains(bench.end.why, "the board was not moved");
    check_recording(RUN_FAULTED, 0);
}

static void cut_power(struct fault_bench *it)
{
    sim_axis_power_cycle(it->sim, rig_clock_now(&it->clock));
}

static void an_axis_that_restarts_while_homing(void **state)
{
    (void)state;
    bench.actions[0] = (struct fault_action){.at_s = 1.2, .act = cut_power};
    fault_bench_run(&bench);
    check_end(RUN_FAULTED, 5, "has restarted in mid-run");
    check_parked();
}

static void an_axis_that_cannot_home(void **state)
{
    (void)state;
    bench.axis.add = "Error:limit switch not found, homing failed\n";
    bench.axis.add_s = 1.2;
    fault_bench_run(&bench);
    check_end(RUN_FAULTED, 5, "has stopped the axis by itself ('Error:limit switch");
    assert_int_equal(bench.end.board, BOARD_LEFT);
    assert_contains(bench.end.why, "see whether it is in the water, and lift it out by hand");
}

static void an_axis_that_chatters(void **state)
{
    (void)state;
    bench.axis.add = "T:21.3 B:22.0\nfan is on\n";
    bench.axis.add_s = 16;
    fault_bench_run(&bench);
    check_end(RUN_COMPLETE, 0, "the whole plan was carried out");
    assert_true(fault_bench_events(&bench, "chatter", NULL, 0) >= 1);
}

/* The plain rig with other lines: home none, or no checksums. */
static char other_rig[1024];

static void change_rig(const char *line)
{
    static const char before[] = "  position live\n";
    const char *at = strstr(bench.rig_text, before);
    assert_non_null(at);
    snprintf(other_rig, sizeof other_rig, "%.*s  %s\n%s", (int)(at - bench.rig_text),
             bench.rig_text, line, at);
    bench.rig_text = other_rig;
}

static void an_axis_without_switch_that_restarts(void **state)
{
    (void)state;
    change_rig("home none");
    bench.actions[0] = (struct fault_action){.at_s = 16, .act = cut_power};
    fault_bench_run(&bench);
    check_end(RUN_FAULTED, 5, "has restarted in mid-run");
    check_left();
    assert_contains(bench.end.why, "the axis has no switch to home to");
}

static void a_wire_with_noise(void **state)
{
    (void)state;
    /* One byte in 500 is damaged either way for as long as the board moves. */
    bench.axis.noise = 2e-3;
    bench.axis.noise_from_s = 4;
    bench.seed = bench.axis.noise_state = 7;
    fault_bench_run(&bench);
    print_message("seed 7: %u bytes damaged, %llu lines sent again\n", bench.axis.noise_count,
                  (unsigned long long)bench.end.view.resends);
    assert_true(bench.axis.noise_count > 5);
    check_end(RUN_COMPLETE, 0, "the whole plan was carried out");
    check_parked();
}

/* Whatever comes of it: 'parked' is true, and a run that can't park says so. */
static void noise_never_makes_it_lie(void **state)
{
    (void)state;
    unsigned complete = 0, parked = 0, left = 0;
    fault_bench_free(&bench);
    for (uint64_t seed = 1; seed <= 40; seed++) {
        fault_bench_defaults(&bench);
        if (seed % 2)
            change_rig("checksums no");
        bench.axis.noise = seed <= 20 ? 2e-3 : 1e-2;
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
    print_message("of 40 noisy runs %u complete, %u parked, %u given up\n", complete, parked, left);
    fault_bench_defaults(&bench);
}

/* ---- the user ---- */

static void one_wish_to_stop(void **state)
{
    (void)state;
    bench.actions[0] = (struct fault_action){.at_s = 16, .act = fault_bench_stop};
    fault_bench_run(&bench);
    check_end(RUN_STOPPED, 4, "stopped by the user");
    check_parked();
    check_recording(RUN_STOPPED, 1000);
    assert_int_equal(fault_bench_events(&bench, "stop", NULL, 0), 1);
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
    bench.actions[1] = (struct fault_action){.at_s = 16.1, .act = fault_bench_stop};
    fault_bench_run(&bench);
    check_end(RUN_STOPPED, 4, "stopped by the user; halted at once");
    check_left();
    assert_near(bench.moving_mm, 0, 1e-9, "mm");
    assert_true(bench.true_depth_mm > 5); /* it stands where it was halted, in the water */
    check_recording(RUN_STOPPED, 1000);
}

/* ---- the disk ---- */

static void a_disk_that_is_full(void **state)
{
    (void)state;
    bench.disk_bytes = 40000;
    fault_bench_run(&bench);
    check_end(RUN_FAULTED, 5, "the recording can't be written");
    check_parked();
    assert_int_not_equal(bench.closed, 0);
    uint64_t rows = fault_bench_rows(&bench);
    assert_true(rows > 500);
}

int main(void)
{
#define CASE(name) cmocka_unit_test_setup_teardown(name, set_up, tear_down)
    const struct CMUnitTest tests[] = {
        CASE(a_board_that_never_speaks),
        CASE(a_board_that_pauses),
        CASE(a_board_that_sends_rubbish),
        CASE(an_axis_that_never_answers),
        CASE(an_axis_that_restarts_while_homing),
        CASE(an_axis_that_cannot_home),
        CASE(an_axis_that_chatters),
        CASE(an_axis_without_switch_that_restarts),
        CASE(a_wire_with_noise),
        CASE(noise_never_makes_it_lie),
        CASE(one_wish_to_stop),
        CASE(a_wish_to_stop_while_homing),
        CASE(two_wishes_to_stop),
        CASE(a_disk_that_is_full),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
