/* SPDX-License-Identifier: GPL-3.0-or-later
 * Controllers described by a file: what is sent, what answers mean, what is wrong with a
 * file and where, and the wire of one that looks like no other. */
#include "axis_talk.h"
#include "check.h"

#include "base/file.h"
#include "motion/controller.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* Integers only, one line at a time, and a question that its answer takes. */
static const char own[] = "ends with cr\n"
                          "lines 1 at once\n"
                          "start \"UNITS STEPS\"\n"
                          "home \"FIND {letter}\"\n"
                          "place \"HERE {letter} {steps}\"\n"
                          "move \"GO {letter} {steps} AT {steps/s:0}\"\n"
                          "dwell \"SLEEP {ms}\"\n"
                          "wait \"SYNC\"\n"
                          "query \"WHERE {letter}?\"\n"
                          "halt \"STOP\"\n"
                          "kill \"ABORT\"\n"
                          "greets \"Bench stepper * here\"\n"
                          "taken \"DONE\"\n"
                          "position \"{letter} IS {steps}\", taken\n"
                          "busy \"WORKING*\"\n"
                          "refused \"WHAT? *\"\n"
                          "alarm \"SWITCH {letter}\"\n";

static void good(struct controller *controller, const char *text)
{
    struct rig_err err;
    if (controller_read(controller, "own.axis", text, strlen(text), &err))
        fail_msg("%s", err.text);
}

static struct rig_axis described(const char *text)
{
    struct rig_axis axis = wire_axis();
    snprintf(axis.speaks, sizeof axis.speaks, "own.axis");
    good(&axis.controller, text);
    return axis;
}

static void test_lines_are_made_from_templates(void **state)
{
    (void)state;
    static const struct {
        const char *template, *line;
    } cases[] = {
        {"G1 {letter}{mm} F{mm/min}", "G1 Z-12.3457 F630.000"},
        {"{letter}={mm:2}@{mm/s:1}", "Z=-12.35@10.5"},
        {"M {um:0} {um/s:0} {um/min}", "M -12346 10500 630000"},
        {"M {steps} {steps/s} {steps/min:0}", "M -4938 4200.000 252000"},
        {"D {s} {ms}", "D 0.250 250"},
        {"plain", "plain"},
    };
    const struct controller_values values = {
        .letter = 'Z', .wire_mm = -12.34567, .feed_mm_s = 10.5, .dwell_s = 0.25, .step_mm = 0.0025};
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        char text[80];
        size_t size = controller_compose(cases[i].template, &values, text, sizeof text);
        assert_string_equal(text, cases[i].line);
        assert_int_equal(size, strlen(text));
        for (size_t room = 1; room < 8; room++) /* cut, never beyond */
            assert_true(controller_compose(cases[i].template, &values, text, room) < room);
    }
}

static void test_answers_are_known_by_patterns(void **state)
{
    (void)state;
    static struct controller controller;
    good(&controller,
         "move \"G1 {mm} F{mm/s}\"\ndwell \"{s}\"\nwait \"w\"\nhalt \"h\"\nquery \"q\"\n"
         "taken \"ok*\"\nposition \"*{letter}:{mm}*\"\nposition \"at {steps} steps\"\n"
         "position \"<*|MPos:*,*,{um}|*>\", taken\nalarm \"*switch*{letter}\"\n"
         "refused \"no*\"\nbusy \"...\"\ngreets \"* ready\"\n");
    static const struct {
        const char *text;
        enum controller_heard means;
        double wire_mm;
        bool takes;
    } cases[] = {
        {"ok", CONTROLLER_TAKEN, NAN, true},
        {"ok T:20", CONTROLLER_TAKEN, NAN, true},
        {"OK", CONTROLLER_CHATTER, NAN, false},
        {"X:1.00 Y:2.00 Z:3.25 E:0", CONTROLLER_POSITION, 3.25, false},
        {"Z:-3.25", CONTROLLER_POSITION, -3.25, false},
        {"Z:3.2.5", CONTROLLER_CHATTER, NAN, false},
        {"Z:", CONTROLLER_CHATTER, NAN, false},
        {"Z:1e9", CONTROLLER_POSITION, 1, false}, /* 'e9' is what the star takes */
        {"Z:10000000", CONTROLLER_CHATTER, NAN, false},
        {"at 400 steps", CONTROLLER_POSITION, 1, false},
        {"at 400 steps!", CONTROLLER_CHATTER, NAN, false},
        {"<Run|MPos:1,2,2500|FS:0>", CONTROLLER_POSITION, 2.5, true},
        {"a switch of Z", CONTROLLER_ALARM, NAN, false},
        {"a switch of Y", CONTROLLER_CHATTER, NAN, false},
        {"no, never", CONTROLLER_REFUSED, NAN, false},
        {"...", CONTROLLER_BUSY, NAN, false},
        {"board 7 ready", CONTROLLER_GREETS, NAN, false},
        {"", CONTROLLER_CHATTER, NAN, false},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        double wire_mm = 7;
        bool takes = true;
        enum controller_heard means =
            controller_hear(&controller, cases[i].text, 'Z', 0.0025, &wire_mm, &takes);
        if (means != cases[i].means)
            print_error("'%s'\n", cases[i].text);
        assert_int_equal(means, cases[i].means);
        assert_near(wire_mm, cases[i].wire_mm, 1e-12, "mm");
        assert_int_equal(takes, cases[i].takes);
    }
}

