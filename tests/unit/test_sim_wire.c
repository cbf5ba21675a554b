/* SPDX-License-Identifier: GPL-3.0-or-later
 * The simulated controller's side of the wire: numbers, checksums, buffer, waits, stops. */
#include "check.h"
#include "sim_bench.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static void open_homed(struct test_bench *bench)
{
    test_bench_open(bench, 1);
    test_bench_do(bench, "G28");
    test_bench_hush(bench);
}

static void test_banner_and_unknown(void **state)
{
    (void)state;
    struct test_bench bench;
    test_bench_set(&bench);
    test_bench_open(&bench, 1);
    test_bench_wait(&bench, 0);
    assert_contains(bench.said, "start\n");
    test_bench_hush(&bench);
    test_bench_send(&bench, "M117 hello");
    test_bench_wait(&bench, 0);
    assert_string_equal(bench.said, "echo:unknown command \"M117 hello\"\nok\n");
    test_bench_hush(&bench);
    test_bench_send(&bench, "");
    test_bench_send(&bench, "  ; only a comment");
    test_bench_wait(&bench, 1);
    assert_string_equal(bench.said, "");
    test_bench_close(&bench);
}

static void test_checksum_and_numbers(void **state)
{
    (void)state;
    struct test_bench bench;
    test_bench_set(&bench);
    open_homed(&bench);
    test_bench_send_numbered(&bench, "G90");
    test_bench_wait(&bench, 0);
    assert_string_equal(bench.said, "ok\n");
    test_bench_hush(&bench);
    /* by hand: 4E ^ 32 ^ 20 ^ 47 ^ 39 ^ 31 = 13, 19 in decimals */
    test_bench_send(&bench, "N2 G91*19");
    test_bench_wait(&bench, 0);
    assert_string_equal(bench.said, "ok\n");
    static const struct {
        const char *line, *why;
    } refused[] = {{"N3 G91*19", "checksum"},    /* one bit of the line turned over */
                   {"N4 G90*20", "line number"}, /* right sum, one line left out */
                   {"N3 G90", "no checksum"},    {"G90*78", "no line number"},
                   {"N3 G90*", "checksum"},      {"N3 G90*999", "checksum"}};
    for (size_t i = 0; i < sizeof refused / sizeof refused[0]; i++) {
        test_bench_hush(&bench);
        test_bench_send(&bench, refused[i].line);
        test_bench_wait(&bench, 0);
        assert_contains(bench.said, refused[i].why);
        assert_contains(bench.said, "Resend: 3\nok\n");
        assert_int_equal(sim_tally(bench.sim).lines_refused, i + 1);
    }
    test_bench_hush(&bench);
    bench.line = 2;
    test_bench_send_numbered(&bench, "G90"); /* sent again as it was meant: taken */
    test_bench_wait(&bench, 0);
    assert_string_equal(bench.said, "ok\n");
    /* the count can be set anew */
    bench.line = 99;
    test_bench_send_numbered(&bench, "M110");
    test_bench_hush(&bench);
    test_bench_send_numbered(&bench, "G90");
    test_bench_wait(&bench, 0);
    assert_string_equal(bench.said, "ok\n");
    test_bench_hush(&bench);
    test_bench_send(&bench, "M110 N7"); /* and without a number of its own */
    bench.line = 7;
    test_bench_send_numbered(&bench, "G90");
    test_bench_wait(&bench, 0);
    assert_string_equal(bench.said, "ok\nok\n");
    assert_int_equal(sim_tally(bench.sim).lines_refused, 6);
    test_bench_close(&bench);
}

/* A bad byte in a row of lines: what follows the bad line asks for it again too, and
 * after a resend of all the motion is as if nothing had been. */
static void test_corrupted_among_many(void **state)
{
    (void)state;
    struct test_bench bench;
    test_bench_set(&bench);
    open_homed(&bench);
    test_bench_send_numbered(&bench, "G1 Z10 F1200");
    test_bench_send(&bench, "N2 G1 Z99 F1200*1");
    bench.line = 2;
    test_bench_send_numbered(&bench, "G1 Z30 F1200");
    test_bench_wait(&bench, 0);
    assert_contains(bench.said, "Resend: 2\n");
    assert_int_equal(sim_tally(bench.sim).lines_refused, 2);
    bench.line = 1;
    test_bench_send_numbered(&bench, "G1 Z20 F1200");
    test_bench_send_numbered(&bench, "G1 Z30 F1200");
    test_bench_hush(&bench);
    test_bench_send_numbered(&bench, "M400");
    test_bench_until(&bench, "ok\n");
    assert_near(sim_true_stage_mm(bench.sim, bench.now_ns), 30, 1e-9, "mm");
    test_bench_close(&bench);
}

