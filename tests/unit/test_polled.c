/* SPDX-License-Identifier: GPL-3.0-or-later
 * The wire 'status-polled', host's end: what is sent, what answers and reports mean, how
 * a stop comes about. Common practice, no source, but for the RS-274 words (NISTIR 6556). */
#include "axis_talk.h"
#include "check.h"
#include "polled_model.h"

#include "motion/axis_polled.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#define IDLE "<Idle|MPos:0.000,0.000,-1.000|FS:0,0|WCO:0.000,0.000,-1.000>\r\n"
#define MODES "[GC:G0 G54 G17 G21 G90 G94 M5 M9 T0 F0 S0]\r\n"

static void connect_talk(struct talk *talk)
{
    struct rig_err err;
    assert_int_equal(axis_connect(talk->axis, &err), 0);
    assert_string_equal(talk_sent(talk), "");
    talk_hear(talk, "\r\nModel 1.0 ['$' for help]\r\n[MSG:'$H'|'$X' to unlock]\r\n");
    talk_wait_ms(talk, 300);
    assert_string_equal(talk_sent(talk), "$X\n");
    talk_hear(talk, "[MSG:Caution: Unlocked]\r\nok\r\n");
    assert_string_equal(talk_sent(talk), "G21 G90 G94\n");
    talk_hear(talk, "ok\r\n");
    assert_string_equal(talk_sent(talk), "$G\n");
    talk_hear(talk, MODES "ok\r\n");
    assert_contains(talk->events, "ready");
    talk_forget(talk);
}

static struct talk homed(struct rig_axis settings)
{
    struct rig_err err;
    struct talk talk = talk_open(settings);
    connect_talk(&talk);
    assert_int_equal(axis_home(talk.axis, &err), 0);
    assert_string_equal(talk_sent(&talk), "$H\n");
    talk_hear(&talk, "ok\r\n");
    assert_string_equal(talk_sent(&talk), "G92 Z0.0000\n");
    talk_hear(&talk, "ok\r\n");
    assert_string_equal(talk_sent(&talk), "?");
    assert_false(axis_knows_position(talk.axis));
    talk_hear(&talk, IDLE);
    assert_string_equal(talk.events, "homed ");
    assert_true(axis_knows_position(talk.axis) && axis_idle(talk.axis));
    talk_forget(&talk);
    return talk;
}

static void test_greeting_unlocking_units_home(void **state)
{
    (void)state;
    struct talk talk = homed(polled_axis());
    axis_free(talk.axis);
}

static void test_a_controller_that_does_not_greet_is_reset(void **state)
{
    (void)state;
    struct talk talk = talk_open(polled_axis());
    struct rig_err err;
    axis_connect(talk.axis, &err);
    talk_sent(&talk);
    talk_wait_ms(&talk, 1900);
    assert_string_equal(talk_sent(&talk), "");
    talk_wait_ms(&talk, 200);
    assert_string_equal(talk_sent(&talk), "\x18");
    talk_hear(&talk, "Model 1.0 ['$' for help]\r\n");
    talk_wait_ms(&talk, 300);
    assert_string_equal(talk_sent(&talk), "$X\n");
    talk_hear(&talk, "ok\r\n");
    /* and when it starts again in between, so does the setting up */
    talk_hear(&talk, "Model 1.0 ['$' for help]\r\n");
    talk_wait_ms(&talk, 300);
    assert_string_equal(talk_sent(&talk), "$X\n");
    /* Once spoken to, it is reset before it is set up again: motion and alarms end. */
    axis_connect(talk.axis, &err);
    assert_string_equal(talk_sent(&talk), "\x18");
    axis_free(talk.axis);
}

