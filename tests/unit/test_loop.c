/* SPDX-License-Identifier: GPL-3.0-or-later
 * Hysteresis told from lag: exact cases, simulations with known truth, refusals. */
#include "check.h"
#include "montecarlo.h"

#include "results/loop.h"

#include <math.h>

#include <gsl/gsl_errno.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>

static const unsigned long seed = 20240202;

/* By hand: widths 1, 2, 4 at 10, 20, 40 mm/s lie on W = 0 + 0.1 v. */
static void straight(void **state)
{
    (void)state;
    const struct loop_pass passes[] = {{10, 1.3}, {20, 2.3}, {40, 4.3}, {10, 1.3}, {40, 4.3}};
    struct loop_fit fit;
    struct rig_err err;
    assert_int_equal(loop_separate(&fit, passes, 5, 0, &err), 0);
    assert_near(fit.hysteresis_mm.value, 0.3, 1e-12, "mm");
    assert_near(fit.lag_sum_s.value, 0.1, 1e-13, "s");
    assert_int_equal(fit.speeds, 3);
    assert_int_equal(fit.passes, 5);
    assert_true(fit.checked);
    assert_near(fit.hysteresis_mm.dof, 3, 0, "");
}

/* Ordinary least squares by hand: x = 10, 20, 30, y = 1, 2.2, 3: slope 0.1, intercept
 * 0.0666..., residual variance 0.0266..., u(slope)^2 = s^2/200. */
static void by_hand(void **state)
{
    (void)state;
    const struct loop_pass passes[] = {{10, 1}, {20, 2.2}, {30, 3}};
    struct loop_fit fit;
    struct rig_err err;
    assert_int_equal(loop_separate(&fit, passes, 3, 0, &err), 0);
    double variance = (4 * 0.04 + 4 * 0.04 + 16 * 0.04) / 36;
    assert_near(fit.lag_sum_s.value, 0.1, 1e-14, "s");
    assert_near(fit.hysteresis_mm.value, 1.0 / 15, 1e-13, "mm");
    assert_near(fit.lag_sum_s.u, sqrt(variance / 200), 1e-13, "s");
    assert_near(fit.hysteresis_mm.u, sqrt(variance * (1.0 / 3 + 400.0 / 200)), 1e-12, "mm");
    assert_near(fit.correlation, -20 * sqrt(1.0 / 200) / sqrt(1.0 / 3 + 2), 1e-12, "");
    assert_false(fit.checked); /* three passes for three parameters */
    assert_contains(fit.note, "too few to test");
    /* a common error of time of 1 ms moves the slope by 2 ms */
    assert_int_equal(loop_separate(&fit, passes, 3, 0.001, &err), 0);
    assert_near(fit.lag_sum_s.u, hypot(sqrt(variance / 200), 0.002), 1e-13, "s");
}

/* A film's v^(2/3) is found, and the curved fit gives the truth. */
static void curved(void **state)
{
    (void)state;
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(rng, seed);
    struct loop_pass passes[40];
    const double speeds[] = {2, 5, 15, 60};
    for (int i = 0; i < 40; i++) {
        double v = speeds[i % 4];
        passes[i].speed_mm_s = v;
        passes[i].width_mm = 0.4 + 0.01 * v + 0.1 * pow(v, 2.0 / 3) + gsl_ran_gaussian(rng, 0.01);
    }
    gsl_rng_free(rng);
    struct loop_fit fit;
    struct rig_err err;
    assert_int_equal(loop_separate(&fit, passes, 40, 0, &err), 0);
    assert_true(fit.curved);
    assert_contains(fit.note, "straight line");
    assert_near(fit.curved_hysteresis_mm.value, 0.4, 4 * fit.curved_hysteresis_mm.u, "mm");
    assert_near(fit.curved_lag_sum_s.value, 0.01, 4 * fit.curved_lag_sum_s.u, "s");
    assert_near(fit.curvature, 0.1, 4 * fit.curvature_u, "mm (mm/s)^(-2/3)");
    assert_true(fit.curvature_u < 0.01);
    /* while the straight line is far off at rest */
    assert_true(fit.hysteresis_mm.value > 0.5);
}