/* A sender that doesn't wait for 'ok' loses bytes; one that does loses none. */
static void test_overrun(void **state)
{
    (void)state;
    struct test_bench bench;
    test_bench_set(&bench);
    open_homed(&bench);
    char line[64];
    uint64_t before = sim_tally(bench.sim).lines_taken;
    for (int i = 1; i <= 60; i++) {
        snprintf(line, sizeof line, "G1 Z%d F600", i);
        test_bench_send(&bench, line);
    }
    /* 16 lines in the queue, one waiting for room, 96 bytes behind it, the rest lost */
    assert_int_equal(sim_tally(bench.sim).lines_taken - before, 16);
    size_t sent = 0;
    for (int i = 18; i <= 60; i++)
        sent += (size_t)snprintf(line, sizeof line, "G1 Z%d F600\n", i);
    assert_int_equal(sim_tally(bench.sim).overruns, sent - 96);
    test_bench_close(&bench);

    test_bench_set(&bench);
    open_homed(&bench);
    for (int i = 1; i <= 60; i++) {
        snprintf(line, sizeof line, "G1 Z%d F600", i);
        test_bench_do(&bench, line);
    }
    test_bench_do(&bench, "M400");
    assert_int_equal(sim_tally(bench.sim).overruns, 0);
    assert_near(sim_true_stage_mm(bench.sim, bench.now_ns), 60, 1e-9, "mm");
    test_bench_close(&bench);
}

static void test_starved(void **state)
{
    (void)state;
    struct test_bench bench;
    test_bench_set(&bench);
    open_homed(&bench);
    test_bench_do(&bench, "G1 Z10 F1200");
    test_bench_wait(&bench, 1); /* it stands by now */
    test_bench_do(&bench, "G1 Z20 F1200");
    assert_int_equal(sim_tally(bench.sim).starved, 1);
    test_bench_do(&bench, "M400");
    test_bench_do(&bench, "G1 Z30 F1200"); /* after a wait on purpose: not late */
    test_bench_do(&bench, "G1 Z25 F1200"); /* a reversal isn't either */
    assert_int_equal(sim_tally(bench.sim).starved, 1);
    test_bench_close(&bench);
}

/* 'ok' of M400 comes when the motion has ended, with a notice every 2 s before. */
static void test_wait_for_the_end(void **state)
{
    (void)state;
    struct test_bench bench;
    test_bench_set(&bench);
    bench.truth.answer_delay_s = 0.003;
    open_homed(&bench);
    test_bench_do(&bench, "G1 Z100 F1200");
    double start = rig_ns_to_s(bench.now_ns) - 0.003;
    test_bench_send(&bench, "M400");
    test_bench_until(&bench, "busy: processing\n");
    assert_near(rig_ns_to_s(bench.now_ns) - start, 2.006, 1e-6, "s");
    test_bench_until(&bench, "busy: processing\n");
    test_bench_until(&bench, "ok\n");
    assert_near(rig_ns_to_s(bench.now_ns) - start, 5 + 20.0 / 900 + 0.003, 1e-6, "s");
    /* at rest it is answered at once; a dwell counts as motion */
    double rest = rig_ns_to_s(bench.now_ns);
    test_bench_do(&bench, "M400");
    assert_near(rig_ns_to_s(bench.now_ns) - rest, 0.003, 1e-6, "s");
    test_bench_send(&bench, "G4 P250");
    test_bench_until(&bench, "ok\n");
    assert_near(rig_ns_to_s(bench.now_ns) - rest, 0.006, 1e-6, "s");
    test_bench_do(&bench, "M400");
    assert_near(rig_ns_to_s(bench.now_ns) - rest, 0.003 + 0.25 + 0.003, 1e-6, "s");
    test_bench_close(&bench);
}

static void test_position_answers(void **state)
{
    (void)state;
    for (int reversed = 0; reversed < 2; reversed++)
        for (int live = 0; live < 2; live++) {
            struct test_bench bench;
            test_bench_set(&bench);
            bench.truth.live_position = live;
            bench.truth.home_mm = 200;
            bench.rig.axis.reversed = reversed;
            open_homed(&bench);
            test_bench_do(&bench, reversed ? "G1 Z-100 F1200" : "G1 Z100 F1200");
            test_bench_wait(&bench, 1 + 20.0 / 900 / 2);
            test_bench_hush(&bench);
            test_bench_send(&bench, "M114");
            test_bench_wait(&bench, 0);
            char expected[80];
            double place = live ? 180 : 100;
            snprintf(expected, sizeof expected, "X:0.0000 Y:0.0000 Z:%.4f\nok\n",
                     reversed ? -place : place);
            assert_string_equal(bench.said, expected);
            assert_near(sim_true_stage_mm(bench.sim, bench.now_ns), 180, 1e-6, "mm");
            test_bench_close(&bench);
        }
}

