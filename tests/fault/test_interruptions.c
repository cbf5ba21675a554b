/* SPDX-License-Identifier: GPL-3.0-or-later
 * What interrupts a run, in simulated time: the board is lifted, what is missing is waited
 * for, the pass is repeated, and every row of the recording is where it belongs. And what
 * comes of it when it does not mend. */
#include "check.h"
#include "fault_bench.h"

#include "base/clock.h"

#include <math.h>
#include <stdio.h>
#include <string.h>
#include <time.h>

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

static size_t events(const char *kind)
{
    return fault_bench_events(&bench, kind, NULL, 0);
}

/* Given up with the board parked, and what was measured until then is where it belongs. */
static void check_parked_end(const char *why)
{
    fault_bench_check_end(&bench, RUN_FAULTED, 5, why);
    fault_bench_check_parked(&bench);
    assert_near(fault_bench_worst_mm(&bench, NULL, NULL), 0, 0.5, "mm");
}

static void nothing_goes_wrong(void **state)
{
    (void)state;
    uint64_t mapped;
    fault_bench_run(&bench);
    fault_bench_check_mended(&bench, 0);
    /* The check that all others rest on sees most of the rows. */
    fault_bench_worst_mm(&bench, &mapped, NULL);
    assert_true(mapped > fault_bench_rows(&bench) * 8 / 10);
    assert_int_equal(bench.end.run.repeated, 0);
}

/* ---- the board ---- */

static void a_board_unplugged_and_plugged_in_again(void **state)
{
    (void)state;
    char text[256];
    bench.board.gone_s = 16.3; /* on the way down again */
    bench.board.back_s = 24;
    fault_bench_run(&bench);
    fault_bench_check_mended(&bench, 1);
    assert_int_equal(fault_bench_events(&bench, "unplugged", text, sizeof text), 1);
    assert_contains(text, "source 'board' is gone: the test pulled the plug");
    assert_int_equal(fault_bench_events(&bench, "plugged", text, sizeof text), 1);
    assert_contains(text, "the port of source 'board' is open again after ");
    assert_int_equal(bench.end.run.repeated, 1);
    assert_int_equal(bench.board.opened, 1);
    /* Not longer than it took: tried again within 5 s, steady for 2 s. */
    assert_true(bench.end.run.lost_s > 24 - 16.3 && bench.end.run.lost_s < 24 - 16.3 + 17);
}

static void a_board_unplugged_in_a_hold(void **state)
{
    (void)state;
    bench.board.gone_s = 13.5;
    bench.board.back_s = 14;
    fault_bench_run(&bench);
    fault_bench_check_mended(&bench, 1);
    assert_int_equal(bench.end.run.repeated, 1); /* the stroke whose hold it was */
}

static void a_board_that_is_gone_for_good(void **state)
{
    (void)state;
    bench.board.gone_s = 16.3;
    fault_bench_run(&bench);
    check_parked_end(
        "source 'board' is gone: the test pulled the plug; nothing changed within 2 min");
    assert_int_equal(events("unplugged"), 1);
}

static void a_board_that_falls_silent_and_speaks_again(void **state)
{
    (void)state;
    bench.board.quiet_s = 16;
    bench.board.loud_s = 60;
    fault_bench_run(&bench);
    fault_bench_check_mended(&bench, 1);
    assert_int_equal(events("silent"), 1);
    assert_true(bench.board.opened >= 1); /* tried to restart it in between */
}

static void a_board_that_hangs_until_it_is_restarted(void **state)
{
    (void)state;
    bench.board.quiet_s = 16;
    bench.board.wakes = true;
    fault_bench_run(&bench);
    fault_bench_check_mended(&bench, 1);
    assert_int_equal(bench.board.opened, 1);
}

static void a_board_that_is_silent_for_good(void **state)
{
    (void)state;
    bench.board.quiet_s = 16;
    fault_bench_run(&bench);
    check_parked_end(
        "source 'board' has said nothing readable for 5 s; nothing changed within 2 min");
    assert_in_range(bench.board.opened, 2, 6); /* 10, 20, 40, 60 s apart */
}

