/* SPDX-License-Identifier: GPL-3.0-or-later
 * What moves on the simulated board by itself: drift, temperature, a zero that wanders. */
#include "check.h"
#include "sim_bench.h"

#include "rig/sim_board.h"

#include <math.h>
#include <string.h>

/* Reads depth in mm; datum at 0, so depth = stage. */
static void set(struct test_bench *bench)
{
    test_bench_set(bench);
    bench->truth.datum_mm = 0;
    memset(bench->truth.curve, 0, sizeof bench->truth.curve);
    bench->truth.curve[1] = 1;
}

static void start(struct sim_board *board, struct test_bench *bench, double stage_mm)
{
    struct rig_err err = {0};
    if (sim_board_init(board, &bench->truth, &bench->rig.sources[0], stage_mm, 1, &err))
        fail_msg("%s", err.text);
}

/* The stage stays where it is. */
static void go_on(struct sim_board *board, double until_s)
{
    for (double t; (t = sim_board_next_s(board)) <= until_s + 1e-9;)
        sim_board_step(board, t, board->stage_mm);
}

static void test_drift_and_temperature(void **state)
{
    (void)state;
    struct test_bench bench;
    struct sim_board board;
    set(&bench);
    struct sim_truth *truth = &bench.truth;
    truth->curve[0] = 3;
    truth->zero_drift_per_h = 0.5;
    truth->span_drift_ppm_h = 10000;
    truth->evaporation_mm_h = 2;
    truth->water_degc = 25;
    truth->temperature_coefficient = 0.1;
    truth->span_temperature_ppm = 400;
    start(&board, &bench, 50);
    /* 5 degC above 20 */
    assert_near(board.reading, 3 + 50 * (1 + 0.002) + 0.5, 1e-9, "mm");
    go_on(&board, 1800);
    /* half an hour: the level fell 1 mm, so 49 mm are wet */
    assert_near(board.reading, 3 + 49 * (1 + 0.007) + 0.25 + 0.5, 1e-6, "mm");
    sim_board_drop(&board);
}

/* A zero that wanders keeps its standard deviation and forgets as stated: values one
 * memory apart correlate by 1/e. 1000 memories: either is right within about 5 %. */
static void test_wander(void **state)
{
    (void)state;
    struct test_bench bench;
    struct sim_board board;
    set(&bench);
    bench.truth.zero_wander = 0.5;
    bench.truth.zero_wander_s = 1;
    start(&board, &bench, 0);
    double square = 0, product = 0, before = board.wander;
    for (int i = 1; i <= 1000; i++) {
        go_on(&board, i);
        square += board.wander * board.wander / 1000;
        product += board.wander * before / 1000;
        before = board.wander;
        assert_near(board.reading, board.wander, 0.35, "mm");
    }
    assert_near(sqrt(square), 0.5, 0.05, "mm");
    assert_near(product / square, exp(-1), 0.12, "");
    sim_board_drop(&board);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_drift_and_temperature),
        cmocka_unit_test(test_wander),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