static void test_offset_and_relative(void **state)
{
    (void)state;
    struct test_bench bench;
    test_bench_set(&bench);
    open_homed(&bench);
    test_bench_do(&bench, "G1 Z50 F3000");
    test_bench_do(&bench, "M400");
    test_bench_do(&bench, "G92 Z0");
    test_bench_do(&bench, "G1 Z10");
    test_bench_do(&bench, "G91");
    test_bench_do(&bench, "G1 Z-2.5");
    test_bench_do(&bench, "g1 z1"); /* either case */
    test_bench_do(&bench, "M400");
    assert_near(sim_true_stage_mm(bench.sim, bench.now_ns), 58.5, 1e-9, "mm");
    test_bench_close(&bench);
}

/* M410 is obeyed though the parser is stuck behind a full queue; what was sent before it
 * is answered and forgotten, and the position is still known. */
static void test_stop_slows_down(void **state)
{
    (void)state;
    struct test_bench bench;
    test_bench_set(&bench);
    open_homed(&bench);
    char line[64];
    for (int i = 1; i <= 22; i++) {
        snprintf(line, sizeof line, "G1 Z%d F600", 10 * i);
        test_bench_send(&bench, line);
    }
    test_bench_wait(&bench, 1);
    double at_mm = sim_true_stage_mm(bench.sim, bench.now_ns);
    uint64_t taken = sim_tally(bench.sim).lines_taken;
    test_bench_send(&bench, "M410");
    test_bench_send(&bench, "M400");
    test_bench_wait(&bench, 1);
    double stop_mm = at_mm + 10.0 * 10 / (2 * 900);
    assert_near(sim_true_stage_mm(bench.sim, bench.now_ns), stop_mm, 1e-6, "mm");
    assert_int_equal(sim_tally(bench.sim).lines_taken - taken, 6 + 2); /* six waited */
    assert_int_equal(sim_tally(bench.sim).overruns, 0);
    test_bench_hush(&bench);
    test_bench_send(&bench, "M114");
    test_bench_wait(&bench, 0);
    char expected[64];
    snprintf(expected, sizeof expected, "Z:%.4f\n", stop_mm);
    assert_contains(bench.said, expected);
    test_bench_do(&bench, "G1 Z5 F1800"); /* and it still obeys */
    test_bench_do(&bench, "M400");
    assert_near(sim_true_stage_mm(bench.sim, bench.now_ns), 5, 1e-9, "mm");
    test_bench_close(&bench);
}

static void test_emergency_stop(void **state)
{
    (void)state;
    struct test_bench bench;
    test_bench_set(&bench);
    open_homed(&bench);
    test_bench_do(&bench, "G1 Z100 F1200");
    test_bench_send(&bench, "M400");
    test_bench_wait(&bench, 1);
    double at_mm = sim_true_stage_mm(bench.sim, bench.now_ns);
    test_bench_hush(&bench);
    test_bench_send_numbered(&bench, "M112");
    test_bench_wait(&bench, 1);
    assert_contains(bench.said, "Error:emergency stop");
    assert_near(sim_true_stage_mm(bench.sim, bench.now_ns), at_mm, 1e-9, "mm");
    test_bench_hush(&bench);
    test_bench_send(&bench, "G90");
    test_bench_wait(&bench, 5);
    assert_string_equal(bench.said, ""); /* dead until the supply goes off and on */
    sim_axis_power_cycle(bench.sim, bench.now_ns);
    test_bench_wait(&bench, 0);
    assert_contains(bench.said, "start\n");
    test_bench_do(&bench, "G28");
    test_bench_do(&bench, "G1 Z10 F1200");
    test_bench_do(&bench, "M400");
    assert_near(sim_true_stage_mm(bench.sim, bench.now_ns), 10, 1e-9, "mm");
    test_bench_close(&bench);
}

/* Bytes may come in any pieces. */
static void test_byte_by_byte(void **state)
{
    (void)state;
    struct test_bench bench;
    test_bench_set(&bench);
    open_homed(&bench);
    const char *text = "N1 G1 Z12 F1200*53\r\nM400\r\n";
    for (const char *c = text; *c; c++) {
        sim_axis_hears(bench.sim, c, 1, bench.now_ns);
        bench.now_ns += 86806; /* a byte at 115200 baud */
    }
    test_bench_until(&bench, "ok\n");
    test_bench_until(&bench, "ok\n");
    assert_near(sim_true_stage_mm(bench.sim, bench.now_ns), 12, 1e-9, "mm");
    test_bench_close(&bench);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_banner_and_unknown),
        cmocka_unit_test(test_checksum_and_numbers),
        cmocka_unit_test(test_corrupted_among_many),
        cmocka_unit_test(test_overrun),
        cmocka_unit_test(test_starved),
        cmocka_unit_test(test_wait_for_the_end),
        cmocka_unit_test(test_position_answers),
        cmocka_unit_test(test_offset_and_relative),
        cmocka_unit_test(test_stop_slows_down),
        cmocka_unit_test(test_emergency_stop),
        cmocka_unit_test(test_byte_by_byte),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