static void a_board_stuck_at_one_value_until_it_is_restarted(void **state)
{
    (void)state;
    char text[256];
    bench.board.stuck_s = 16;
    bench.board.wakes = true;
    fault_bench_run(&bench);
    fault_bench_check_mended(&bench, 1);
    assert_int_equal(fault_bench_events(&bench, "stuck", text, sizeof text), 1);
    assert_contains(text, "source 'board' has read ");
    assert_contains(text, " while the depth went from ");
}

static void a_board_stuck_at_one_value_for_good(void **state)
{
    (void)state;
    bench.board.stuck_s = 16;
    fault_bench_run(&bench);
    /* Tried with the board opened anew, twice. */
    fault_bench_check_end(&bench, RUN_FAULTED, 5,
                          "(the same pass was interrupted 3 times in a row)");
    fault_bench_check_parked(&bench);
    assert_int_equal(events("stuck"), 3);
    assert_int_equal(bench.board.opened, 2);
}

static void a_board_stuck_at_one_value_for_a_while(void **state)
{
    (void)state;
    bench.board.stuck_s = 16;
    bench.board.free_s = 26;
    fault_bench_run(&bench);
    fault_bench_check_mended(&bench, 1);
}

/* ---- the axis ---- */

static void an_axis_unplugged_and_plugged_in_again(void **state)
{
    (void)state;
    char text[256];
    bench.axis.gone_s = 16;
    bench.axis.back_s = 40;
    fault_bench_run(&bench);
    fault_bench_check_mended(&bench, 1);
    assert_int_equal(fault_bench_events(&bench, "adrift", text, sizeof text), 1);
    assert_contains(text,
                    "the axis can't be reached, so the board can't be lifted; it was last near "
                    "a depth of ");
    /* The board was heard all the while. */
    assert_near((double)fault_bench_rows(&bench) / bench.end.view.t_s, 100, 1, "rows/s");
}

static void an_axis_that_is_gone_for_good(void **state)
{
    (void)state;
    bench.axis.gone_s = 16;
    fault_bench_run(&bench);
    fault_bench_check_end(
        &bench, RUN_FAULTED, 5,
        "the axis' port is gone: the test pulled the plug; nothing changed within "
        "2 min");
    fault_bench_check_left(&bench);
    assert_near((double)fault_bench_rows(&bench) / bench.end.view.t_s, 100, 1, "rows/s");
}

static void an_axis_that_answers_again(void **state)
{
    (void)state;
    bench.axis.quiet_s = bench.axis.deaf_s = 16;
    bench.axis.loud_s = bench.axis.hears_s = 40;
    fault_bench_run(&bench);
    fault_bench_check_mended(&bench, 1);
    assert_true(events("silent") >= 1);
}

static void an_axis_that_is_silent_until_it_is_opened_anew(void **state)
{
    (void)state;
    bench.patience_s = 600;
    bench.axis.quiet_s = 16;
    bench.axis.wakes = true;
    fault_bench_run(&bench);
    fault_bench_check_mended(&bench, 1);
    assert_int_equal(bench.axis.opened, 1);
}

static void an_axis_that_falls_silent_for_good(void **state)
{
    (void)state;
    bench.axis.quiet_s = 16;
    fault_bench_run(&bench);
    fault_bench_check_end(&bench, RUN_FAULTED, 5, "does not answer");
    fault_bench_check_left(&bench);
    assert_contains(bench.end.why, "lift it out of the water by hand");
}

static void cut_power(struct fault_bench *it)
{
    sim_axis_power_cycle(it->sim, rig_clock_now(&it->clock));
}

static void an_axis_that_restarts_in_mid_move(void **state)
{
    (void)state;
    bench.actions[0] = (struct fault_action){.at_s = 16, .act = cut_power};
    fault_bench_run(&bench);
    fault_bench_check_mended(&bench, 1);
    assert_int_equal(events("reset"), 1);
}

static void an_axis_that_restarts_again_on_the_way_back(void **state)
{
    (void)state;
    bench.actions[0] = (struct fault_action){.at_s = 16, .act = cut_power};
    bench.actions[1] = (struct fault_action){.at_s = 17.5, .act = cut_power};
    bench.actions[2] = (struct fault_action){.at_s = 23, .act = cut_power};
    bench.actions[3] = (struct fault_action){.at_s = 45, .act = cut_power};
    fault_bench_run(&bench);
    fault_bench_check_mended(&bench, bench.end.run.interruptions);
    assert_in_range(bench.end.run.interruptions, 1, 4);
    assert_int_equal(events("reset"), 3); /* the second was while it was being spoken to anew */
}