/* Scatter as of noise (the same at all speeds), of start times (grows with speed), both. */
static void simulated(void **state)
{
    (void)state;
    print_message("seed %lu\n", seed);
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(rng, seed);
    const double speeds[] = {5, 10, 20, 40};
    const struct {
        const char *hysteresis, *lag;
        double still_mm, time_s;
    } scatter[] = {{"H, even scatter", "lags, even scatter", 0.05, 0},
                   {"H, scatter of time", "lags, scatter of time", 0.002, 0.004},
                   {"H, both", "lags, both", 0.03, 0.003}};
    for (int kind = 0; kind < 3; kind++) {
        struct tally hysteresis = {.what = scatter[kind].hysteresis};
        struct tally lag = {.what = scatter[kind].lag};
        size_t false_alarms = 0, runs = 800;
        for (size_t run = 0; run < runs; run++) {
            struct loop_pass passes[20];
            for (int i = 0; i < 20; i++) {
                double v = speeds[i % 4];
                passes[i].speed_mm_s = v;
                passes[i].width_mm = 0.8 +
                                     v * (0.12 + gsl_ran_gaussian(rng, scatter[kind].time_s)) +
                                     gsl_ran_gaussian(rng, scatter[kind].still_mm);
            }
            struct loop_fit fit;
            struct rig_err err;
            assert_int_equal(loop_separate(&fit, passes, 20, 0, &err), 0);
            tally_add(&hysteresis, fit.hysteresis_mm.value, fit.hysteresis_mm.u,
                      fit.hysteresis_mm.dof, 0.8);
            tally_add(&lag, fit.lag_sum_s.value, fit.lag_sum_s.u, fit.lag_sum_s.dof, 0.12);
            false_alarms += fit.curved;
        }
        assert_honest(&hysteresis);
        assert_honest(&lag);
        print_message("curved by chance in %zu of %zu, 1 %% expected\n", false_alarms, runs);
        assert_true(false_alarms < 20);
        /* less than 3 % of one leaks into the other: of the lag (0.12 s at the mean speed of
         * 18.75 mm/s: 2.25 mm) into H, of H into the lag */
        assert_true(fabs(tally_bias(&hysteresis)) < 0.03 * 2.25);
        assert_true(fabs(tally_bias(&lag)) * 18.75 < 0.03 * 0.8);
    }
    gsl_rng_free(rng);
}

/* No leak at all without noise: H large and lag small, and the other way round. */
static void no_leak(void **state)
{
    (void)state;
    const double truths[][2] = {{2, 0.001}, {0.01, 0.5}, {0, 0.1}, {1, 0}};
    for (int k = 0; k < 4; k++) {
        struct loop_pass passes[6];
        const double speeds[] = {5, 20, 60};
        for (int i = 0; i < 6; i++)
            passes[i] =
                (struct loop_pass){speeds[i % 3], truths[k][0] + speeds[i % 3] * truths[k][1]};
        struct loop_fit fit;
        struct rig_err err;
        assert_int_equal(loop_separate(&fit, passes, 6, 0, &err), 0);
        assert_near(fit.hysteresis_mm.value, truths[k][0], 1e-11, "mm");
        assert_near(fit.lag_sum_s.value, truths[k][1], 1e-12, "s");
    }
}

static void directions(void **state)
{
    (void)state;
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(rng, seed + 1);
    struct tally centre = {.what = "centre"}, hysteresis = {.what = "H by direction"};
    struct tally rising = {.what = "lag rising"}, falling = {.what = "lag falling"};
    struct tally difference = {.what = "falling less rising"};
    const double speeds[] = {5, 15, 45};
    double common_u_s = 0.002;
    for (int run = 0; run < 800; run++) {
        struct loop_offset offsets[24];
        double late = gsl_ran_gaussian(rng, common_u_s); /* of the clock, all passes alike */
        for (int i = 0; i < 24; i++) {
            double v = speeds[i / 2 % 3];
            int up = i % 2 ? 1 : -1;
            double lag = (up > 0 ? 0.05 : 0.13) + late + gsl_ran_gaussian(rng, 0.001);
            offsets[i] = (struct loop_offset){
                v, up, 0.2 - up * (0.3 + v * lag) + gsl_ran_gaussian(rng, 0.02), 0};
        }
        struct loop_directions fit;
        struct rig_err err;
        assert_int_equal(loop_by_direction(&fit, offsets, 24, common_u_s, &err), 0);
        tally_add(&centre, fit.centre_mm.value, fit.centre_mm.u, fit.centre_mm.dof, 0.2);
        tally_add(&hysteresis, fit.hysteresis_mm.value, fit.hysteresis_mm.u, fit.hysteresis_mm.dof,
                  0.6);
        tally_add(&rising, fit.lag_rising_s.value, fit.lag_rising_s.u, fit.lag_rising_s.dof, 0.05);
        tally_add(&falling, fit.lag_falling_s.value, fit.lag_falling_s.u, fit.lag_falling_s.dof,
                  0.13);
        tally_add(&difference, fit.lag_difference_s.value, fit.lag_difference_s.u,
                  fit.lag_difference_s.dof, 0.08);
        assert_true(fit.checked);
    }
    gsl_rng_free(rng);
    assert_honest(&centre);
    assert_honest(&hysteresis);
    assert_honest(&rising);
    assert_honest(&falling);
    assert_honest(&difference);
}