static void test_units_that_are_not_confirmed_are_set_again(void **state)
{
    (void)state;
    struct talk talk = talk_open(polled_axis());
    struct rig_err err;
    axis_connect(talk.axis, &err);
    talk_sent(&talk);
    talk_hear(&talk, "Model 1.0 ['$' for help]\r\n");
    talk_wait_ms(&talk, 300);
    talk_sent(&talk);
    talk_hear(&talk, "ok\r\n");
    talk_sent(&talk);
    for (int i = 0; i < 4; i++) { /* G20 for G21: inches */
        talk_hear(&talk, "ok\r\n");
        assert_contains(talk_sent(&talk), "$G\n");
        talk_hear(&talk, "[GC:G0 G54 G17 G20 G90 G94]\r\nok\r\n");
        if (i == 3)
            break;
        assert_string_equal(talk_sent(&talk), "$X\n");
        talk_hear(&talk, "ok\r\n");
        assert_string_equal(talk_sent(&talk), "G21 G90 G94\n");
    }
    assert_int_equal(talk.last.kind, AXIS_REFUSED);
    assert_contains(talk.last.text, "does not confirm units and mode");
    assert_null(strstr(talk.events, "ready"));
    axis_free(talk.axis);
}

static void test_axis_without_a_switch_is_never_unlocked(void **state)
{
    (void)state;
    struct rig_axis settings = polled_axis();
    settings.homes = false;
    struct talk talk = talk_open(settings);
    struct rig_err err;
    axis_connect(talk.axis, &err);
    talk_sent(&talk);
    talk_hear(&talk, "Model 1.0 ['$' for help]\r\n[MSG:'$H'|'$X' to unlock]\r\n");
    talk_wait_ms(&talk, 300);
    assert_string_equal(talk_sent(&talk), "G21 G90 G94\n");
    talk_hear(&talk, "error:9\r\n");
    assert_int_equal(talk.last.kind, AXIS_ALARM);
    assert_contains(talk.last.text, "locked after an alarm");
    axis_free(talk.axis);
}

static void test_a_coordinate_that_came_through_wrong_is_set_again(void **state)
{
    (void)state;
    struct talk talk = talk_open(polled_axis());
    struct rig_err err;
    connect_talk(&talk);
    axis_home(talk.axis, &err);
    talk_sent(&talk);
    talk_hear(&talk, "ok\r\n");
    talk_sent(&talk);
    talk_hear(&talk, "ok\r\n");
    assert_string_equal(talk_sent(&talk), "?");
    talk_hear(&talk, "<Idle|MPos:0.000,0.000,-1.000|WCO:0.000,0.000,-21.000>\r\n"); /* Z20 */
    assert_string_equal(talk_sent(&talk), "G92 Z0.0000\n");
    talk_hear(&talk, "ok\r\n");
    assert_string_equal(talk_sent(&talk), "?");
    talk_hear(&talk, IDLE);
    assert_contains(talk.events, "homed");
    axis_free(talk.axis);
}

static void test_a_controller_that_never_tells_its_offset(void **state)
{
    (void)state;
    struct talk talk = talk_open(polled_axis());
    struct rig_err err;
    connect_talk(&talk);
    axis_home(talk.axis, &err);
    talk_sent(&talk);
    talk_hear(&talk, "ok\r\n");
    talk_sent(&talk);
    talk_hear(&talk, "ok\r\n");
    assert_string_equal(talk_sent(&talk), "?");
    talk_hear(&talk, "<Idle|MPos:0.000,0.000,-1.000|FS:0,0>\r\n");
    for (int i = 0; i < 40 && !strstr(talk.events, "homed"); i++) {
        talk_wait_ms(&talk, 101);
        if (strchr(talk_sent(&talk), '?'))
            talk_hear(&talk, "<Idle|MPos:0.000,0.000,-1.000|FS:0,0>\r\n");
    }
    assert_contains(talk.events, "chatter homed ");
    axis_query(talk.axis, &err);
    assert_string_equal(talk_sent(&talk), "?");
    talk_hear(&talk, "<Run|MPos:0.000,0.000,6.500|FS:0,0>\r\n");
    assert_near(talk.last.stage_mm, 7.5, 1e-9, "mm");
    axis_free(talk.axis);
}

