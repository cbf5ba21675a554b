/* SPDX-License-Identifier: GPL-3.0-or-later
 * Zero, span and water told apart: exact cases, leaks of each into the others, nights
 * without a lift, with missing readings, with too little. */
#include "check.h"
#include "nights.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static const unsigned long seed = 20260417;

static double slope_of(const double t[], const double y[], size_t n)
{
    double tm = 0, ym = 0, tt = 0, ty = 0;
    for (size_t i = 0; i < n; i++) {
        tm += t[i] / (double)n;
        ym += y[i] / (double)n;
    }
    for (size_t i = 0; i < n; i++) {
        tt += (t[i] - tm) * (t[i] - tm);
        ty += (t[i] - tm) * (y[i] - ym);
    }
    return ty / tt;
}

struct slopes {
    double zero, span, water_mm;
};

static struct slopes slopes_of(const struct night *night)
{
    double t[200], zero[200], span[200], water[200];
    assert_true(night->count >= 2 && night->count <= 200);
    for (size_t i = 0; i < night->count; i++) {
        t[i] = night->cycles[i].t_s / 3600;
        zero[i] = night->cycles[i].zero;
        span[i] = night->cycles[i].span;
        water[i] = night->cycles[i].water_mm;
    }
    return (struct slopes){slope_of(t, zero, night->count), slope_of(t, span, night->count),
                           slope_of(t, water, night->count)};
}

static struct slopes solve_slopes(const struct night_truth *truth)
{
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(random, seed);
    struct test_night made;
    struct night solved;
    test_night_make(&made, truth, random);
    test_night_solve(&solved, &made);
    assert_true(solved.zero_told && solved.span_told && solved.water_told);
    assert_int_equal(solved.count, truth->cycles);
    struct slopes slopes = slopes_of(&solved);
    night_free(&solved);
    test_night_free(&made);
    gsl_rng_free(random);
    return slopes;
}

static void without_noise_all_three_come_back(void **state)
{
    (void)state;
    struct night_truth truth = night_truth_typical();
    truth.noise = 0;
    truth.zero.per_h = 0.4e-3;
    truth.span.per_h = 60e-6;
    truth.water.per_h = -0.15;
    struct slopes slopes = solve_slopes(&truth);
    /* Changes count from the mean of the night, when the span was 0.03 % larger: that much
     * of each, and what hysteresis as an offset does to the span. */
    assert_near(slopes.zero, 0.4e-3, 0.4e-6, "V/h");
    assert_near(slopes.span, 60e-6, 0.2e-6, "1/h");
    assert_near(slopes.water_mm, -0.15, 0.15e-3, "mm/h");
}

/* Each alone, large: what appears of the others, as a depth, against it. */
static void none_leaks_into_another(void **state)
{
    (void)state;
    const double slope = 0.021;
    struct night_truth truth = night_truth_typical();
    truth.water.per_h = -0.5;
    struct slopes slopes = solve_slopes(&truth);
    print_message("seed %lu: evaporation into zero %.4f %%, span at 150 mm %.4f %%\n", seed,
                  100 * fabs(slopes.zero / slope / 0.5), 100 * fabs(slopes.span * 150 / 0.5));
    assert_near(slopes.zero / slope, 0, 0.03 * 0.5, "mm/h");
    assert_near(slopes.span * 150, 0, 0.03 * 0.5, "mm/h");
    truth.water.per_h = 0;
    truth.zero.per_h = 0.5 * slope;
    slopes = solve_slopes(&truth);
    print_message("zero into water %.4f %%, span %.4f %%\n", 100 * fabs(slopes.water_mm / 0.5),
                  100 * fabs(slopes.span * 150 / 0.5));
    assert_near(slopes.water_mm, 0, 0.03 * 0.5, "mm/h");
    assert_near(slopes.span * 150, 0, 0.03 * 0.5, "mm/h");
    truth.zero.per_h = 0;
    truth.span.per_h = 0.5 / 150;
    slopes = solve_slopes(&truth);
    assert_near(slopes.water_mm, 0, 0.03 * 0.5, "mm/h");
    assert_near(slopes.zero / slope, 0, 0.03 * 0.5, "mm/h");
}

