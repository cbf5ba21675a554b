/* SPDX-License-Identifier: GPL-3.0-or-later
 * The wire 'acknowledged-lines', host's end: what is sent, what answers mean, how long
 * they may take. The dialect is common practice, no source, but for the RS-274 words
 * (NISTIR 6556). */
#include "axis_talk.h"
#include "check.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const int64_t MS = 1000000;

static void test_greeting_then_units_then_home(void **state)
{
    (void)state;
    struct talk talk = talk_homed(wire_axis());
    axis_free(talk.axis);
}

static void test_checksum_is_the_exclusive_or_of_all_before_it(void **state)
{
    (void)state;
    /* "N1 G21": 4e^31 = 7f, ^20 = 5f, ^47 = 18, ^32 = 2a, ^31 = 1b = 27 */
    assert_int_equal('N' ^ '1' ^ ' ' ^ 'G' ^ '2' ^ '1', 27);
    struct talk talk = talk_homed(wire_axis());
    struct rig_err err;
    assert_int_equal(axis_move(talk.axis, 7, 12.34567, 10, &err), 0);
    const char *line = talk_sent(&talk);
    assert_contains(line, "N5 G1 Z12.3457 F600.000*");
    int sum = 0;
    for (const char *at = line; *at != '*'; at++)
        sum ^= *at;
    assert_int_equal(atoi(strchr(line, '*') + 1), sum);
    axis_free(talk.axis);
}

static void test_board_that_does_not_greet_is_spoken_to_anyway(void **state)
{
    (void)state;
    struct talk talk = talk_open(wire_axis());
    struct rig_err err;
    axis_connect(talk.axis, &err);
    assert_string_equal(talk_sent(&talk), "");
    talk_wait_ms(&talk, 1900);
    assert_string_equal(talk_sent(&talk), "");
    talk_wait_ms(&talk, 200);
    assert_string_equal(talk_sent(&talk), "N0 M110 N0*125\n");
    /* and when it starts only now, the words are said again */
    talk_hear(&talk, "start\necho:all data invented\n");
    assert_string_equal(talk_sent(&talk), "");
    talk_wait_ms(&talk, 300);
    assert_string_equal(talk_sent(&talk), "N0 M110 N0*125\n");
    talk_hear(&talk, "ok\n");
    assert_contains(talk_sent(&talk), "G21");
    axis_free(talk.axis);
}

static void test_limits_are_checked_on_every_line(void **state)
{
    (void)state;
    struct talk talk = talk_open(wire_axis());
    struct rig_err err;
    talk_connect(&talk);
    assert_int_equal(axis_move(talk.axis, 1, 10, 10, &err), RIG_ELIMIT);
    assert_contains(err.text, "before homing");
    axis_home(talk.axis, &err);
    assert_int_equal(axis_move(talk.axis, 1, 200, 60, &err), 0);
    assert_int_equal(axis_move(talk.axis, 1, 0, 60, &err), 0);
    const double wrong[][2] = {{200.001, 10}, {-0.001, 10}, {NAN, 10}, {INFINITY, 10},
                               {10, 0},       {10, -1},     {10, NAN}, {10, 60.01}};
    for (size_t i = 0; i < sizeof wrong / sizeof wrong[0]; i++)
        assert_int_equal(axis_move(talk.axis, 1, wrong[i][0], wrong[i][1], &err), RIG_ELIMIT);
    assert_int_equal(axis_dwell(talk.axis, 1, -1, &err), RIG_ELIMIT);
    assert_int_equal(axis_dwell(talk.axis, 1, NAN, &err), RIG_ELIMIT);
    assert_int_equal(axis_room(talk.axis), 64 - 3);
    axis_free(talk.axis);
}

static void test_an_axis_without_a_switch_moves_at_once(void **state)
{
    (void)state;
    struct rig_axis settings = wire_axis();
    settings.homes = false;
    struct talk talk = talk_open(settings);
    struct rig_err err;
    talk_connect(&talk);
    assert_true(axis_knows_position(talk.axis));
    assert_int_equal(axis_home(talk.axis, &err), 0);
    assert_contains(talk_sent(&talk), "N3 G92 Z0.0000*");
    talk_hear(&talk, "ok\n");
    assert_contains(talk.events, "homed");
    assert_int_equal(axis_move(talk.axis, 1, 10, 10, &err), 0);
    axis_free(talk.axis);
}

static void test_reversed_axis_flips_the_sign_both_ways(void **state)
{
    (void)state;
    struct rig_axis settings = wire_axis();
    settings.reversed = true;
    struct talk talk = talk_homed(settings);
    struct rig_err err;
    axis_move(talk.axis, 1, 33.25, 20, &err);
    assert_contains(talk_sent(&talk), "G1 Z-33.2500 F1200.000*");
    talk_hear(&talk, "ok\n");
    axis_query(talk.axis, &err);
    assert_contains(talk_sent(&talk), "M114*");
    talk.now_ns += 3 * MS;
    talk_hear(&talk, "X:0.00 Y:0.00 Z:-12.50 E:0.00 Count X:0 Y:0 Z:-5000\nok\n");
    assert_int_equal(talk.last.kind, AXIS_POSITION);
    assert_near(talk.last.stage_mm, 12.5, 0, "mm");
    assert_int_equal(talk.last.answered_ns - talk.last.asked_ns, 3 * MS);
    axis_free(talk.axis);
}