static void test_lines_and_their_answers(void **state)
{
    (void)state;
    struct rig_axis settings = polled_axis();
    settings.reversed = true;
    struct talk talk = homed(settings);
    struct rig_err err;
    axis_move(talk.axis, 1, 12.34567, 10, &err);
    axis_dwell(talk.axis, 2, 0.25, &err);
    axis_settle(talk.axis, 3, &err);
    assert_string_equal(talk_sent(&talk), "G1 Z-12.3457 F600.000\nG4 P0.250\nG4 P0\n");
    talk_hear(&talk, "ok\r\nok\r\n");
    assert_contains(talk.events, "accepted(1) accepted(2) ");
    /* Rest is what a report shows, not what an answer may stand for. */
    talk_hear(&talk, "ok\r\n");
    assert_string_equal(talk_sent(&talk), "?");
    talk_hear(&talk, "<Run|MPos:0.000,0.000,-9.000|FS:600,0>\r\n");
    assert_null(strstr(talk.events, "settled"));
    talk_wait_ms(&talk, 150);
    assert_string_equal(talk_sent(&talk), "?");
    talk_hear(&talk, "<Idle|MPos:0.000,0.000,-13.346|FS:0,0>\r\n");
    assert_contains(talk.events, "accepted(3) settled(3) ");
    assert_int_equal(talk.last.kind, AXIS_SETTLED);
    assert_int_equal(talk.last.at_ns, talk.now_ns - 150000000); /* when its `ok` came */
    axis_free(talk.axis);
}

static void test_characters_are_counted(void **state)
{
    (void)state;
    struct talk talk = homed(polled_axis());
    struct rig_err err;
    for (uint64_t tag = 1; tag <= 12; tag++)
        axis_move(talk.axis, tag, 100 + 0.1234 * (double)tag, 20, &err); /* 23 bytes each */
    const char *sent = talk_sent(&talk);
    assert_int_equal(strlen(sent), 5 * 23); /* a sixth would be 138 of 127 */
    axis_query(talk.axis, &err);
    assert_string_equal(talk_sent(&talk), "?"); /* takes no room */
    talk_hear(&talk, "ok\r\n");
    assert_int_equal(strlen(talk_sent(&talk)), 23);
    talk_hear(&talk, "ok\r\nok\r\nok\r\n");
    assert_int_equal(strlen(talk_sent(&talk)), 3 * 23);
    axis_free(talk.axis);
}

static void test_reports(void **state)
{
    (void)state;
    static const struct {
        const char *text;
        char letter;
        bool good;
        enum polled_doing doing;
        double machine_mm, wire_mm, offset_mm;
    } cases[] = {
        {"<Idle|MPos:1.000,2.000,3.000|FS:0,0>", 'Z', true, POLLED_IDLE, 3, NAN, NAN},
        {"<Run|MPos:1.000,2.000,-3.125|Bf:15,128|FS:600,0|WCO:0.000,0.000,0.500>", 'Z', true,
         POLLED_MOVING, -3.125, NAN, 0.5},
        {"<Hold:0|WPos:1.000,2.000,3.000|FS:0,0>", 'X', true, POLLED_PAUSED, NAN, 1, NAN},
        {"<Hold:1|WPos:1.000,2.000,3.000>", 'Y', true, POLLED_SLOWING, NAN, 2, NAN},
        {"<Hold,MPos:5.529,0.560,7.000,WPos:1.529,-5.440,-0.000>", 'Z', true, POLLED_MAYBE_REST, 7,
         -0.0, NAN},
        {"<Alarm|MPos:0.000,0.000,0.000|FS:0,0>", 'Z', true, POLLED_LOCKED, 0, NAN, NAN},
        {"<Idle|MPos:1,2,3,4,5>", 'B', true, POLLED_IDLE, 5, NAN, NAN},
        {"<Idle|MPos:1,2,3,4>", 'E', true, POLLED_IDLE, 4, NAN, NAN},
        {"<Idle|MPos:1.000,2.000|FS:0,0>", 'Z', true, POLLED_IDLE, NAN, NAN, NAN},
        {"<Idle|FS:0,0>", 'Z', true, POLLED_IDLE, NAN, NAN, NAN},
        {"<Idle|MPos:1.000,2.000,3.0|00>", 'Z', true, POLLED_IDLE, 3, NAN, NAN},
        {"<Idle|MPos:1.000,2.000,3.000", 'Z', false, 0, 0, 0, 0},
        {"Idle|MPos:1.000,2.000,3.000>", 'Z', false, 0, 0, 0, 0},
        {"<Idel|MPos:1.000,2.000,3.000>", 'Z', false, 0, 0, 0, 0},
        {"<Idle|MPos:1.000,2.000,3..0>", 'Z', false, 0, 0, 0, 0},
        {"<Idle|MPos:1.000,2.000,>", 'Z', false, 0, 0, 0, 0},
        {"<Idle|MPos:1.000,2.000,1e9>", 'Z', false, 0, 0, 0, 0},
        {"<Idle|MPos:1.000,2.000,nan>", 'Z', false, 0, 0, 0, 0},
        {"<Idle|MP<Idle|MPos:1.000,2.000,3.000>", 'Z', false, 0, 0, 0, 0},
        {"<>", 'Z', false, 0, 0, 0, 0},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct polled_report report;
        bool good = polled_read_report(cases[i].text, cases[i].letter, &report);
        if (good != cases[i].good)
            fail_msg("%s is %s", cases[i].text, good ? "a report" : "none");
        if (!good)
            continue;
        assert_int_equal(report.doing, cases[i].doing);
        assert_near(report.machine_mm, cases[i].machine_mm, 0, "mm");
        assert_near(report.wire_mm, cases[i].wire_mm, 0, "mm");
        assert_near(report.offset_mm, cases[i].offset_mm, 0, "mm");
    }
}

