/* SPDX-License-Identifier: GPL-3.0-or-later
 * The wire 'acknowledged-lines', host's end: what is sent, what answers mean, how long
 * they may take. The dialect is common practice, no source, but for the RS-274 words
 * (NISTIR 6556). */
#include "check.h"
#include "wire_model.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const int64_t MS = 1000000;

struct talk {
    struct axis *axis;
    int64_t now_ns;
    char out[1024];    /* handed out since it was last looked at */
    char events[2048]; /* "ready sent(3) ..." of all so far */
    struct axis_event last;
};

static void note(struct talk *talk)
{
    struct axis_event event;
    while (axis_next_event(talk->axis, &event)) {
        size_t size = strlen(talk->events);
        bool tagged = event.kind == AXIS_SENT || event.kind == AXIS_ACCEPTED ||
                      event.kind == AXIS_SETTLED || event.kind == AXIS_REFUSED;
        snprintf(talk->events + size, sizeof talk->events - size, tagged ? "%s(%d) " : "%s ",
                 axis_event_name(event.kind), (int)event.tag);
        talk->last = event;
    }
}

static void hand_out(struct talk *talk)
{
    size_t size = strlen(talk->out);
    size += axis_output(talk->axis, talk->out + size, sizeof talk->out - 1 - size, talk->now_ns);
    talk->out[size] = '\0';
    note(talk);
}

/* What the axis has handed out since the last look. */
static const char *sent(struct talk *talk)
{
    static char bytes[sizeof talk->out];
    hand_out(talk);
    memcpy(bytes, talk->out, sizeof bytes);
    talk->out[0] = '\0';
    return bytes;
}

static void hear(struct talk *talk, const char *text)
{
    axis_receive(talk->axis, text, strlen(text), talk->now_ns);
    note(talk);
}

/* Moves on, by the deadlines that the axis itself names. */
static void wait_ms(struct talk *talk, int64_t ms)
{
    int64_t end = talk->now_ns + ms * MS;
    for (int64_t next; (next = axis_deadline_ns(talk->axis)) < end;) {
        if (next <= talk->now_ns)
            fail_msg("a deadline has passed and stays");
        talk->now_ns = next;
        axis_tick(talk->axis, talk->now_ns);
        hand_out(talk);
    }
    talk->now_ns = end;
    axis_tick(talk->axis, talk->now_ns);
    hand_out(talk);
}

static void forget(struct talk *talk)
{
    talk->events[0] = '\0';
}

static struct talk open_talk(struct rig_axis settings)
{
    struct rig_err err;
    struct talk talk = {.axis = axis_open(&settings, &err), .now_ns = 5000 * MS};
    assert_non_null(talk.axis);
    return talk;
}

static void connect_talk(struct talk *talk)
{
    struct rig_err err;
    assert_int_equal(axis_connect(talk->axis, &err), 0);
    assert_string_equal(sent(talk), "");
    hear(talk, "start\n");
    wait_ms(talk, 300);
    assert_string_equal(sent(talk), "N0 M110 N0*125\n");
    hear(talk, "ok\n");
    assert_string_equal(sent(talk), "N1 G21*27\n");
    hear(talk, "ok\n");
    assert_string_equal(sent(talk), "N2 G90*18\n");
    hear(talk, "ok\n");
    assert_contains(talk->events, "ready");
    forget(talk);
}

static struct talk homed_talk(struct rig_axis settings)
{
    struct rig_err err;
    struct talk talk = open_talk(settings);
    connect_talk(&talk);
    assert_false(axis_knows_position(talk.axis));
    assert_int_equal(axis_home(talk.axis, &err), 0);
    assert_contains(sent(&talk), "N3 G28 Z*");
    assert_string_equal(sent(&talk), "");
    hear(&talk, "ok\n");
    assert_contains(sent(&talk), "N4 G92 Z0.0000*");
    hear(&talk, "ok\n");
    assert_string_equal(talk.events, "homed ");
    assert_true(axis_knows_position(talk.axis) && axis_idle(talk.axis));
    forget(&talk);
    return talk;
}

