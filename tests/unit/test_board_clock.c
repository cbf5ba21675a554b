/* SPDX-License-Identifier: GPL-3.0-or-later
 * The board's clock: the line below all arrivals against every line that could be, known
 * skews under one-sided delays, windows, steps of the clock. */
#include "check.h"

#include "results/board_clock.h"

#include <math.h>
#include <stdio.h>

static double uniform(uint64_t *random)
{
    *random ^= *random << 13;
    *random ^= *random >> 7;
    *random ^= *random << 17;
    return ((double)(*random >> 11) + 0.5) * 0x1p-53;
}

static void test_line_is_the_best_of_all_lines_below_the_points(void **state)
{
    (void)state;
    enum { N = 40 };
    uint64_t random = 12345;
    for (int round = 0; round < 200; round++) {
        struct board_clock clock;
        struct board_clock_fit fit;
        double device[N], gap[N], t = 0;
        board_clock_init(&clock, 1000);
        for (int i = 0; i < N; i++) {
            device[i] = t += 0.1 + uniform(&random);
            gap[i] = 3 + 0.02 * t - 0.5 * log(uniform(&random));
            board_clock_add(&clock, device[i] + gap[i], device[i]);
        }
        assert_true(board_clock_fit(&clock, &fit));
        double found = 0, best = INFINITY;
        for (int k = 0; k < N; k++) {
            double delay = device[k] + gap[k] - board_clock_host_s(&fit, device[k]);
            assert_true(delay > -1e-9);
            found += delay;
        }
        for (int i = 0; i < N; i++) /* every line through two points */
            for (int j = i + 1; j < N; j++) {
                double slope = (gap[j] - gap[i]) / (device[j] - device[i]), sum = 0, least = 0;
                for (int k = 0; k < N; k++) {
                    double delay = gap[k] - gap[i] - slope * (device[k] - device[i]);
                    sum += delay;
                    least = fmin(least, delay);
                }
                if (least > -1e-9)
                    best = fmin(best, sum);
            }
        assert_near(found, best, 1e-7, "s");
        assert_near(fit.delay_mean_s, found / N, 1e-9, "s");
    }
}

/* A board of `rate` lines a second with exponential delays, its clock in ms counts. */
static void send(struct board_clock *clock, double from_s, double to_s, double rate_hz,
                 double gap_s, double skew, double delay_s, uint64_t *random)
{
    long lines = lround((to_s - from_s) * rate_hz);
    for (long i = 0; i < lines; i++) {
        double device = from_s + (double)i / rate_hz;
        double counted = floor(device * 1e3 + 1e-6) / 1e3;
        double host = gap_s + device * (1 + skew) - delay_s * log(uniform(random));
        board_clock_add(clock, host, counted);
    }
}

static void test_skew_and_offset_come_out_within_their_uncertainties(void **state)
{
    (void)state;
    int outside = 0;
    double worst_skew = 0, worst_gap = 0;
    for (uint64_t seed = 1; seed <= 40; seed++) {
        struct board_clock clock;
        struct board_clock_fit fit;
        uint64_t random = seed * 0x9E3779B97F4A7C15u;
        board_clock_init(&clock, 600);
        send(&clock, 0, 600, 100, 7, 40e-6, 2e-3, &random);
        assert_true(board_clock_fit(&clock, &fit));
        double true_gap = 7 + 40e-6 * fit.reference_device_s;
        outside +=
            fabs(fit.skew - 40e-6) > 3 * fit.skew_u || fabs(fit.gap_s - true_gap) > 3 * fit.gap_u_s;
        worst_skew = fmax(worst_skew, fabs(fit.skew - 40e-6));
        worst_gap = fmax(worst_gap, fabs(fit.gap_s - true_gap));
        assert_near(fit.delay_mean_s, 2e-3, 0.1e-3, "s");
        assert_near(fit.delay_sd_s, 2e-3, 0.1e-3, "s");
        assert_near(fit.span_s, 600, 0.02, "s");
    }
    printf("largest errors: skew %.3f ppm, offset %.1f us; %d of 40 outside\n", worst_skew * 1e6,
           worst_gap * 1e6, outside);
    assert_true(worst_skew < 0.2e-6);
    assert_true(worst_gap < 50e-6);
    assert_true(outside <= 2);
}