#define REST "dwell \"{s}\"\nwait \"w\"\nhalt \"h\"\ntaken \"ok\"\n"
#define MOVE "move \"{mm} {mm/s}\"\n"

static void test_mistakes_have_place_and_remedy(void **state)
{
    (void)state;
    static const struct {
        const char *text, *place, *says;
    } wrong[] = {
        {"", ":1:1:", "how to move; add 'move"},
        {MOVE, ":1:1:", "add 'dwell"},
        {MOVE "dwell \"{s}\"\nhalt \"h\"\n", ":1:1:", "add 'wait"},
        {MOVE "dwell \"{s}\"\nwait \"w\"\n", ":1:1:", "add 'halt"},
        {MOVE "dwell \"{s}\"\nwait \"w\"\nhalt \"h\"\n", ":1:1:", "add 'taken"},
        {MOVE REST "query \"q\"\n", ":1:1:", "add 'position"},
        {MOVE REST "position \"{mm}\"\n", ":1:1:", "add 'query"},
        {MOVE MOVE REST, ":2:1:", "given already"},
        {"move G1\n" REST, ":1:6:", "quotes"},
        {"move \"\"\n" REST, ":1:6:", "empty"},
        {"move \"G1 {mm}\"\n" REST, ":1:6:", "a place and a speed"},
        {"move \"G1 {mm} {mm} {mm/s}\"\n" REST, ":1:6:", "there already"},
        {"move \"G1 {mm} {inch/s}\"\n" REST, ":1:6:", "'{inch/s}' is no field that belongs here"},
        {"move \"G1 {mm} {mm/s:9}\"\n" REST, ":1:6:", "no field"},
        {"move \"G1 {mm} {mm/s\"\n" REST, ":1:6:", "no field"},
        {"move \"G1 {mm} mm/s}\"\n" REST, ":1:6:", "no field"},
        {"move \"G1 {mm} {mm/s} {s}\"\n" REST, ":1:6:", "'{s}' is no field that belongs here"},
        {"move \"G1 {mm} {mm/s} 1234567890123456789012345678901234567890\"\n" REST,
         ":1:6:", "at most 47"},
        {"move \"\xc3\xa9 {mm} {mm/s}\"\n" REST, ":1:6:", "ASCII"},
        {MOVE REST "place \"p\"\n", ":6:7:", "a place needs"},
        {MOVE "dwell \"d\"\n", ":2:7:", "{s} or {ms}"},
        {MOVE REST "taken \"*\"\n", ":6:7:", "match whatever"},
        {MOVE REST "busy \"{mm}\"\n", ":6:6:", "no field"},
        {MOVE REST "position \"p\"\nquery \"q\"\n", ":6:10:", "a position needs"},
        {MOVE REST "ends lf\n", ":6:6:", "with"},
        {MOVE REST "ends with nl\n", ":6:11:", "crlf"},
        {MOVE REST "lines 0 at once\n", ":6:7:", ""},
        {MOVE REST "lines 2\n", ":6:8:", "at"},
        {MOVE REST "tkaen \"ok\"\n", ":6:1:", "taken"},
        {MOVE REST "taken \"ok\" always\n", ":6:12:", ""},
    };
    static struct controller controller;
    for (size_t i = 0; i < sizeof wrong / sizeof wrong[0]; i++) {
        struct rig_err err = {0};
        char place[40];
        int code =
            controller_read(&controller, "own.axis", wrong[i].text, strlen(wrong[i].text), &err);
        snprintf(place, sizeof place, "own.axis%s", wrong[i].place);
        if (!code)
            fail_msg("nothing wrong with:\n%s", wrong[i].text);
        assert_contains(err.text, place);
        assert_contains(err.text, wrong[i].says);
    }
}