static void an_axis_that_refuses_a_line(void **state)
{
    (void)state;
    bench.axis.lie = "Error:that line makes no sense\n";
    bench.axis.lie_s = 16;
    fault_bench_run(&bench);
    fault_bench_check_mended(&bench, 1);
    assert_int_equal(events("refused"), 1);
}

static void an_axis_stopped_by_its_end_switch(void **state)
{
    (void)state;
    bench.axis.add = "Error:endstop hit, axis stopped\n";
    bench.axis.add_s = 16;
    fault_bench_run(&bench);
    fault_bench_check_mended(&bench, 1);
    assert_int_equal(events("alarm"), 1);
}

/* Something stands in the way of one pass: it stops there each time. */
static void hit_end(struct fault_bench *it)
{
    it->axis.add = "Error:stall detected, axis stopped\n";
    it->axis.add_s = 0;
}

static void an_axis_that_stalls_at_the_same_place_each_time(void **state)
{
    (void)state;
    /* It stalls, homes, parks, waits, goes back: some 15 s until the next time. */
    bench.actions[0] = (struct fault_action){.at_s = 16, .act = hit_end};
    bench.actions[1] = (struct fault_action){.at_s = 32, .act = hit_end};
    bench.actions[2] = (struct fault_action){.at_s = 48, .act = hit_end};
    fault_bench_run(&bench);
    check_parked_end("has stopped the axis by itself ('Error:stall detected, axis stopped') (the "
                     "same pass was interrupted 3 times in a row)");
}

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

static void an_axis_that_loses_lines_unnoticed(void **state)
{
    (void)state;
    /* Without line numbers nobody but the place where the stage ends up tells. */
    change_rig("checksums no");
    bench.profile_text = "start at 10 mm\nrepeat 10\nramp to 18 mm at 5 mm/s\nhold 2 s\n"
                         "ramp to 10 mm at 5 mm/s\nhold 2 s\nend\n";
    bench.axis.swallow_s = 12;
    char text[256];
    fault_bench_run(&bench);
    /* The stroke is in the recording with a row of its own, and was repeated. */
    fault_bench_check_mended(&bench, 1);
    assert_int_equal(fault_bench_events(&bench, "position", text, sizeof text), 1);
    assert_contains(text, "a line got lost, or the stage was held");
}

/* Over a longer way it is the board that tells. */
static void a_stage_that_does_not_move(void **state)
{
    (void)state;
    char text[256];
    change_rig("checksums no");
    bench.axis.swallow_s = 12;
    fault_bench_run(&bench);
    fault_bench_check_mended(&bench, 1);
    assert_int_equal(fault_bench_events(&bench, "stuck", text, sizeof text), 1);
    assert_contains(text, "it hangs, or the stage does not move");
}

static void an_axis_without_switch_that_is_unplugged(void **state)
{
    (void)state;
    change_rig("home none");
    bench.axis.gone_s = 16;
    bench.axis.back_s = 20;
    fault_bench_run(&bench);
    fault_bench_check_end(&bench, RUN_FAULTED, 5, "the axis has no switch to home to");
    fault_bench_check_left(&bench);
}

/* ---- bytes ---- */

static void bytes_damaged_and_lost_both_ways(void **state)
{
    (void)state;
    bench.axis.noise = 1e-3;
    bench.axis.loses = 1e-3;
    bench.board.noise = 1e-3;
    bench.board.loses = 1e-3;
    bench.axis.noise_from_s = bench.board.noise_from_s = 4;
    bench.seed = bench.axis.noise_state = 11;
    bench.board.noise_state = 12;
    fault_bench_run(&bench);
    print_message("seed 11: axis %u damaged, %u lost, %llu sent again; board %u and %u, %llu "
                  "malformed; %llu interruptions\n",
                  bench.axis.noise_count, bench.axis.lost_count,
                  (unsigned long long)bench.end.view.resends, bench.board.noise_count,
                  bench.board.lost_count, (unsigned long long)bench.end.view.malformed,
                  (unsigned long long)bench.end.run.interruptions);
    assert_true(bench.axis.noise_count > 3 && bench.axis.lost_count > 3);
    assert_true(bench.end.view.malformed > 10);
    fault_bench_check_end(&bench, RUN_COMPLETE, 0, "the whole plan was carried out");
    fault_bench_check_parked(&bench);
}