static void test_position_lies_between_question_and_answer(void **state)
{
    (void)state;
    struct talk talk = homed(polled_axis());
    struct rig_err err;
    axis_move(talk.axis, 1, 50, 10, &err);
    talk_sent(&talk);
    talk_hear(&talk, "ok\r\n");
    int64_t asked = talk.now_ns;
    axis_query(talk.axis, &err);
    assert_string_equal(talk_sent(&talk), "?");
    talk_wait_ms(&talk, 7);
    axis_query(talk.axis, &err); /* one is open */
    assert_string_equal(talk_sent(&talk), "");
    talk_hear(&talk, "<Run|MPos:0.000,0.000,20.500|FS:600,0>\r\n");
    assert_int_equal(talk.last.kind, AXIS_POSITION);
    assert_near(talk.last.stage_mm, 21.5, 1e-9, "mm");
    assert_int_equal(talk.last.asked_ns, asked);
    assert_int_equal(talk.last.answered_ns, asked + 7000000);
    /* Without a question a report is not one's own. */
    talk_forget(&talk);
    talk_hear(&talk, "<Run|MPos:0.000,0.000,22.500|FS:600,0>\r\n");
    assert_string_equal(talk.events, "");
    /* A lost question is asked again; what it brackets began with the first. */
    asked = talk.now_ns;
    axis_query(talk.axis, &err);
    talk_sent(&talk);
    talk_wait_ms(&talk, 1100);
    assert_string_equal(talk_sent(&talk), "?");
    talk_hear(&talk, "<Run|MPos:0.000,0.000,33.500|FS:600,0>\r\n");
    assert_int_equal(talk.last.asked_ns, asked);
    /* Only we set the offset: one that comes once is damaged. */
    axis_query(talk.axis, &err);
    talk_sent(&talk);
    talk_hear(&talk, "<Run|MPos:0.000,0.000,34.500|WCO:0.000,0.000,0.000>\r\n");
    assert_near(talk.last.stage_mm, 35.5, 1e-9, "mm");
    axis_free(talk.axis);
}

static void test_no_report_is_silence(void **state)
{
    (void)state;
    struct talk talk = homed(polled_axis());
    struct rig_err err;
    axis_query(talk.axis, &err);
    talk_sent(&talk);
    talk_wait_ms(&talk, 4900);
    assert_string_equal(talk_sent(&talk), "????");
    assert_string_equal(talk.events, "");
    talk_wait_ms(&talk, 200);
    assert_string_equal(talk.events, "silent ");
    axis_free(talk.axis);
}