/* A straight board: with a lift all three are told, without one none is, and a reason
 * says so. A board that bends strongly tells them even so. */
static void a_straight_board_needs_the_lift(void **state)
{
    (void)state;
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(random, seed);
    struct night_truth truth = night_truth_typical();
    truth.curve[2] = 0;
    truth.water.per_h = -0.15;
    struct slopes slopes = solve_slopes(&truth);
    assert_near(slopes.water_mm, -0.15, 0.002, "mm/h");
    truth.lifts = false;
    struct test_night made;
    struct night solved;
    test_night_make(&made, &truth, random);
    test_night_solve(&solved, &made);
    assert_false(solved.zero_told || solved.span_told || solved.water_told);
    assert_contains(solved.zero_reason, "can't be told from evaporation");
    assert_contains(solved.water_reason, "hold at a depth below zero");
    /* Their sum is known all the same: undone, the readings stay where they were. */
    for (size_t i = 0; i < made.n; i++) {
        const struct night_reading *reading = &made.readings[i];
        double still = night_undone(&solved, night_at(&solved, solved.cycles[reading->cycle].t_s),
                                    NULL, NULL, reading->reading);
        assert_near(still - made.readings[reading->level - 1].reading, 0.15 * 0.021 * -4.45, 2e-3,
                    "V");
    }
    night_free(&solved);
    test_night_free(&made);

    truth.curve[0] = 0;
    truth.curve[1] = 0.004;
    truth.curve[2] = 2e-4;
    test_night_make(&made, &truth, random);
    test_night_solve(&solved, &made);
    assert_true(solved.zero_told && solved.span_told && solved.water_told);
    slopes = slopes_of(&solved);
    assert_near(slopes.water_mm, -0.15, 0.003, "mm/h");
    night_free(&solved);
    test_night_free(&made);
    gsl_rng_free(random);
}

/* A tenth of the readings missing at random: nothing is shifted by which ones. */
static void missing_readings_shift_nothing(void **state)
{
    (void)state;
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(random, seed);
    struct night_truth truth = night_truth_typical();
    truth.zero.per_h = 0.4e-3;
    truth.span.per_h = 60e-6;
    truth.water.per_h = -0.15;
    struct test_night made;
    struct night solved;
    test_night_make(&made, &truth, random);
    size_t kept = 0;
    for (size_t i = 0; i < made.n; i++)
        if (gsl_rng_uniform(random) > 0.1)
            made.readings[kept++] = made.readings[i];
    made.n = kept;
    test_night_solve(&solved, &made);
    assert_true(solved.count > 70 && solved.count < 90); /* those without a lift are out */
    struct slopes slopes = slopes_of(&solved);
    assert_near(slopes.zero, 0.4e-3, 1e-5, "V/h");
    assert_near(slopes.span, 60e-6, 3e-6, "1/h");
    assert_near(slopes.water_mm, -0.15, 0.002, "mm/h");
    night_free(&solved);
    test_night_free(&made);
    gsl_rng_free(random);
}

static void stated_uncertainties_hold(void **state)
{
    (void)state;
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(random, seed);
    struct night_truth truth = night_truth_typical();
    struct test_night made;
    struct night solved;
    double chi[3] = {0};
    test_night_make(&made, &truth, random);
    test_night_solve(&solved, &made);
    for (size_t i = 0; i < solved.count; i++) {
        const struct night_cycle *c = &solved.cycles[i];
        chi[0] += c->zero * c->zero / (c->zero_u * c->zero_u);
        chi[1] += c->span * c->span / (c->span_u * c->span_u);
        chi[2] += c->water_mm * c->water_mm / (c->water_u * c->water_u);
    }
    for (int k = 0; k < 3; k++) /* chi-squared of 89: standard deviation 13 */
        assert_near(chi[k], 89, 40, "");
    night_free(&solved);
    test_night_free(&made);
    gsl_rng_free(random);
}

