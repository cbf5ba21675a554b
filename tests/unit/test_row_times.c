/* SPDX-License-Identifier: GPL-3.0-or-later
 * Rows placed by the board's clock, against their known moments: adapters that gather bytes,
 * stalls, restarts, clocks that wander. All data is made here. */
#include "check.h"
#include "results/row_times.h"

#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>

#include <math.h>
#include <stdlib.h>

enum { ROWS = 60000, PIECE = 400 };

struct board {
    double interval_s, least_s, timer_s, spread_s, skew, wander_s, count_s;
    double true_s[ROWS], host_s[ROWS], device_s[ROWS], placed_s[ROWS];
    double restart_at_s, down_s, stall_at_s, stall_s;
};

static struct board board;
static gsl_rng *random_numbers;

/* Arrivals on the ticks of an adapter's timer, or late by an exponential; in order. */
static void send(void)
{
    double before = 0, restarted = 0, lost_s = 0;
    for (int i = 0; i < ROWS; i++) {
        double t = board.interval_s * i + 3;
        if (board.restart_at_s > 0 && t > board.restart_at_s)
            t += board.down_s;
        board.true_s[i] = t;
        double clock = (1 + board.skew) * t + board.wander_s * sin(t / 900);
        /* After a restart the count goes on from where it was: the decoder sees to that. */
        if (board.restart_at_s > 0 && t > board.restart_at_s && restarted == 0) {
            restarted = 1;
            lost_s = clock - board.device_s[i - 1];
        }
        clock -= lost_s;
        board.device_s[i] =
            board.count_s > 0 ? floor(clock / board.count_s) * board.count_s : clock;
        double arrives = t + board.least_s;
        if (board.spread_s > 0)
            arrives += gsl_ran_exponential(random_numbers, board.spread_s);
        if (board.timer_s > 0)
            arrives = ceil(arrives / board.timer_s) * board.timer_s;
        if (board.stall_s > 0 && arrives > board.stall_at_s &&
            arrives < board.stall_at_s + board.stall_s)
            arrives = board.stall_at_s + board.stall_s;
        before = board.host_s[i] = fmax(arrives, before);
    }
}

/* From every `share`-th piece. */
static void place(struct row_times *times, int share)
{
    struct rig_err err = {0};
    *times = (struct row_times){0};
    for (int at = 0; at + PIECE <= ROWS; at += PIECE * share)
        assert_int_equal(row_times_add(times, board.host_s + at, board.device_s + at, PIECE, &err),
                         0);
    row_times_finish(times, board.count_s);
    row_times_place(times, board.host_s, board.device_s, ROWS, board.placed_s);
}

/* Largest distance of rows from[..to) from their moments, less the least delay. */
static double worst_s(int from, int to)
{
    double worst = 0;
    for (int i = from; i < to; i++)
        worst = fmax(worst, fabs(board.placed_s[i] - board.true_s[i] - board.least_s));
    return worst;
}

static void an_adapter_that_gathers_bytes(void **state)
{
    (void)state;
    for (int share = 1; share <= 16; share *= 4) {
        struct row_times times;
        board = (struct board){.interval_s = 0.010003, /* meets all phases of the timer */
                               .least_s = 0.001,
                               .timer_s = 0.016,
                               .skew = 80e-6,
                               .wander_s = 0.005,
                               .count_s = 1e-6};
        send();
        place(&times, share);
        assert_true(times.count > 0 && times.restarts == 0);
        print_message("of every %d. piece: worst %.3f ms, stated %.3f ms; mean delay %.2f ms\n",
                      share, 1e3 * worst_s(0, ROWS), 1e3 * times.u_s, 1e3 * times.delay_s);
        assert_true(worst_s(0, ROWS) < 0.5e-3); /* of 16 ms */
        assert_near(times.delay_s, 0.008, 0.001, "s");
        assert_true(times.u_s < 0.6e-3);
        row_times_free(&times);
    }
}

static void a_restart_of_the_board(void **state)
{
    (void)state;
    static const double downs_s[] = {0.4, 3, 40};
    for (size_t d = 0; d < 3; d++)
        for (int share = 1; share <= 8; share *= 8) {
            struct row_times times;
            board = (struct board){.interval_s = 0.01,
                                   .least_s = 0.001,
                                   .spread_s = 0.004,
                                   .skew = -50e-6,
                                   .count_s = 1e-6,
                                   .restart_at_s = 333.3,
                                   .down_s = downs_s[d]};
            send();
            place(&times, share);
            assert_int_equal(times.restarts, 1);
            int at = 0;
            while (board.true_s[at] < board.restart_at_s)
                at++;
            assert_true(worst_s(0, at) < 0.6e-3);
            assert_true(worst_s(at, ROWS) < 0.6e-3);
            row_times_free(&times);
        }
}

/* The host was held up: rows came at once, and belong where they were sampled. */
static void a_stall_of_the_host(void **state)
{
    (void)state;
    struct row_times times;
    board = (struct board){.interval_s = 0.01,
                           .least_s = 0.001,
                           .spread_s = 0.002,
                           .count_s = 1e-6,
                           .stall_at_s = 100,
                           .stall_s = 2.5};
    send();
    board.device_s[50] = NAN;
    place(&times, 1);
    assert_int_equal(times.restarts, 0);
    assert_true(board.placed_s[50] == board.host_s[50]);
    board.placed_s[50] = board.true_s[50] + board.least_s;
    assert_true(worst_s(0, ROWS) < 0.4e-3);
    row_times_free(&times);
}

static void a_clock_that_does_not_help(void **state)
{
    (void)state;
    struct row_times times;
    /* Counts coarser than the arrivals scatter. */
    board = (struct board){
        .interval_s = 0.0103, .least_s = 0.001, .spread_s = 0.0001, .skew = 30e-6, .count_s = 1e-3};
    send();
    place(&times, 1);
    assert_int_equal(times.count, 0);
    for (int i = 0; i < ROWS; i++)
        assert_true(board.placed_s[i] == board.host_s[i]);
    row_times_free(&times);
    /* A clock that starts anew every few seconds. */
    for (int i = 0; i < ROWS; i++)
        board.device_s[i] = 3.7 * gsl_rng_uniform(random_numbers);
    place(&times, 1);
    assert_int_equal(times.count, 0);
    row_times_free(&times);
    times = (struct row_times){0};
    row_times_finish(&times, 1e-3);
    row_times_place(&times, board.host_s, board.device_s, 2, board.placed_s);
    assert_true(board.placed_s[1] == board.host_s[1]);
    row_times_free(&times);
}

static int set_up(void **state)
{
    (void)state;
    unsigned long seed = 20260413;
    random_numbers = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(random_numbers, seed);
    print_message("seed %lu\n", seed);
    return 0;
}

static int tear_down(void **state)
{
    (void)state;
    gsl_rng_free(random_numbers);
    return 0;
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(an_adapter_that_gathers_bytes),
        cmocka_unit_test(a_restart_of_the_board),
        cmocka_unit_test(a_stall_of_the_host),
        cmocka_unit_test(a_clock_that_does_not_help),
    };
    return cmocka_run_group_tests(tests, set_up, tear_down);
}