static void test_errors_alarms_and_restarts(void **state)
{
    (void)state;
    static const struct {
        const char *text;
        enum axis_event_kind kind;
        const char *words;
        bool knows;
    } cases[] = {
        {"error:20", AXIS_REFUSED, "error:20 (it can't read the line) for 'G1 Z1.0000", true},
        {"error:9", AXIS_ALARM, "locked after an alarm", false},
        {"error:4711", AXIS_REFUSED, "error:4711 for", true},
        {"ALARM:1", AXIS_ALARM, "ALARM:1 (an end switch was hit)", false},
        {"ALARM:3", AXIS_ALARM, "reset while it moved", false},
        {"<Alarm|MPos:0.000,0.000,0.000|FS:0,0>", AXIS_ALARM, "<Alarm|", false},
        {"Model 1.0 ['$' for help]", AXIS_RESET, "Model 1.0", false},
        {"[MSG:'$H'|'$X' to unlock]", AXIS_RESET, "to unlock", false},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct talk talk = homed(polled_axis());
        struct rig_err err;
        axis_move(talk.axis, 4, 1, 10, &err);
        talk_sent(&talk);
        talk_hear(&talk, cases[i].text);
        talk_hear(&talk, "\r\n");
        assert_int_equal(talk.last.kind, cases[i].kind);
        assert_contains(talk.last.text, cases[i].words);
        assert_int_equal(axis_room(talk.axis), 0);
        assert_int_equal(axis_knows_position(talk.axis), cases[i].knows);
        assert_string_equal(talk_sent(&talk), "");
        axis_free(talk.axis);
    }
}

static void test_chatter_means_nothing(void **state)
{
    (void)state;
    struct talk talk = homed(polled_axis());
    struct rig_err err;
    axis_move(talk.axis, 1, 1, 10, &err);
    talk_sent(&talk);
    talk_hear(&talk, "[MSG:Pgm End]\r\nokay\r\nok?\r\n<Idle|MPos:0.00\r\n$130=200.000\r\nOK!\r\n");
    assert_string_equal(talk.events, "sent(1) chatter chatter chatter chatter chatter chatter ");
    axis_free(talk.axis);
}

/* A line whose answer got lost: the reports show that it was carried out, or that it
 * was not. */
static void test_lost_answer_and_lost_line(void **state)
{
    (void)state;
    for (int lost_line = 0; lost_line < 2; lost_line++) {
        struct talk talk = homed(polled_axis());
        struct rig_err err;
        axis_move(talk.axis, 1, 10, 10, &err);
        axis_move(talk.axis, 2, 20, 10, &err);
        talk_sent(&talk);
        talk_hear(&talk, "ok\r\n");
        talk_wait_ms(&talk, 2900); /* 2 s of motion, and a second */
        assert_string_equal(talk_sent(&talk), "");
        const char *report = lost_line ? "<Idle|MPos:0.000,0.000,9.000|FS:0,0>\r\n"
                                       : "<Idle|MPos:0.000,0.000,19.000|FS:0,0>\r\n";
        for (int i = 0; i < 2; i++) {
            talk_wait_ms(&talk, i ? 480 : 150);
            assert_string_equal(talk_sent(&talk), "?");
            assert_null(strstr(talk.events, "accepted(2)"));
            talk_hear(&talk, report);
        }
        if (lost_line) {
            assert_int_equal(talk.last.kind, AXIS_REFUSED);
            assert_contains(talk.last.text,
                            "a line got lost: it stands at 10.000 mm, and was sent to 20.000 mm");
        } else {
            assert_contains(talk.events, "accepted(2) ");
            assert_true(axis_idle(talk.axis));
        }
        axis_free(talk.axis);
    }
}