/* Each line is there in the end, but too late: the stage stood still in between. */
static void a_wire_that_makes_lines_late(void **state)
{
    (void)state;
    char text[256];
    bench.profile_text = "start at 60 mm\nhold 2 s\nramp to 70 mm at 20 mm/s\nhold 2 s\n"
                         "sine about 70 mm amplitude 15 mm at 0.5 Hz, 5 cycles\nhold 2 s\n";
    bench.truth.answer_delay_s = 2e-3;
    bench.axis.deaf_s = 12; /* a second's worth of lines is lost, and sent again */
    bench.axis.hears_s = 13;
    fault_bench_run(&bench);
    assert_int_equal(fault_bench_events(&bench, "late", text, sizeof text), 1);
    assert_contains(text, "more than planned: lines came too late");
    fault_bench_check_mended(&bench, 1);
}

/* ---- the computer ---- */

static void fall_asleep(struct fault_bench *it)
{
    it->slept_s += 3600;
}

static void a_computer_that_was_asleep(void **state)
{
    (void)state;
    char text[256];
    bench.actions[0] = (struct fault_action){.at_s = 16, .act = fall_asleep};
    fault_bench_run(&bench);
    fault_bench_check_mended(&bench, 1);
    assert_int_equal(fault_bench_events(&bench, "asleep", text, sizeof text), 1);
    assert_string_equal(text, "the computer was asleep for 1 h 0 min");
}

/* The recording's thread writes each half second by the real clock, the two hours pass in no time.
 */
static void let_it_be_written(struct fault_bench *it)
{
    (void)it;
    nanosleep(&(struct timespec){.tv_sec = 1, .tv_nsec = 500000000}, NULL);
}

static void a_disk_that_is_full_while_it_waits(void **state)
{
    (void)state;
    bench.board.gone_s = 16.3;
    bench.actions[0] = (struct fault_action){.at_s = 600, .act = let_it_be_written};
    bench.patience_s = 7200;
    bench.disk_bytes = 30000;
    fault_bench_run(&bench);
    fault_bench_check_end(&bench, RUN_FAULTED, 5, "the recording can't be written");
    fault_bench_check_parked(&bench);
}

/* ---- the user ---- */

static void a_wish_to_stop_while_it_waits(void **state)
{
    (void)state;
    bench.board.gone_s = 16.3;
    bench.actions[0] = (struct fault_action){.at_s = 60, .act = fault_bench_stop};
    fault_bench_run(&bench);
    fault_bench_check_end(&bench, RUN_STOPPED, 4, "stopped by the user; the board is parked");
    fault_bench_check_parked(&bench);
    assert_near(bench.end.view.t_s, 60, 0.5, "s");
}

static void a_wish_to_stop_while_the_axis_is_gone(void **state)
{
    (void)state;
    bench.axis.gone_s = 16;
    bench.actions[0] = (struct fault_action){.at_s = 60, .act = fault_bench_stop};
    fault_bench_run(&bench);
    fault_bench_check_end(&bench, RUN_FAULTED, 5, "stopped by the user; THE BOARD IS NOT PARKED");
    assert_near(bench.end.view.t_s, 60, 0.5, "s");
}

static void a_wish_to_stop_on_the_way_back(void **state)
{
    (void)state;
    bench.board.gone_s = 16.3;
    bench.board.back_s = 16.4;
    bench.actions[0] = (struct fault_action){.at_s = 24, .act = fault_bench_stop};
    fault_bench_run(&bench);
    fault_bench_check_end(&bench, RUN_STOPPED, 4, "stopped by the user");
    fault_bench_check_parked(&bench);
}

static void the_time_to_end_comes_while_it_waits(void **state)
{
    (void)state;
    bench.board.gone_s = 16.3;
    bench.until = "07:00";
    bench.until_s = 90;
    fault_bench_run(&bench);
    fault_bench_check_end(&bench, RUN_COMPLETE, 0,
                          "ended for 07:00 as asked, after 2 of 7 strokes");
    fault_bench_check_parked(&bench);
    assert_true(bench.end.view.t_s <= 90.1);
}