static void test_the_shipped_file_is_read(void **state)
{
    (void)state;
    char path[400], *text;
    size_t size;
    struct rig_err err;
    const char *top = getenv("WETSWEEP_SOURCE");
    static struct controller controller;
    snprintf(path, sizeof path, "%s/profiles/plain-lines.axis", top ? top : ".");
    if (file_read(path, 1 << 16, &text, &size, &err) ||
        controller_read(&controller, path, text, size, &err))
        fail_msg("%s", err.text);
    free(text);
    assert_int_equal(controller.at_once, 4);
}

static void connect_own(struct talk *talk)
{
    struct rig_err err;
    assert_int_equal(axis_connect(talk->axis, &err), 0);
    assert_string_equal(talk_sent(talk), "");
    talk_hear(talk, "Bench stepper 2 here\r\n");
    talk_wait_ms(talk, 300);
    assert_string_equal(talk_sent(talk), "UNITS STEPS\r");
    talk_hear(talk, "DONE\r\n");
    assert_contains(talk->events, "ready");
    talk_forget(talk);
}

static struct talk homed_own(void)
{
    struct rig_err err;
    struct talk talk = talk_open(described(own));
    connect_own(&talk);
    axis_home(talk.axis, &err);
    assert_string_equal(talk_sent(&talk), "FIND Z\r");
    talk_hear(&talk, "WORKING\r\nDONE\r\n");
    assert_string_equal(talk_sent(&talk), "HERE Z 0\r");
    talk_hear(&talk, "DONE\r\n");
    assert_string_equal(talk.events, "busy homed ");
    talk_forget(&talk);
    return talk;
}

static void test_one_line_at_a_time(void **state)
{
    (void)state;
    struct talk talk = homed_own();
    struct rig_err err;
    axis_move(talk.axis, 1, 10, 12.3456, &err);
    axis_dwell(talk.axis, 2, 0.5, &err);
    axis_settle(talk.axis, 3, &err);
    assert_string_equal(talk_sent(&talk), "GO Z 4000 AT 4938\r");
    axis_query(talk.axis, &err);
    assert_string_equal(talk_sent(&talk), "");
    talk_hear(&talk, "DONE\r\n");
    assert_string_equal(talk_sent(&talk), "WHERE Z?\r");
    talk_wait_ms(&talk, 5);
    talk_hear(&talk, "Z IS 1234\r\n"); /* and that is its answer */
    assert_string_equal(talk.events, "sent(1) accepted(1) position ");
    assert_near(talk.last.stage_mm, 3.085, 1e-9, "mm");
    talk_wait_ms(&talk, 900); /* with live positions a dwell waits for the motion */
    assert_string_equal(talk_sent(&talk), "SLEEP 500\r");
    talk_hear(&talk, "DONE\r\n");
    talk_wait_ms(&talk, 500);
    assert_string_equal(talk_sent(&talk), "SYNC\r");
    talk_hear(&talk, "DONE\r\n");
    assert_contains(talk.events, "accepted(3) settled(3) ");
    axis_free(talk.axis);
}

static void test_halt_while_a_line_waits_for_its_answer(void **state)
{
    (void)state;
    struct talk talk = homed_own();
    struct rig_err err;
    axis_move(talk.axis, 1, 100, 10, &err);
    talk_sent(&talk);
    axis_halt(talk.axis, false);
    assert_string_equal(talk_sent(&talk), "STOP\r"); /* waits for nothing */
    talk_hear(&talk, "DONE\r\nDONE\r\n");
    assert_string_equal(talk_sent(&talk), "SYNC\r");
    talk_hear(&talk, "DONE\r\n");
    assert_string_equal(talk_sent(&talk), "WHERE Z?\r");
    talk_hear(&talk, "Z IS 8123\r\n");
    assert_contains(talk.events, "halted ");
    assert_near(talk.last.stage_mm, 20.3075, 1e-9, "mm");
    assert_true(axis_knows_position(talk.axis));
    axis_move(talk.axis, 2, 0, 10, &err);
    assert_string_equal(talk_sent(&talk), "GO Z 0 AT 4000\r");
    axis_halt(talk.axis, true);
    assert_string_equal(talk_sent(&talk), "ABORT\r");
    assert_false(axis_knows_position(talk.axis));
    axis_free(talk.axis);
}