static void test_greeting_then_units_then_home(void **state)
{
    (void)state;
    struct talk talk = homed_talk(wire_axis());
    axis_free(talk.axis);
}

static void test_checksum_is_the_exclusive_or_of_all_before_it(void **state)
{
    (void)state;
    /* "N1 G21": 4e^31 = 7f, ^20 = 5f, ^47 = 18, ^32 = 2a, ^31 = 1b = 27 */
    assert_int_equal('N' ^ '1' ^ ' ' ^ 'G' ^ '2' ^ '1', 27);
    struct talk talk = homed_talk(wire_axis());
    struct rig_err err;
    assert_int_equal(axis_move(talk.axis, 7, 12.34567, 10, &err), 0);
    const char *line = sent(&talk);
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
    struct talk talk = open_talk(wire_axis());
    struct rig_err err;
    axis_connect(talk.axis, &err);
    assert_string_equal(sent(&talk), "");
    wait_ms(&talk, 1900);
    assert_string_equal(sent(&talk), "");
    wait_ms(&talk, 200);
    assert_string_equal(sent(&talk), "N0 M110 N0*125\n");
    /* and when it starts only now, the words are said again */
    hear(&talk, "start\necho:all data invented\n");
    assert_string_equal(sent(&talk), "");
    wait_ms(&talk, 300);
    assert_string_equal(sent(&talk), "N0 M110 N0*125\n");
    hear(&talk, "ok\n");
    assert_contains(sent(&talk), "G21");
    axis_free(talk.axis);
}

static void test_limits_are_checked_on_every_line(void **state)
{
    (void)state;
    struct talk talk = open_talk(wire_axis());
    struct rig_err err;
    connect_talk(&talk);
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
    struct talk talk = open_talk(settings);
    struct rig_err err;
    connect_talk(&talk);
    assert_true(axis_knows_position(talk.axis));
    assert_int_equal(axis_home(talk.axis, &err), 0);
    assert_contains(sent(&talk), "N3 G92 Z0.0000*");
    hear(&talk, "ok\n");
    assert_contains(talk.events, "homed");
    assert_int_equal(axis_move(talk.axis, 1, 10, 10, &err), 0);
    axis_free(talk.axis);
}

static void test_reversed_axis_flips_the_sign_both_ways(void **state)
{
    (void)state;
    struct rig_axis settings = wire_axis();
    settings.reversed = true;
    struct talk talk = homed_talk(settings);
    struct rig_err err;
    axis_move(talk.axis, 1, 33.25, 20, &err);
    assert_contains(sent(&talk), "G1 Z-33.2500 F1200.000*");
    hear(&talk, "ok\n");
    axis_query(talk.axis, &err);
    assert_contains(sent(&talk), "M114*");
    talk.now_ns += 3 * MS;
    hear(&talk, "X:0.00 Y:0.00 Z:-12.50 E:0.00 Count X:0 Y:0 Z:-5000\nok\n");
    assert_int_equal(talk.last.kind, AXIS_POSITION);
    assert_near(talk.last.stage_mm, 12.5, 0, "mm");
    assert_int_equal(talk.last.answered_ns - talk.last.asked_ns, 3 * MS);
    axis_free(talk.axis);
}

static void test_buffer_bounds_the_lines_in_flight(void **state)
{
    (void)state;
    struct talk talk = homed_talk(wire_axis());
    struct rig_err err;
    for (unsigned i = 1; i <= 5; i++)
        axis_move(talk.axis, i, i, 10, &err);
    const char *first = sent(&talk);
    assert_in_range(strlen(first), 60, 80);
    assert_int_equal(axis_in_flight(talk.axis), 3);
    assert_string_equal(talk.events, "sent(1) sent(2) sent(3) ");
    hear(&talk, "ok\n");
    assert_string_equal(talk.events, "sent(1) sent(2) sent(3) accepted(1) ");
    assert_contains(sent(&talk), "Z4.0000");
    axis_free(talk.axis);
}

