/* SPDX-License-Identifier: GPL-3.0-or-later
 * The wire 'acknowledged-lines', host's end: silence, errors, restarts, halts, chatter and
 * garbage. Common practice, no source. */
#include "axis_talk.h"
#include "check.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const int64_t MS = 1000000;

static void test_silence_is_fatal_after_its_time(void **state)
{
    (void)state;
    struct talk talk = talk_homed(wire_axis());
    struct rig_err err;
    axis_move(talk.axis, 9, 1, 10, &err);
    talk_sent(&talk);
    talk_wait_ms(&talk, 5000); /* 0.1 s of motion, and a quarter of it */
    assert_false(strstr(talk.events, "silent") != NULL);
    talk_wait_ms(&talk, 200);
    assert_string_equal(talk.events, "sent(9) silent ");
    assert_int_equal(talk.last.tag, 9);
    assert_contains(talk.last.text, "no answer to 'N5 G1 Z1.0000");
    assert_int_equal(axis_room(talk.axis), 0);
    talk_wait_ms(&talk, 100000);
    assert_string_equal(talk.events, "sent(9) silent ");
    axis_free(talk.axis);
}

static void test_busy_notices_and_long_motion_extend_the_wait(void **state)
{
    (void)state;
    struct talk talk = talk_homed(wire_axis());
    struct rig_err err;
    axis_move(talk.axis, 1, 150, 1, &err); /* 150 s */
    talk_sent(&talk);
    talk_hear(&talk, "ok\n");
    axis_settle(talk.axis, 2, &err);
    talk_wait_ms(&talk, 149000);
    assert_string_equal(talk_sent(&talk), ""); /* held back, so that questions are answered */
    talk_wait_ms(&talk, 1100);
    assert_contains(talk_sent(&talk), "M400");
    for (int i = 0; i < 20; i++) {
        talk_wait_ms(&talk, 4000);
        talk_hear(&talk, "echo:busy: processing\n");
    }
    assert_false(strstr(talk.events, "silent") != NULL);
    talk_hear(&talk, "ok\n");
    assert_contains(talk.events, "accepted(2) settled(2) ");
    axis_free(talk.axis);
}

static void test_chatter_is_kept_and_means_nothing(void **state)
{
    (void)state;
    struct talk talk = talk_homed(wire_axis());
    struct rig_err err;
    axis_move(talk.axis, 1, 1, 10, &err);
    talk_sent(&talk);
    talk_hear(&talk, " T:20.1 /0.0 B:20.0 /0.0 @:0 B@:0\n\n\r\necho:SD card ready\n//action:none\n"
                     "okay\nX:0.00 Z:7.00\n");
    assert_string_equal(talk.events, "sent(1) chatter chatter chatter chatter chatter ");
    talk_hear(&talk, "ok T:20.1 /0.0\n");
    assert_contains(talk.events, "accepted(1)");
    axis_free(talk.axis);
}

static void test_error_texts(void **state)
{
    (void)state;
    static const struct {
        const char *text;
        enum axis_event_kind kind;
    } cases[] = {
        {"Error:Printed circuit too warm", AXIS_REFUSED},
        {"echo:Unknown command: \"G1 Z1\"", AXIS_REFUSED},
        {"Error:Machine halted. kill() called!", AXIS_ALARM},
        {"echo:endstops hit:  Z:12.30", AXIS_ALARM},
        {"!! stopped", AXIS_REFUSED},
        {"start", AXIS_RESET},
        {"Wave bench controller 2 ready", AXIS_RESET},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct talk talk = talk_homed(wire_axis());
        struct rig_err err;
        axis_move(talk.axis, 4, 1, 10, &err);
        talk_sent(&talk);
        talk_hear(&talk, cases[i].text);
        talk_hear(&talk, "\n");
        assert_int_equal(talk.last.kind, cases[i].kind);
        assert_string_equal(talk.last.text, cases[i].text);
        assert_int_equal(axis_room(talk.axis), 0);
        assert_int_equal(axis_knows_position(talk.axis), cases[i].kind == AXIS_REFUSED);
        assert_string_equal(talk_sent(&talk), "");
        axis_free(talk.axis);
    }
}

static void test_reset_needs_a_new_connection_and_homing(void **state)
{
    (void)state;
    struct talk talk = talk_homed(wire_axis());
    struct rig_err err;
    axis_move(talk.axis, 1, 1, 10, &err);
    talk_sent(&talk);
    talk_hear(&talk, "start\n");
    assert_contains(talk.events, "reset");
    axis_halt(talk.axis, false); /* nothing to halt: it stands */
    assert_string_equal(talk_sent(&talk), "");
    assert_contains(talk.events, "halted");
    talk_connect(&talk);
    assert_int_equal(axis_move(talk.axis, 1, 1, 10, &err), RIG_ELIMIT);
    axis_free(talk.axis);
}