static void test_pause_at_the_controller_is_told_and_not_taken_for_rest(void **state)
{
    (void)state;
    struct talk talk = homed(polled_axis());
    struct rig_err err;
    axis_move(talk.axis, 1, 50, 10, &err);
    axis_settle(talk.axis, 2, &err);
    talk_sent(&talk);
    talk_hear(&talk, "ok\r\n");
    for (int i = 0; i < 3; i++) {
        axis_query(talk.axis, &err);
        talk_sent(&talk);
        talk_hear(&talk, "<Hold:0|MPos:0.000,0.000,20.000|FS:0,0>\r\n");
    }
    const char *first = strstr(talk.events, "chatter");
    assert_non_null(first);
    assert_null(strstr(first + 1, "chatter")); /* once */
    for (int i = 0; i < 30 && !strstr(talk.events, "silent"); i++) {
        talk_wait_ms(&talk, 500);
        if (strchr(talk_sent(&talk), '?'))
            talk_hear(&talk, "<Hold:0|MPos:0.000,0.000,20.000|FS:0,0>\r\n");
    }
    assert_contains(talk.events, "silent");
    assert_null(strstr(talk.events, "settled"));
    axis_free(talk.axis);
}

static void test_halt_pauses_resets_and_sets_the_place_again(void **state)
{
    (void)state;
    struct talk talk = homed(polled_axis());
    struct rig_err err;
    axis_move(talk.axis, 1, 150, 10, &err);
    axis_move(talk.axis, 2, 10, 10, &err);
    talk_sent(&talk);
    talk_hear(&talk, "ok\r\n");
    talk_wait_ms(&talk, 3000);
    axis_halt(talk.axis, false);
    assert_string_equal(talk_sent(&talk), "!?");
    talk_hear(&talk, "ok\r\n<Hold:1|MPos:0.000,0.000,28.900|FS:0,0>\r\n");
    talk_wait_ms(&talk, 101);
    assert_string_equal(talk_sent(&talk), "?");
    talk_hear(&talk, "<Hold:0|MPos:0.000,0.000,29.125|FS:0,0>\r\n");
    talk_wait_ms(&talk, 101);
    assert_string_equal(talk_sent(&talk), "?");
    talk_hear(&talk, "<Hold:0|MPos:0.000,0.000,29.125|FS:0,0>\r\n");
    assert_string_equal(talk_sent(&talk), "\x18");
    assert_false(axis_knows_position(talk.axis));
    talk_hear(&talk, "\r\nModel 1.0 ['$' for help]\r\n");
    talk_wait_ms(&talk, 300);
    assert_string_equal(talk_sent(&talk), "G21 G90 G94\n");
    talk_hear(&talk, "ok\r\n");
    assert_string_equal(talk_sent(&talk), "$G\n");
    talk_hear(&talk, MODES "ok\r\n");
    assert_string_equal(talk_sent(&talk), "G92 Z30.1250\n");
    talk_hear(&talk, "ok\r\n");
    assert_string_equal(talk_sent(&talk), "?");
    talk_hear(&talk, "<Idle|MPos:0.000,0.000,29.125|WCO:0.000,0.000,-1.000>\r\n");
    assert_string_equal(talk_sent(&talk), "?");
    talk_hear(&talk, "<Idle|MPos:0.000,0.000,29.125|FS:0,0>\r\n");
    assert_contains(talk.events, "position halted ");
    assert_near(talk.last.stage_mm, 30.125, 1e-9, "mm");
    assert_true(axis_knows_position(talk.axis) && axis_idle(talk.axis));
    assert_int_equal(axis_move(talk.axis, 3, 0, 60, &err), 0);
    assert_string_equal(talk_sent(&talk), "G1 Z0.0000 F3600.000\n");
    axis_free(talk.axis);
}