static void test_buffer_bounds_the_lines_in_flight(void **state)
{
    (void)state;
    struct talk talk = talk_homed(wire_axis());
    struct rig_err err;
    for (unsigned i = 1; i <= 5; i++)
        axis_move(talk.axis, i, i, 10, &err);
    const char *first = talk_sent(&talk);
    assert_in_range(strlen(first), 60, 80);
    assert_int_equal(axis_in_flight(talk.axis), 3);
    assert_string_equal(talk.events, "sent(1) sent(2) sent(3) ");
    talk_hear(&talk, "ok\n");
    assert_string_equal(talk.events, "sent(1) sent(2) sent(3) accepted(1) ");
    assert_contains(talk_sent(&talk), "Z4.0000");
    axis_free(talk.axis);
}

static void test_resend_goes_back_to_the_line_asked_for(void **state)
{
    (void)state;
    struct talk talk = talk_homed(wire_axis());
    struct rig_err err;
    for (unsigned i = 1; i <= 4; i++)
        axis_move(talk.axis, i, i, 10, &err);
    talk_sent(&talk);
    talk_hear(&talk, "Error:checksum mismatch, Last Line: 4\nResend: 5\nok\n");
    assert_contains(talk.events, "resend");
    assert_string_equal(talk_sent(&talk), ""); /* the line behind it will be refused as well */
    const char *refused =
        "Error:Line Number is not Last Line Number+1, Last Line: 4\nResend: 5\nok\n";
    talk_hear(&talk, refused);
    assert_string_equal(talk_sent(&talk), "");
    talk_hear(&talk, refused);
    const char *again = talk_sent(&talk);
    assert_contains(again, "N5 G1 Z1.0000");
    assert_contains(again, "N6 G1 Z2.0000");
    talk_hear(&talk, "ok\nok\n");
    assert_string_equal(talk.events, "sent(1) sent(2) sent(3) resend accepted(1) accepted(2) ");
    axis_free(talk.axis);
}

static void test_lost_ok_is_made_good_by_the_line_number(void **state)
{
    (void)state;
    struct talk talk = talk_homed(wire_axis());
    struct rig_err err;
    axis_move(talk.axis, 1, 1, 10, &err);
    talk_sent(&talk);
    talk_hear(&talk, "o\n"); /* was: ok */
    talk_wait_ms(&talk, 2800);
    assert_contains(talk_sent(&talk), "N5 G1 Z1.0000");
    talk_hear(&talk, "Error:Line Number is not Last Line Number+1, Last Line: 5\nResend: 6\nok\n");
    assert_contains(talk.events, "accepted(1)");
    assert_false(strstr(talk.events, "silent") != NULL);
    talk_wait_ms(&talk, 200);
    axis_move(talk.axis, 2, 2, 10, &err);
    assert_contains(talk_sent(&talk), "N6 G1 Z2.0000");
    axis_free(talk.axis);
}

static void test_line_numbers_start_again_before_the_sixth_digit(void **state)
{
    (void)state;
    /* NISTIR 6556 section 3.3.1: N and at most five digits */
    struct talk talk = talk_homed(wire_axis());
    struct rig_err err;
    bool again = false;
    for (unsigned i = 0; i < 100010; i++) {
        axis_move(talk.axis, i, i % 2, 60, &err);
        const char *line = talk_sent(&talk);
        if (strcmp(line, "N0 M110 N0*125\n") == 0) {
            again = true;
            talk_hear(&talk, "ok\n");
            line = talk_sent(&talk);
            assert_contains(line, "N1 ");
        }
        assert_true(strchr(line, ' ') - line <= 6);
        talk_hear(&talk, "ok\n");
        talk.now_ns += 20 * MS;
        talk_forget(&talk);
    }
    assert_true(again);
    axis_free(talk.axis);
}

static void test_without_checksums_lines_are_bare(void **state)
{
    (void)state;
    struct rig_axis settings = wire_axis();
    settings.checksums = false;
    struct talk talk = talk_open(settings);
    struct rig_err err;
    axis_connect(talk.axis, &err);
    talk_sent(&talk);
    talk_hear(&talk, "start\n");
    talk_wait_ms(&talk, 300);
    assert_string_equal(talk_sent(&talk), "G21\n");
    talk_hear(&talk, "ok\n");
    assert_string_equal(talk_sent(&talk), "G90\n");
    talk_hear(&talk, "ok\n");
    axis_home(talk.axis, &err);
    assert_string_equal(talk_sent(&talk), "G28 Z\n");
    axis_free(talk.axis);
}

static void test_unknown_dialect_is_named_with_the_known_ones(void **state)
{
    (void)state;
    struct rig_axis settings = wire_axis();
    struct rig_err err;
    strcpy(settings.speaks, "whistling");
    assert_null(axis_open(&settings, &err));
    assert_int_equal(err.code, RIG_EINPUT);
    assert_contains(err.text, "'whistling'");
    assert_contains(err.text, "acknowledged-lines");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_greeting_then_units_then_home),
        cmocka_unit_test(test_checksum_is_the_exclusive_or_of_all_before_it),
        cmocka_unit_test(test_board_that_does_not_greet_is_spoken_to_anyway),
        cmocka_unit_test(test_limits_are_checked_on_every_line),
        cmocka_unit_test(test_an_axis_without_a_switch_moves_at_once),
        cmocka_unit_test(test_reversed_axis_flips_the_sign_both_ways),
        cmocka_unit_test(test_buffer_bounds_the_lines_in_flight),
        cmocka_unit_test(test_resend_goes_back_to_the_line_asked_for),
        cmocka_unit_test(test_lost_ok_is_made_good_by_the_line_number),
        cmocka_unit_test(test_line_numbers_start_again_before_the_sixth_digit),
        cmocka_unit_test(test_without_checksums_lines_are_bare),
        cmocka_unit_test(test_unknown_dialect_is_named_with_the_known_ones),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