static void test_restart_without_a_greeting_shows_in_the_line_numbers(void **state)
{
    (void)state;
    struct talk talk = talk_homed(wire_axis());
    struct rig_err err;
    for (unsigned i = 1; i < 60; i++) {
        axis_move(talk.axis, i, i, 60, &err);
        talk_sent(&talk);
        talk_hear(&talk, "ok\n");
        talk.now_ns += 100 * MS;
    }
    axis_move(talk.axis, 60, 60, 10, &err);
    talk_sent(&talk);
    talk_forget(&talk);
    talk_hear(&talk, "Error:Line Number is not Last Line Number+1, Last Line: 0\nResend: 1\nok\n");
    assert_contains(talk.events, "reset");
    axis_free(talk.axis);
}

static void test_halt_stops_and_says_where(void **state)
{
    (void)state;
    struct talk talk = talk_homed(wire_axis());
    struct rig_err err;
    for (unsigned i = 1; i <= 9; i++)
        axis_move(talk.axis, i, 20 * i, 10, &err);
    talk_sent(&talk);
    talk_hear(&talk, "ok\n");
    axis_query(talk.axis, &err);
    assert_contains(talk_sent(&talk), "M114");
    axis_halt(talk.axis, false);
    assert_int_equal(axis_room(talk.axis), 0);
    assert_string_equal(talk_sent(&talk), "M410\nM400\nM114\n");
    talk_forget(&talk);
    talk_hear(&talk, "ok\nX:0.00 Z:11.00\nok\nok\nok\n"); /* that was the earlier question */
    assert_string_equal(talk.events, "");
    talk_hear(&talk, "X:0.00 Z:12.25\nok\n");
    assert_string_equal(talk.events, "position halted ");
    assert_near(talk.last.stage_mm, 12.25, 0, "mm");
    assert_string_equal(talk_sent(&talk), "N0 M110 N0*125\n"); /* whatever was lost of the count */
    talk_hear(&talk, "ok\n");
    assert_true(axis_idle(talk.axis));
    assert_int_equal(axis_move(talk.axis, 20, 0, 60, &err), 0);
    assert_contains(talk_sent(&talk), "N1 G1 Z0.0000");
    axis_free(talk.axis);
}

static void test_halt_is_asked_for_again_and_then_silent(void **state)
{
    (void)state;
    struct talk talk = talk_homed(wire_axis());
    axis_halt(talk.axis, false);
    assert_string_equal(talk_sent(&talk), "M410\nM400\nM114\n");
    talk_wait_ms(&talk, 2000);
    assert_string_equal(talk_sent(&talk), "M410\nM400\nM114\n");
    talk_wait_ms(&talk, 60000);
    assert_string_equal(talk.events, "silent ");
    axis_free(talk.axis);
}

static void test_halt_now(void **state)
{
    (void)state;
    struct talk talk = talk_homed(wire_axis());
    struct rig_err err;
    char bytes[8];
    axis_move(talk.axis, 1, 100, 10, &err);
    assert_int_equal(axis_output(talk.axis, bytes, 3, talk.now_ns), 3);
    axis_halt(talk.axis, true);
    const char *rest = talk_sent(&talk); /* the line that was begun, and the stop */
    assert_true(rest[strlen(rest) - 6] == '\n');
    assert_contains(rest, "\nM112\n");
    assert_contains(talk.events, "halted");
    assert_false(axis_knows_position(talk.axis));
    assert_int_equal(axis_room(talk.axis), 0);
    axis_free(talk.axis);
}

static void test_garbage_never_crashes_and_never_answers(void **state)
{
    (void)state;
    struct talk talk = talk_homed(wire_axis());
    struct rig_err err;
    axis_move(talk.axis, 1, 1, 10, &err);
    talk_sent(&talk);
    char long_line[2000];
    memset(long_line, 'k', sizeof long_line);
    memcpy(long_line, "ok ", 3);
    axis_receive(talk.axis, long_line, sizeof long_line, talk.now_ns);
    axis_receive(talk.axis, "\0\0\xff\n\0\n", 6, talk.now_ns);
    talk_note(&talk);
    assert_false(strstr(talk.events, "accepted") != NULL);
    talk_hear(&talk, "ok\n");
    assert_contains(talk.events, "accepted(1)");
    axis_free(talk.axis);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_silence_is_fatal_after_its_time),
        cmocka_unit_test(test_busy_notices_and_long_motion_extend_the_wait),
        cmocka_unit_test(test_chatter_is_kept_and_means_nothing),
        cmocka_unit_test(test_error_texts),
        cmocka_unit_test(test_reset_needs_a_new_connection_and_homing),
        cmocka_unit_test(test_restart_without_a_greeting_shows_in_the_line_numbers),
        cmocka_unit_test(test_halt_stops_and_says_where),
        cmocka_unit_test(test_halt_is_asked_for_again_and_then_silent),
        cmocka_unit_test(test_halt_now),
        cmocka_unit_test(test_garbage_never_crashes_and_never_answers),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