static void test_window_follows_a_clock_that_changes_with_warmth(void **state)
{
    (void)state;
    struct board_clock clock;
    struct board_clock_fit fit;
    uint64_t random = 99;
    board_clock_init(&clock, 300);
    send(&clock, 0, 1000, 50, 0, 10e-6, 1e-3, &random);
    assert_true(board_clock_fit(&clock, &fit));
    assert_near(fit.skew, 10e-6, 1e-6, "");
    assert_near(fit.span_s, 300, 6, "s"); /* steps of a sixtieth */
    send(&clock, 1000, 2000, 50, 1000 * (10e-6 - 60e-6), 60e-6, 1e-3, &random);
    assert_true(board_clock_fit(&clock, &fit));
    assert_near(fit.skew, 60e-6, 1e-6, "");
    assert_int_equal(board_clock_restarts(&clock), 0);
}

static void test_clock_that_steps_starts_anew(void **state)
{
    (void)state;
    struct board_clock clock;
    struct board_clock_fit fit;
    uint64_t random = 7;
    board_clock_init(&clock, 100);
    send(&clock, 50, 90, 50, 0, 0, 1e-3, &random);
    send(&clock, 0, 40, 50, 90, 0, 1e-3, &random); /* counts from 0 again */
    assert_int_equal(board_clock_restarts(&clock), 1);
    assert_true(board_clock_fit(&clock, &fit));
    assert_near(board_clock_host_s(&fit, 20), 110, 1e-3, "s");
    send(&clock, 1000040, 1000080, 50, 90 - 1e6, 0, 1e-3, &random); /* set far ahead */
    assert_int_equal(board_clock_restarts(&clock), 2);
    assert_true(board_clock_fit(&clock, &fit));
    assert_near(board_clock_host_s(&fit, 1000060), 150, 1e-3, "s");
}

static void test_silence_of_hours_forgets_and_goes_on(void **state)
{
    (void)state;
    struct board_clock clock;
    struct board_clock_fit fit;
    uint64_t random = 3;
    board_clock_init(&clock, 100);
    send(&clock, 0, 50, 50, 1, 0, 1e-3, &random);
    send(&clock, 40000, 40050, 50, 1, 0, 1e-3, &random);
    assert_true(board_clock_fit(&clock, &fit));
    assert_near(fit.lines, 2500, 0.5, "");
    assert_int_equal(board_clock_restarts(&clock), 0);
}

static void test_too_little_says_so(void **state)
{
    (void)state;
    struct board_clock clock;
    struct board_clock_fit fit = {.skew = 42};
    board_clock_init(&clock, 100);
    assert_false(board_clock_fit(&clock, &fit));
    board_clock_add(&clock, NAN, 1);
    board_clock_add(&clock, 1, NAN);
    board_clock_add(&clock, 1, INFINITY);
    board_clock_add(&clock, 11, 1);
    board_clock_add(&clock, 11.1, 1);
    board_clock_add(&clock, 11.2, 1);
    assert_false(board_clock_fit(&clock, &fit)); /* one and the same count */
    assert_near(fit.skew, 42, 0, "");
    board_clock_add(&clock, 12, 2);
    assert_true(board_clock_fit(&clock, &fit));
    assert_near(fit.skew, 0, 1e-12, "");
}

static void test_points_that_curve_down_fill_no_more_than_the_room(void **state)
{
    (void)state;
    struct board_clock clock;
    struct board_clock_fit fit;
    board_clock_init(&clock, 6000);
    for (int i = 0; i <= 2000; i++) { /* all in few blocks, all of them corners */
        double t = 0.1 * i;
        board_clock_add(&clock, t + 5 + 1e-6 * (t - 100) * (t - 100), t);
    }
    assert_true(board_clock_fit(&clock, &fit));
    assert_near(fit.lines, 2001, 0, "");
    assert_near(fit.skew, 0, 5e-6, "");
    assert_near(fit.gap_s, 5, 5e-5, "s");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_line_is_the_best_of_all_lines_below_the_points),
        cmocka_unit_test(test_skew_and_offset_come_out_within_their_uncertainties),
        cmocka_unit_test(test_window_follows_a_clock_that_changes_with_warmth),
        cmocka_unit_test(test_clock_that_steps_starts_anew),
        cmocka_unit_test(test_silence_of_hours_forgets_and_goes_on),
        cmocka_unit_test(test_too_little_says_so),
        cmocka_unit_test(test_points_that_curve_down_fill_no_more_than_the_room),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
