/* SPDX-License-Identifier: GPL-3.0-or-later
 * The supervisor against a scripted axis: what it does after what, and that every fault in
 * every phase ends with the board parked where the axis obeys, and said to be left where it
 * does not. */
#include "check.h"
#include "fake_run.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static struct fake_run run;

static int set_up(void **state)
{
    (void)state;
    fake_run_defaults(&run);
    return 0;
}

static void a_good_run(void **state)
{
    (void)state;
    fake_run(&run);
    assert_string_equal(run.phases, "connecting to the axis\n"
                                    "homing\n"
                                    "going to the start, listening to every source\n"
                                    "measuring\n"
                                    "parking the board\n");
    assert_string_equal(run.kinds, "complete ");
    assert_int_equal(run.state, RUN_COMPLETE);
    assert_int_equal(run.board, BOARD_PARKED);
    assert_int_equal(run.exit_status, 0);
    assert_near(run.depth_mm, -20, 1e-3, "mm");
    assert_int_equal(run.tally.whole, run.tally.planned);
    assert_int_equal(run.row_count, run.tally.planned);
    for (size_t i = 0; i < run.row_count; i++) {
        assert_int_equal(run.rows[i].stroke, i);
        assert_true(run.rows[i].ended_s > run.rows[i].sent_s);
    }
}

static void an_interruption_step_by_step(void **state)
{
    (void)state;
    run.events[0] = (struct fake_event){PHASE_MEASURE, 15, FAKE_SOURCE_GONE, false};
    fake_run(&run);
    assert_string_equal(run.phases, "connecting to the axis\n"
                                    "homing\n"
                                    "going to the start, listening to every source\n"
                                    "measuring\n"
                                    "stopping\n"
                                    "parking the board\n"
                                    "parked, waiting for what is missing\n"
                                    "going back to the pass that was interrupted\n"
                                    "measuring\n"
                                    "parking the board\n");
    assert_string_equal(run.kinds, "unplugged resumed complete ");
    assert_int_equal(run.tally.whole, run.tally.planned);
    assert_int_equal(run.tally.interruptions, 1);
    assert_int_equal(run.tally.repeated, 1);
}

static void a_reset_is_homed_before_anything_moves(void **state)
{
    (void)state;
    run.events[0] = (struct fake_event){PHASE_MEASURE, 15, FAKE_RESET, false};
    fake_run(&run);
    assert_string_equal(run.phases, "connecting to the axis\n"
                                    "homing\n"
                                    "going to the start, listening to every source\n"
                                    "measuring\n"
                                    "connecting to the axis again\n"
                                    "homing again\n"
                                    "parking the board\n"
                                    "parked, waiting for what is missing\n"
                                    "going back to the pass that was interrupted\n"
                                    "measuring\n"
                                    "parking the board\n");
    assert_int_equal(run.unhomed_moves, 0);
    assert_int_equal(run.state, RUN_COMPLETE);
}

/* Kept for every run, whatever happens in it. */
static void check_any_end(const char *what)
{
    bool parked = run.board == BOARD_PARKED;
    if (run.unhomed_moves || run.outside_moves)
        fail_msg("%s: %u moves before homing, %u outside the travel", what, run.unhomed_moves,
                 run.outside_moves);
    if (parked && (fabs(run.depth_mm + 20) > 0.1 || run.moving))
        fail_msg("%s: said to be parked, is at %.2f mm: %s", what, run.depth_mm, run.why);
    if (!parked && run.board == BOARD_LEFT && !strstr(run.why, "NOT PARKED") &&
        !strstr(run.why, "not parked"))
        fail_msg("%s: left without a word: %s", what, run.why);
    int status = run.state == RUN_COMPLETE ? 0 : run.state == RUN_STOPPED ? 4 : 5;
    if (run.state == RUN_RUNNING || run.exit_status != status)
        fail_msg("%s: ended as %s with status %d", what, run_state_name(run.state),
                 run.exit_status);
    if (run.state == RUN_COMPLETE && run.tally.whole != run.tally.planned)
        fail_msg("%s: complete with %llu of %llu strokes", what,
                 (unsigned long long)run.tally.whole, (unsigned long long)run.tally.planned);
}

/* The axis obeys again after every one of them, so the board has to be parked, unless the
 * user halted it at once; or was never moved. */