static void test_halt_that_found_it_moving_loses_the_position(void **state)
{
    (void)state;
    struct talk talk = homed(polled_axis());
    struct rig_err err;
    axis_move(talk.axis, 1, 150, 10, &err);
    talk_sent(&talk);
    axis_halt(talk.axis, false);
    talk_sent(&talk);
    for (int i = 0; i < 60 && !strchr(talk.out, '\x18'); i++) {
        talk_wait_ms(&talk, 100);
        if (strchr(talk.out, '?')) {
            talk_hear(&talk, "<Run|MPos:0.000,0.000,28.900|FS:0,0>\r\n"); /* obeys no pause */
            if (!strchr(talk.out, '\x18'))
                talk.out[0] = '\0';
        }
    }
    assert_contains(talk_sent(&talk), "\x18");
    talk_hear(&talk, "ALARM:3\r\nModel 1.0 ['$' for help]\r\n[MSG:'$H'|'$X' to unlock]\r\n");
    talk_wait_ms(&talk, 300);
    assert_string_equal(talk_sent(&talk), "$X\n");
    talk_hear(&talk, "ok\r\n");
    talk_sent(&talk);
    talk_hear(&talk, "ok\r\n");
    talk_sent(&talk);
    talk_hear(&talk, MODES "ok\r\n");
    assert_string_equal(talk_sent(&talk), "?");
    talk_hear(&talk, "<Idle|MPos:0.000,0.000,28.900|FS:0,0>\r\n");
    assert_contains(talk.events, "halted ");
    assert_true(isnan(talk.last.stage_mm));
    assert_false(axis_knows_position(talk.axis));
    assert_int_equal(axis_move(talk.axis, 2, 0, 10, &err), RIG_ELIMIT);
    assert_int_equal(axis_home(talk.axis, &err), 0);
    assert_string_equal(talk_sent(&talk), "$H\n");
    axis_free(talk.axis);
}

static void test_halt_at_once(void **state)
{
    (void)state;
    struct talk talk = homed(polled_axis());
    struct rig_err err;
    axis_move(talk.axis, 1, 150, 10, &err);
    talk_sent(&talk);
    axis_halt(talk.axis, true);
    assert_string_equal(talk_sent(&talk), "\x18");
    assert_contains(talk.events, "halted ");
    assert_true(isnan(talk.last.stage_mm));
    assert_int_equal(axis_room(talk.axis), 0);
    axis_free(talk.axis);
}

static void test_answers_too_many_settle_nothing_early(void **state)
{
    (void)state;
    struct talk talk = homed(polled_axis());
    struct rig_err err;
    axis_move(talk.axis, 1, 50, 10, &err);
    axis_settle(talk.axis, 2, &err);
    axis_move(talk.axis, 3, 10, 10, &err);
    talk_sent(&talk);
    talk_hear(&talk, "ok\r\nok\r\nok\r\n"); /* one was nobody's */
    assert_null(strstr(talk.events, "settled"));
    assert_null(strstr(talk.events, "accepted(3)"));
    talk_sent(&talk);
    talk_hear(&talk, "<Run|MPos:0.000,0.000,3.000|FS:600,0>\r\n");
    talk_wait_ms(&talk, 101);
    talk_sent(&talk);
    talk_hear(&talk, "<Idle|MPos:0.000,0.000,49.000|FS:0,0>\r\n");
    assert_contains(talk.events, "accepted(2) settled(2) accepted(3) ");
    axis_free(talk.axis);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_greeting_unlocking_units_home),
        cmocka_unit_test(test_a_controller_that_does_not_greet_is_reset),
        cmocka_unit_test(test_units_that_are_not_confirmed_are_set_again),
        cmocka_unit_test(test_axis_without_a_switch_is_never_unlocked),
        cmocka_unit_test(test_a_coordinate_that_came_through_wrong_is_set_again),
        cmocka_unit_test(test_a_controller_that_never_tells_its_offset),
        cmocka_unit_test(test_lines_and_their_answers),
        cmocka_unit_test(test_characters_are_counted),
        cmocka_unit_test(test_reports),
        cmocka_unit_test(test_position_lies_between_question_and_answer),
        cmocka_unit_test(test_no_report_is_silence),
        cmocka_unit_test(test_errors_alarms_and_restarts),
        cmocka_unit_test(test_chatter_means_nothing),
        cmocka_unit_test(test_lost_answer_and_lost_line),
        cmocka_unit_test(test_pause_at_the_controller_is_told_and_not_taken_for_rest),
        cmocka_unit_test(test_halt_pauses_resets_and_sets_the_place_again),
        cmocka_unit_test(test_halt_that_found_it_moving_loses_the_position),
        cmocka_unit_test(test_halt_at_once),
        cmocka_unit_test(test_answers_too_many_settle_nothing_early),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