static void refusals(void **state)
{
    (void)state;
    struct loop_pass passes[] = {{10, 1}, {10.1, 1.1}, {9.95, 1}, {20, 2}, {20, 2.1}};
    struct loop_fit fit;
    struct rig_err err;
    assert_int_equal(loop_separate(&fit, passes, 0, 0, &err), RIG_EUNKNOWABLE);
    assert_contains(err.text, "no up-and-down passes");
    assert_int_equal(loop_separate(&fit, passes, 3, 0, &err), RIG_EUNKNOWABLE);
    assert_contains(err.text, "one speed only");
    assert_int_equal(loop_separate(&fit, passes + 2, 2, 0, &err), RIG_EUNKNOWABLE);
    assert_contains(err.text, "one pass at each of two speeds");
    assert_int_equal(loop_separate(&fit, passes, 5, 0, &err), 0);
    assert_int_equal(fit.speeds, 2);
    assert_false(fit.checked);
    assert_contains(fit.note, "two speeds only");
    assert_true(isnan(fit.curvature));
    passes[1].width_mm = NAN;
    assert_int_equal(loop_separate(&fit, passes, 5, 0, &err), RIG_EINPUT);

    struct loop_offset offsets[] = {{10, 1, 0, 0}, {10, -1, 1, 0}, {20, 1, 0, 0}, {20, -1, 2, 0},
                                    {10, 1, 0, 0}, {10, -1, 1, 0}, {20, 1, 0, 0}, {20, -1, 2, 0}};
    struct loop_directions both;
    assert_int_equal(loop_by_direction(&both, offsets, 8, 0, &err), 0);
    assert_contains(both.note, "two speeds only");
    assert_near(both.lag_falling_s.value, 0.1, 1e-12, "s");
    assert_near(both.lag_rising_s.value, 0, 1e-12, "s");
    assert_int_equal(loop_by_direction(&both, offsets, 4, 0, &err), RIG_EUNKNOWABLE);
    assert_contains(err.text, "no spread");
    assert_int_equal(loop_by_direction(&both, offsets, 3, 0, &err), RIG_EUNKNOWABLE);
    assert_contains(err.text, "2 rising and 1 falling speeds");
    offsets[3].direction = 0;
    assert_int_equal(loop_by_direction(&both, offsets, 8, 0, &err), RIG_EINPUT);
}

/* Water that falls, or a zero that drifts, while one speed follows the other: no lag. */
static void drift_is_not_taken_for_a_difference_of_lags(void **state)
{
    (void)state;
    struct loop_offset offsets[32];
    const double speeds[] = {8, 16, 28, 45};
    double at_s = 0;
    for (int i = 0; i < 32; i++) {
        double v = speeds[i / 8];
        int up = i % 2 ? -1 : 1;
        double lag = up > 0 ? 0.05 : 0.13;
        at_s += 140 / v + 4;
        offsets[i] = (struct loop_offset){v, up, 0.2 - up * (0.3 + v * lag) - 1e-4 * at_s, at_s};
    }
    struct loop_directions fit;
    struct rig_err err;
    assert_int_equal(loop_by_direction(&fit, offsets, 32, 0, &err), 0);
    assert_near(fit.lag_difference_s.value, 0.08, 1e-9, "s");
    assert_near(fit.lag_rising_s.value, 0.05, 1e-9, "s");
    assert_near(fit.hysteresis_mm.value, 0.6, 1e-9, "mm");
}

int main(void)
{
    gsl_set_error_handler_off();
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(straight), cmocka_unit_test(by_hand),
        cmocka_unit_test(curved),   cmocka_unit_test(simulated),
        cmocka_unit_test(no_leak),  cmocka_unit_test(directions),
        cmocka_unit_test(refusals), cmocka_unit_test(drift_is_not_taken_for_a_difference_of_lags),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