static void test_resend_goes_back_to_the_line_asked_for(void **state)
{
    (void)state;
    struct talk talk = homed_talk(wire_axis());
    struct rig_err err;
    for (unsigned i = 1; i <= 4; i++)
        axis_move(talk.axis, i, i, 10, &err);
    sent(&talk);
    hear(&talk, "Error:checksum mismatch, Last Line: 4\nResend: 5\nok\n");
    assert_contains(talk.events, "resend");
    assert_string_equal(sent(&talk), ""); /* the line behind it will be refused as well */
    const char *refused =
        "Error:Line Number is not Last Line Number+1, Last Line: 4\nResend: 5\nok\n";
    hear(&talk, refused);
    assert_string_equal(sent(&talk), "");
    hear(&talk, refused);
    const char *again = sent(&talk);
    assert_contains(again, "N5 G1 Z1.0000");
    assert_contains(again, "N6 G1 Z2.0000");
    hear(&talk, "ok\nok\n");
    assert_string_equal(talk.events, "sent(1) sent(2) sent(3) resend accepted(1) accepted(2) ");
    axis_free(talk.axis);
}

static void test_lost_ok_is_made_good_by_the_line_number(void **state)
{
    (void)state;
    struct talk talk = homed_talk(wire_axis());
    struct rig_err err;
    axis_move(talk.axis, 1, 1, 10, &err);
    sent(&talk);
    hear(&talk, "o\n"); /* was: ok */
    wait_ms(&talk, 2800);
    assert_contains(sent(&talk), "N5 G1 Z1.0000");
    hear(&talk, "Error:Line Number is not Last Line Number+1, Last Line: 5\nResend: 6\nok\n");
    assert_contains(talk.events, "accepted(1)");
    assert_false(strstr(talk.events, "silent") != NULL);
    wait_ms(&talk, 200);
    axis_move(talk.axis, 2, 2, 10, &err);
    assert_contains(sent(&talk), "N6 G1 Z2.0000");
    axis_free(talk.axis);
}

static void test_silence_is_fatal_after_its_time(void **state)
{
    (void)state;
    struct talk talk = homed_talk(wire_axis());
    struct rig_err err;
    axis_move(talk.axis, 9, 1, 10, &err);
    sent(&talk);
    wait_ms(&talk, 5000); /* 0.1 s of motion, and a quarter of it */
    assert_false(strstr(talk.events, "silent") != NULL);
    wait_ms(&talk, 200);
    assert_string_equal(talk.events, "sent(9) silent ");
    assert_int_equal(talk.last.tag, 9);
    assert_contains(talk.last.text, "no answer to 'N5 G1 Z1.0000");
    assert_int_equal(axis_room(talk.axis), 0);
    wait_ms(&talk, 100000);
    assert_string_equal(talk.events, "sent(9) silent ");
    axis_free(talk.axis);
}

static void test_busy_notices_and_long_motion_extend_the_wait(void **state)
{
    (void)state;
    struct talk talk = homed_talk(wire_axis());
    struct rig_err err;
    axis_move(talk.axis, 1, 150, 1, &err); /* 150 s */
    sent(&talk);
    hear(&talk, "ok\n");
    axis_settle(talk.axis, 2, &err);
    wait_ms(&talk, 149000);
    assert_string_equal(sent(&talk), ""); /* held back, so that questions are answered */
    wait_ms(&talk, 1100);
    assert_contains(sent(&talk), "M400");
    for (int i = 0; i < 20; i++) {
        wait_ms(&talk, 4000);
        hear(&talk, "echo:busy: processing\n");
    }
    assert_false(strstr(talk.events, "silent") != NULL);
    hear(&talk, "ok\n");
    assert_contains(talk.events, "accepted(2) settled(2) ");
    axis_free(talk.axis);
}