static void every_fault_in_every_phase(void **state)
{
    (void)state;
    /* A first fault leads into the phases that a good run does not have. */
    static const struct {
        enum run_phase phase;
        double after_s;
        struct fake_event lead;
    } places[] = {
        {PHASE_CONNECT, 0.1, {0}},
        {PHASE_HOME, 0.4, {0}},
        {PHASE_LISTEN, 0.05, {0}},
        {PHASE_MEASURE, 0.5, {0}},
        {PHASE_MEASURE, 9.3, {0}}, /* moving */
        {PHASE_MEASURE, 14, {0}},  /* in a hold */
        {PHASE_MEASURE, 26, {0}},
        {PHASE_HALT, 0, {PHASE_MEASURE, 15, FAKE_SOURCE_GONE, false}},
        {PHASE_PARK, 0.3, {PHASE_MEASURE, 15, FAKE_SOURCE_GONE, false}},
        {PHASE_WAIT, 0.5, {PHASE_MEASURE, 15, FAKE_SOURCE_GONE, false}},
        {PHASE_RETURN, 0.2, {PHASE_MEASURE, 15, FAKE_SOURCE_GONE, false}},
        {PHASE_RECONNECT, 0.1, {PHASE_MEASURE, 15, FAKE_RESET, false}},
        {PHASE_REHOME, 0.4, {PHASE_MEASURE, 15, FAKE_RESET, false}},
        {PHASE_GONE, 5, {PHASE_MEASURE, 15, FAKE_UNPLUG, false}},
        {PHASE_PARK, 0.3, {PHASE_MEASURE, 15, FAKE_STOP, false}},
        {PHASE_PARK, 0.3, {PHASE_MEASURE, 15, FAKE_DISK, false}},
    };
    unsigned runs = 0, complete = 0, parked = 0;
    for (size_t p = 0; p < sizeof places / sizeof places[0]; p++)
        for (int fault = 1; fault < FAKE_COUNT; fault++) {
            char what[120];
            fake_run_defaults(&run);
            run.events[0] = places[p].lead;
            run.events[1] = (struct fake_event){places[p].phase, places[p].after_s,
                                                (enum fake_fault)fault, false};
            fake_run(&run);
            snprintf(what, sizeof what, "%s, %g s into '%s' (%zu)",
                     fake_fault_name((enum fake_fault)fault), places[p].after_s,
                     run_phase_name(places[p].phase), p);
            if (!run.events[1].done)
                fail_msg("%s did not happen; phases:\n%s", what, run.phases);
            check_any_end(what);
            bool start = places[p].phase == PHASE_CONNECT || places[p].phase == PHASE_HOME ||
                         places[p].phase == PHASE_LISTEN;
            bool may_leave = fault == FAKE_HALT || start ||
                             (fault == FAKE_STOP &&
                              (places[p].phase == PHASE_GONE || places[p].lead.fault == FAKE_STOP));
            if (!may_leave && run.board != BOARD_PARKED)
                fail_msg("%s: %s\n%s", what, run.why, run.phases);
            runs++;
            complete += run.state == RUN_COMPLETE;
            parked += run.board == BOARD_PARKED;
        }
    print_message("%u runs, %u complete, %u parked\n", runs, complete, parked);
    /* Most are mended. */
    assert_true(complete > runs / 2);
}

/* Two faults at once, at any of the places: never a lie, never a move that must not be. */
static void every_pair_of_faults(void **state)
{
    (void)state;
    for (int first = 1; first < FAKE_COUNT; first++)
        for (int second = 1; second < FAKE_COUNT; second++) {
            char what[120];
            fake_run_defaults(&run);
            run.events[0] = (struct fake_event){PHASE_MEASURE, 15, (enum fake_fault)first, false};
            run.events[1] = (struct fake_event){PHASE_MEASURE, 15, (enum fake_fault)second, false};
            fake_run(&run);
            snprintf(what, sizeof what, "%s, then %s", fake_fault_name((enum fake_fault)first),
                     fake_fault_name((enum fake_fault)second));
            check_any_end(what);
        }
}

static void the_same_pass_again_and_again(void **state)
{
    (void)state;
    for (size_t i = 0; i < 4; i++)
        run.events[i] = (struct fake_event){PHASE_MEASURE, 4, FAKE_ALARM, false};
    run.apart_s = 1;
    fake_run(&run);
    check_any_end("four alarms");
    assert_int_equal(run.state, RUN_FAULTED);
    assert_int_equal(run.board, BOARD_PARKED);
    assert_contains(run.why, "the same pass was interrupted 3 times in a row");
}

static void the_axis_never_comes_back(void **state)
{
    (void)state;
    run.patience_s = 15; /* it would be back after 20 s */
    run.events[0] = (struct fake_event){PHASE_MEASURE, 15, FAKE_UNPLUG, false};
    fake_run(&run);
    check_any_end("unplugged");
    assert_int_equal(run.board, BOARD_LEFT);
    assert_contains(run.why, "nothing changed within 15 s; THE BOARD IS NOT PARKED");
    assert_near(run.end_s, 15 + 15 + 4, 3, "s");
}

static void without_a_switch_nothing_moves_after_a_reset(void **state)
{
    (void)state;
    run.axis_extra = "home none";
    run.events[0] = (struct fake_event){PHASE_MEASURE, 15, FAKE_RESET, false};
    fake_run(&run);
    check_any_end("reset without switch");
    assert_int_equal(run.board, BOARD_LEFT);
    assert_contains(run.why, "the axis has no switch to home to");
}

static void it_ends_in_time(void **state)
{
    (void)state;
    for (double until_s = 4; until_s < 60; until_s += 0.73) {
        fake_run_defaults(&run);
        run.until_s = until_s;
        run.events[0] = (struct fake_event){PHASE_MEASURE, 15, FAKE_SOURCE_GONE, false};
        fake_run(&run);
        assert_int_equal(run.state, RUN_COMPLETE);
        assert_int_equal(run.board, BOARD_PARKED);
        /* Not before homing and the way up are over. */
        if (run.end_s > fmax(until_s, 9) + 1e-6)
            fail_msg("until %g s, ended at %g s", until_s, run.end_s);
    }
}

int main(void)
{
#define CASE(name) cmocka_unit_test_setup(name, set_up)
    const struct CMUnitTest tests[] = {
        CASE(a_good_run),
        CASE(an_interruption_step_by_step),
        CASE(a_reset_is_homed_before_anything_moves),
        CASE(every_fault_in_every_phase),
        CASE(every_pair_of_faults),
        CASE(the_same_pass_again_and_again),
        CASE(the_axis_never_comes_back),
        CASE(without_a_switch_nothing_moves_after_a_reset),
        CASE(it_ends_in_time),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