static void test_faults(void **state)
{
    (void)state;
    static const struct {
        const char *text;
        enum axis_event_kind kind;
        bool knows;
    } cases[] = {{"WHAT? GO", AXIS_REFUSED, true},
                 {"SWITCH Z", AXIS_ALARM, false},
                 {"Bench stepper 2 here", AXIS_RESET, false}};
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct talk talk = homed_own();
        struct rig_err err;
        axis_move(talk.axis, 4, 1, 10, &err);
        talk_sent(&talk);
        talk_hear(&talk, cases[i].text);
        talk_hear(&talk, "\r\n");
        assert_int_equal(talk.last.kind, cases[i].kind);
        assert_string_equal(talk.last.text, cases[i].text);
        assert_int_equal(axis_knows_position(talk.axis), cases[i].knows);
        assert_string_equal(talk_sent(&talk), "");
        axis_free(talk.axis);
    }
    struct talk talk = homed_own();
    struct rig_err err;
    axis_move(talk.axis, 4, 1, 10, &err);
    talk_sent(&talk);
    talk_hear(&talk, "idle talk\r\n");
    talk_wait_ms(&talk, 5200);
    assert_string_equal(talk.events, "sent(4) chatter silent ");
    axis_free(talk.axis);
}

static void test_one_that_never_tells_where_it_is(void **state)
{
    (void)state;
    struct rig_err err;
    struct talk talk = talk_open(described(MOVE "home \"hm\"\n" REST));
    axis_connect(talk.axis, &err);
    talk_sent(&talk);
    talk_wait_ms(&talk, 2100);
    assert_string_equal(talk_sent(&talk), "w\n"); /* no start: something that is answered */
    talk_hear(&talk, "ok\n");
    axis_home(talk.axis, &err);
    assert_string_equal(talk_sent(&talk), "hm\n");
    talk_hear(&talk, "ok\n");
    axis_move(talk.axis, 1, 100, 10, &err);
    assert_string_equal(talk_sent(&talk), "100.0000 10.00000\n");
    axis_halt(talk.axis, false);
    assert_string_equal(talk_sent(&talk), "h\nw\n");
    talk_hear(&talk, "ok\nok\nok\n");
    assert_contains(talk.events, "halted ");
    assert_true(isnan(talk.last.stage_mm));
    assert_false(axis_knows_position(talk.axis)); /* somewhere on its way */
    assert_int_equal(axis_move(talk.axis, 2, 0, 10, &err), RIG_ELIMIT);
    assert_int_equal(axis_home(talk.axis, &err), 0);
    assert_string_equal(talk_sent(&talk), "hm\n");
    axis_free(talk.axis);
}

static void test_a_plan_is_what_is_sent(void **state)
{
    (void)state;
    struct rig_axis axis = described(own);
    for (double mm = -1; mm < 2; mm += 0.0137) {
        double wire = axis_wire_stage_mm(&axis, mm), steps = wire / 0.0025;
        assert_near(steps, rint(steps), 1e-9, "steps");
        assert_near(wire, mm, 0.00126, "mm");
        assert_near(axis_wire_stage_mm(&axis, wire), wire, 0, "mm");
    }
    for (double feed = 0.0001; feed < 60; feed *= 1.37) {
        double wire = axis_wire_feed_mm_s(&axis, feed), steps = wire / 0.0025;
        assert_true(wire > 0);
        assert_near(steps, rint(steps), 1e-2, "steps/s");
        assert_near(axis_wire_feed_mm_s(&axis, wire), wire, 0, "mm/s");
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_lines_are_made_from_templates),
        cmocka_unit_test(test_answers_are_known_by_patterns),
        cmocka_unit_test(test_mistakes_have_place_and_remedy),
        cmocka_unit_test(test_the_shipped_file_is_read),
        cmocka_unit_test(test_one_line_at_a_time),
        cmocka_unit_test(test_halt_while_a_line_waits_for_its_answer),
        cmocka_unit_test(test_faults),
        cmocka_unit_test(test_one_that_never_tells_where_it_is),
        cmocka_unit_test(test_a_plan_is_what_is_sent),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