static void test_chatter_is_kept_and_means_nothing(void **state)
{
    (void)state;
    struct talk talk = homed_talk(wire_axis());
    struct rig_err err;
    axis_move(talk.axis, 1, 1, 10, &err);
    sent(&talk);
    hear(&talk, " T:20.1 /0.0 B:20.0 /0.0 @:0 B@:0\n\n\r\necho:SD card ready\n//action:none\n"
                "okay\nX:0.00 Z:7.00\n");
    assert_string_equal(talk.events, "sent(1) chatter chatter chatter chatter chatter ");
    hear(&talk, "ok T:20.1 /0.0\n");
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
        struct talk talk = homed_talk(wire_axis());
        struct rig_err err;
        axis_move(talk.axis, 4, 1, 10, &err);
        sent(&talk);
        hear(&talk, cases[i].text);
        hear(&talk, "\n");
        assert_int_equal(talk.last.kind, cases[i].kind);
        assert_string_equal(talk.last.text, cases[i].text);
        assert_int_equal(axis_room(talk.axis), 0);
        assert_int_equal(axis_knows_position(talk.axis), cases[i].kind == AXIS_REFUSED);
        assert_string_equal(sent(&talk), "");
        axis_free(talk.axis);
    }
}

static void test_reset_needs_a_new_connection_and_homing(void **state)
{
    (void)state;
    struct talk talk = homed_talk(wire_axis());
    struct rig_err err;
    axis_move(talk.axis, 1, 1, 10, &err);
    sent(&talk);
    hear(&talk, "start\n");
    assert_contains(talk.events, "reset");
    axis_halt(talk.axis, false); /* nothing to halt: it stands */
    assert_string_equal(sent(&talk), "");
    assert_contains(talk.events, "halted");
    connect_talk(&talk);
    assert_int_equal(axis_move(talk.axis, 1, 1, 10, &err), RIG_ELIMIT);
    axis_free(talk.axis);
}

static void test_restart_without_a_greeting_shows_in_the_line_numbers(void **state)
{
    (void)state;
    struct talk talk = homed_talk(wire_axis());
    struct rig_err err;
    for (unsigned i = 1; i < 60; i++) {
        axis_move(talk.axis, i, i, 60, &err);
        sent(&talk);
        hear(&talk, "ok\n");
        talk.now_ns += 100 * MS;
    }
    axis_move(talk.axis, 60, 60, 10, &err);
    sent(&talk);
    forget(&talk);
    hear(&talk, "Error:Line Number is not Last Line Number+1, Last Line: 0\nResend: 1\nok\n");
    assert_contains(talk.events, "reset");
    axis_free(talk.axis);
}

static void test_halt_stops_and_says_where(void **state)
{
    (void)state;
    struct talk talk = homed_talk(wire_axis());
    struct rig_err err;
    for (unsigned i = 1; i <= 9; i++)
        axis_move(talk.axis, i, 20 * i, 10, &err);
    sent(&talk);
    hear(&talk, "ok\n");
    axis_query(talk.axis, &err);
    assert_contains(sent(&talk), "M114");
    axis_halt(talk.axis, false);
    assert_int_equal(axis_room(talk.axis), 0);
    assert_string_equal(sent(&talk), "M410\nM400\nM114\n");
    forget(&talk);
    hear(&talk, "ok\nX:0.00 Z:11.00\nok\nok\nok\n"); /* that was the earlier question */
    assert_string_equal(talk.events, "");
    hear(&talk, "X:0.00 Z:12.25\nok\n");
    assert_string_equal(talk.events, "position halted ");
    assert_near(talk.last.stage_mm, 12.25, 0, "mm");
    assert_string_equal(sent(&talk), "N0 M110 N0*125\n"); /* whatever was lost of the count */
    hear(&talk, "ok\n");
    assert_true(axis_idle(talk.axis));
    assert_int_equal(axis_move(talk.axis, 20, 0, 60, &err), 0);
    assert_contains(sent(&talk), "N1 G1 Z0.0000");
    axis_free(talk.axis);
}

static void test_halt_is_asked_for_again_and_then_silent(void **state)
{
    (void)state;
    struct talk talk = homed_talk(wire_axis());
    axis_halt(talk.axis, false);
    assert_string_equal(sent(&talk), "M410\nM400\nM114\n");
    wait_ms(&talk, 2000);
    assert_string_equal(sent(&talk), "M410\nM400\nM114\n");
    wait_ms(&talk, 60000);
    assert_string_equal(talk.events, "silent ");
    axis_free(talk.axis);
}