static void solve_few(struct night *solved, const struct night_reading readings[], size_t n,
                      const struct night_curve *curve)
{
    struct rig_err err = {0};
    assert_int_equal(night_solve(solved, curve, readings, n, 8, 8, &err), 0);
}

static void too_little_gets_a_reason(void **state)
{
    (void)state;
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    struct night_truth truth = night_truth_typical();
    struct test_night made;
    struct night solved;
    test_night_make(&made, &truth, random);
    solve_few(&solved, NULL, 0, &made.curve);
    assert_int_equal(solved.count, 0);
    assert_false(solved.zero_told);
    assert_contains(solved.zero_reason, "comes back");
    night_free(&solved);
    /* Lifts alone: the zero, nothing else. */
    const struct night_reading lifts[] = {{0, 0, 10, -10, true, 0.35, 1e-4},
                                          {1, 0, 20, -10, true, 0.36, 1e-4}};
    solve_few(&solved, lifts, 2, &made.curve);
    assert_int_equal(solved.count, 2);
    assert_true(solved.zero_told);
    assert_false(solved.span_told || solved.water_told);
    assert_contains(solved.water_reason, "no depth in the water");
    assert_near(solved.cycles[1].zero - solved.cycles[0].zero, 0.01, 1e-12, "V");
    night_free(&solved);
    /* Without a curve as well. */
    solve_few(&solved, lifts, 2, NULL);
    assert_true(solved.zero_told);
    assert_contains(solved.span_reason, "no calibration curve");
    night_free(&solved);
    /* One depth in the water. */
    const struct night_reading one[] = {{0, 0, 10, -10, true, 0.35, 1e-4},
                                        {0, 1, 11, 50, false, 1.376, 1e-4},
                                        {1, 0, 20, -10, true, 0.35, 1e-4},
                                        {1, 1, 21, 50, false, 1.374, 1e-4}};
    solve_few(&solved, one, 4, &made.curve);
    assert_true(solved.zero_told);
    assert_false(solved.span_told || solved.water_told);
    assert_contains(solved.water_reason, "hold at two or more");
    night_free(&solved);
    test_night_free(&made);
    gsl_rng_free(random);
}

static void states_between_cycles(void **state)
{
    (void)state;
    struct night_cycle cycles[] = {{.t_s = 10, .zero = 1, .span = 0, .water_mm = -1},
                                   {.t_s = 20, .zero = 2, .span = 0.1, .water_mm = -2},
                                   {.t_s = 40, .zero = 0, .span = 0.1, .water_mm = -2}};
    const struct night night = {.cycles = cycles, .count = 3, .air = 5};
    assert_near(night_at(&night, 15).zero, 1.5, 1e-12, "");
    assert_near(night_at(&night, 30).zero, 1, 1e-12, "");
    assert_near(night_at(&night, 0).zero, 1, 1e-12, "");
    assert_near(night_at(&night, 99).water_mm, -2, 1e-12, "");
    assert_near(night_at(&(struct night){0}, 3).span, 0, 0, "");
    /* 5 + 2 + 1.1 x (8 - 5) = 10.3 */
    assert_near(night_undone(&night, (struct night_state){2, 0.1, 0}, NULL, NULL, 10.3), 8, 1e-12,
                "");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(without_noise_all_three_come_back),
        cmocka_unit_test(none_leaks_into_another),
        cmocka_unit_test(a_straight_board_needs_the_lift),
        cmocka_unit_test(missing_readings_shift_nothing),
        cmocka_unit_test(stated_uncertainties_hold),
        cmocka_unit_test(too_little_gets_a_reason),
        cmocka_unit_test(states_between_cycles),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