/* ---- where it goes on ---- */

static const char stairs_profile[] = "start at 10 mm\n"
                                     "stairs from 10 mm to 150 mm in 7 steps, hold 4 s, up and "
                                     "down\n";

/* Stairs up are a pass, and stairs down another: it goes on at the turn, not at the stair. */
static void stairs_are_repeated_from_the_turn(void **state)
{
    (void)state;
    char text[256];
    bench.profile_text = stairs_profile;
    bench.board.gone_s = 50; /* on the way up again */
    bench.board.back_s = 51;
    fault_bench_run(&bench);
    fault_bench_check_mended(&bench, 1);
    assert_int_equal(fault_bench_events(&bench, "resumed", text, sizeof text), 1);
    /* Stroke 1 is the approach, 2 to 8 go down into the water, 9 to 15 up again. */
    assert_contains(text, "going on with stroke 9 of 16");
}

/* A night's rest that was cut is not begun all over. */
static void a_long_hold_goes_on_where_it_was_cut(void **state)
{
    (void)state;
    bench.profile_text = "start at 10 mm\n"
                         "ramp to 100 mm at 20 mm/s\n"
                         "hold 2 h\n"
                         "ramp to 10 mm at 20 mm/s\n";
    bench.truth.line_interval_s = 0.2;
    bench.truth.answer_delay_s = 1e-3; /* or only the next line of the board tells of it */
    bench.board.gone_s = 5400;
    bench.board.back_s = 5401;
    fault_bench_run(&bench);
    fault_bench_check_mended(&bench, 1);
    /* 2 h, and what the repeated pass and the wait cost; not 3.5 h. */
    assert_true(bench.end.view.t_s > 7200 && bench.end.view.t_s < 7200 + 90);
}

static void what_is_lost_stays_lost_without_a_way_to_open_it(void **state)
{
    (void)state;
    bench.no_reopen = true;
    bench.board.gone_s = 16.3;
    bench.board.back_s = 17;
    fault_bench_run(&bench);
    check_parked_end("nothing changed within 2 min");
}

int main(void)
{
#define CASE(name) cmocka_unit_test_setup_teardown(name, set_up, tear_down)
    const struct CMUnitTest tests[] = {
        CASE(nothing_goes_wrong),
        CASE(a_board_unplugged_and_plugged_in_again),
        CASE(a_board_unplugged_in_a_hold),
        CASE(a_board_that_is_gone_for_good),
        CASE(a_board_that_falls_silent_and_speaks_again),
        CASE(a_board_that_hangs_until_it_is_restarted),
        CASE(a_board_that_is_silent_for_good),
        CASE(a_board_stuck_at_one_value_until_it_is_restarted),
        CASE(a_board_stuck_at_one_value_for_a_while),
        CASE(a_board_stuck_at_one_value_for_good),
        CASE(an_axis_unplugged_and_plugged_in_again),
        CASE(an_axis_that_is_gone_for_good),
        CASE(an_axis_that_answers_again),
        CASE(an_axis_that_is_silent_until_it_is_opened_anew),
        CASE(an_axis_that_falls_silent_for_good),
        CASE(an_axis_that_restarts_in_mid_move),
        CASE(an_axis_that_restarts_again_on_the_way_back),
        CASE(an_axis_that_refuses_a_line),
        CASE(an_axis_stopped_by_its_end_switch),
        CASE(an_axis_that_stalls_at_the_same_place_each_time),
        CASE(an_axis_that_loses_lines_unnoticed),
        CASE(a_stage_that_does_not_move),
        CASE(an_axis_without_switch_that_is_unplugged),
        CASE(bytes_damaged_and_lost_both_ways),
        CASE(a_wire_that_makes_lines_late),
        CASE(a_computer_that_was_asleep),
        CASE(a_disk_that_is_full_while_it_waits),
        CASE(a_wish_to_stop_while_it_waits),
        CASE(a_wish_to_stop_while_the_axis_is_gone),
        CASE(a_wish_to_stop_on_the_way_back),
        CASE(the_time_to_end_comes_while_it_waits),
        CASE(stairs_are_repeated_from_the_turn),
        CASE(a_long_hold_goes_on_where_it_was_cut),
        CASE(what_is_lost_stays_lost_without_a_way_to_open_it),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