static void test_halt_now(void **state)
{
    (void)state;
    struct talk talk = homed_talk(wire_axis());
    struct rig_err err;
    char bytes[8];
    axis_move(talk.axis, 1, 100, 10, &err);
    assert_int_equal(axis_output(talk.axis, bytes, 3, talk.now_ns), 3);
    axis_halt(talk.axis, true);
    const char *rest = sent(&talk); /* the line that was begun, and the stop */
    assert_true(rest[strlen(rest) - 6] == '\n');
    assert_contains(rest, "\nM112\n");
    assert_contains(talk.events, "halted");
    assert_false(axis_knows_position(talk.axis));
    assert_int_equal(axis_room(talk.axis), 0);
    axis_free(talk.axis);
}

static void test_line_numbers_start_again_before_the_sixth_digit(void **state)
{
    (void)state;
    /* NISTIR 6556 section 3.3.1: N and at most five digits */
    struct talk talk = homed_talk(wire_axis());
    struct rig_err err;
    bool again = false;
    for (unsigned i = 0; i < 100010; i++) {
        axis_move(talk.axis, i, i % 2, 60, &err);
        const char *line = sent(&talk);
        if (strcmp(line, "N0 M110 N0*125\n") == 0) {
            again = true;
            hear(&talk, "ok\n");
            line = sent(&talk);
            assert_contains(line, "N1 ");
        }
        assert_true(strchr(line, ' ') - line <= 6);
        hear(&talk, "ok\n");
        talk.now_ns += 20 * MS;
        forget(&talk);
    }
    assert_true(again);
    axis_free(talk.axis);
}

static void test_without_checksums_lines_are_bare(void **state)
{
    (void)state;
    struct rig_axis settings = wire_axis();
    settings.checksums = false;
    struct talk talk = open_talk(settings);
    struct rig_err err;
    axis_connect(talk.axis, &err);
    sent(&talk);
    hear(&talk, "start\n");
    wait_ms(&talk, 300);
    assert_string_equal(sent(&talk), "G21\n");
    hear(&talk, "ok\n");
    assert_string_equal(sent(&talk), "G90\n");
    hear(&talk, "ok\n");
    axis_home(talk.axis, &err);
    assert_string_equal(sent(&talk), "G28 Z\n");
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

static void test_garbage_never_crashes_and_never_answers(void **state)
{
    (void)state;
    struct talk talk = homed_talk(wire_axis());
    struct rig_err err;
    axis_move(talk.axis, 1, 1, 10, &err);
    sent(&talk);
    char long_line[2000];
    memset(long_line, 'k', sizeof long_line);
    memcpy(long_line, "ok ", 3);
    axis_receive(talk.axis, long_line, sizeof long_line, talk.now_ns);
    axis_receive(talk.axis, "\0\0\xff\n\0\n", 6, talk.now_ns);
    note(&talk);
    assert_false(strstr(talk.events, "accepted") != NULL);
    hear(&talk, "ok\n");
    assert_contains(talk.events, "accepted(1)");
    axis_free(talk.axis);
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
        cmocka_unit_test(test_silence_is_fatal_after_its_time),
        cmocka_unit_test(test_busy_notices_and_long_motion_extend_the_wait),
        cmocka_unit_test(test_chatter_is_kept_and_means_nothing),
        cmocka_unit_test(test_error_texts),
        cmocka_unit_test(test_reset_needs_a_new_connection_and_homing),
        cmocka_unit_test(test_restart_without_a_greeting_shows_in_the_line_numbers),
        cmocka_unit_test(test_halt_stops_and_says_where),
        cmocka_unit_test(test_halt_is_asked_for_again_and_then_silent),
        cmocka_unit_test(test_halt_now),
        cmocka_unit_test(test_line_numbers_start_again_before_the_sixth_digit),
        cmocka_unit_test(test_without_checksums_lines_are_bare),
        cmocka_unit_test(test_unknown_dialect_is_named_with_the_known_ones),
        cmocka_unit_test(test_garbage_never_crashes_and_never_answers),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
