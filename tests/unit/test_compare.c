/* SPDX-License-Identifier: GPL-3.0-or-later
 * Differences against published ones, what cancels, and verdicts in words. */
#include "check.h"

#include "results/compare.h"
#include "results/significance.h"
#include "results/student.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* Extra sleep of ten patients by two drugs: Student, Biometrika 6 (1908) 1. Differences: mean
 * 1.58, t = 4.0621 with 9 degrees of freedom, p = 0.002833, 95 % 0.7001 to 2.4599; as two
 * groups (Welch): p = 0.07939, 95 % -0.2055 to 3.3655 with 17.776 degrees (R, t.test, help page).
 */
static const double first_drug[10] = {0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0};
static const double second_drug[10] = {1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4};

static struct fit fit_of_steps(const double values[], size_t n)
{
    struct fit fit = {.low_mm = NAN, .high_mm = NAN};
    double sum = 0, squares = 0;
    fit.passes = calloc(n, sizeof *fit.passes);
    assert_non_null(fit.passes);
    for (size_t i = 0; i < n; i++) {
        fit.passes[fit.pass_count++] = (struct fit_pass){
            .kind = FIT_PASS_STEP, .segment = 2 * i, .direction = -1, .value = values[i]};
        sum += values[i];
    }
    double mean = sum / (double)n;
    for (size_t i = 0; i < n; i++)
        squares += (values[i] - mean) * (values[i] - mean);
    struct result *result =
        result_add(&fit.results, "step_lag_falling", "Mean lag after a step, falling", "s", NULL);
    assert_non_null(result);
    result_contribute(result, "replication by steps", 'A',
                      sqrt(squares / (double)(n - 1) / (double)n), (double)(n - 1));
    result_contribute_within(result, "delay of the board's line", 5);
    result_combine(result, mean, "mean");
    return fit;
}

static struct comparison compared(const struct fit *before, const struct fit *after, bool paired,
                                  bool same_rig)
{
    struct comparison comparison = {0};
    struct rig_err err = {0};
    const struct fit *const one[] = {before}, *const other[] = {after};
    const struct compare_options options = {.same_plan = paired, .same_rig = same_rig};
    if (compare_fits(&comparison, &(struct compare_side){one, 1}, &(struct compare_side){other, 1},
                     &options, &err))
        fail_msg("%s", err.text);
    return comparison;
}

static void pairs_are_those_of_the_sleep_data(void **state)
{
    (void)state;
    struct fit before = fit_of_steps(first_drug, 10), after = fit_of_steps(second_drug, 10);
    struct comparison comparison = compared(&before, &after, true, true);
    assert_int_equal(comparison.count, 1);
    const struct compare_row *row = &comparison.rows[0];
    assert_near(row->difference.value, 1.58, 1e-12, "s");
    assert_near(row->difference.low_95, 0.7001142, 1e-6, "s");
    assert_near(row->difference.high_95, 2.4598858, 1e-6, "s");
    assert_near(row->p, 0.002833, 5e-7, "1");
    assert_int_equal(row->pairs, 10);
    assert_int_equal(row->verdict, COMPARE_HIGHER);
    comparison_free(&comparison);
    fit_free(&before);
    fit_free(&after);
}

static void groups_are_those_of_the_sleep_data(void **state)
{
    (void)state;
    struct fit before = fit_of_steps(first_drug, 10), after = fit_of_steps(second_drug, 10);
    struct comparison comparison = compared(&before, &after, false, true);
    const struct compare_row *row = &comparison.rows[0];
    struct welch welch;
    assert_int_equal(welch_of(&welch, second_drug, 10, first_drug, 10, 0.95, NULL), 0);
    assert_near(welch.p, 0.07939, 5e-6, "1");
    /* Degrees of freedom are cut to a whole number here (JCGM 100 G.4.1): 17 of 17.776. */
    double half = student_coverage(0.95, 17) * welch.u;
    assert_near(row->difference.low_95, welch.difference - half, 1e-9, "s");
    assert_near(row->p, student_p_two_sided(welch.t, 17), 1e-9, "1");
    assert_int_equal(row->pairs, 0);
    assert_int_equal(row->verdict, COMPARE_NOT_SHOWN);
    char words[RESULT_TEXT_SIZE];
    compare_verdict_text(row, words);
    assert_string_equal(words, "no difference larger than 3.4 s shown");
    comparison_free(&comparison);
    fit_free(&before);
    fit_free(&after);
}

static void what_the_rig_decides_cancels_on_one_rig_only(void **state)
{
    (void)state;
    struct fit before = fit_of_steps(first_drug, 10), after = fit_of_steps(second_drug, 10);
    struct comparison same = compared(&before, &after, true, true),
                      other = compared(&before, &after, true, false);
    assert_int_equal(same.rows[0].difference.budget_count, 1);
    assert_int_equal(other.rows[0].difference.budget_count, 3);
    /* Two rectangles of half width 5 beside the pairs' own. */
    assert_near(other.rows[0].difference.standard_uncertainty,
                sqrt(2 * 25.0 / 3 + pow(same.rows[0].difference.standard_uncertainty, 2)), 1e-9,
                "s");
    comparison_free(&same);
    comparison_free(&other);
    fit_free(&before);
    fit_free(&after);
}

static void ratio_solves_fiellers_equation(void **state)
{
    (void)state;
    static const double cases[][5] = {
        {0.14, 0.002, 0.31, 0.003, 20}, {1, 0.1, 2, 0.5, INFINITY}, {-3, 0.2, 1.5, 0.1, 8}};
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        const double *c = cases[i];
        double low, high, t = student_coverage(0.95, c[4]);
        double ratio = compare_ratio(c[0], c[1], c[2], c[3], c[4], &low, &high);
        assert_near(ratio, c[0] / c[2], 1e-15, "1");
        assert_true(low < ratio && ratio < high);
        const double ends[] = {low, high};
        for (int k = 0; k < 2; k++) {
            double off = c[0] - ends[k] * c[2];
            double allowed = t * t * (c[1] * c[1] + ends[k] * ends[k] * c[3] * c[3]);
            assert_near(off * off / allowed, 1, 1e-9, "1");
        }
    }
    double low, high;
    assert_near(compare_ratio(1, 0.1, 0.1, 0.1, 20, &low, &high), 10, 1e-12, "1");
    assert_true(isnan(low) && isnan(high));
    assert_true(isnan(compare_ratio(1, 0.1, 0, 0.1, 20, &low, &high)));
}

static void what_one_side_lacks_has_a_reason(void **state)
{
    (void)state;
    struct fit before = fit_of_steps(first_drug, 10), after = fit_of_steps(second_drug, 10);
    result_refuse(result_find_mutable(&after.results, "step_lag_falling"), "no steps were run");
    struct comparison comparison = compared(&before, &after, true, true);
    char words[RESULT_TEXT_SIZE];
    compare_verdict_text(&comparison.rows[0], words);
    assert_string_equal(words, "not known: after: no steps were run");
    comparison_free(&comparison);
    after.results.count = 0;
    const struct fit *const one[] = {&before}, *const other[] = {&after};
    struct rig_err err = {0};
    assert_int_equal(compare_fits(&comparison, &(struct compare_side){one, 1},
                                  &(struct compare_side){other, 1}, &(struct compare_options){0},
                                  &err),
                     RIG_EINPUT);
    assert_contains(err.text, "no result in common");
    fit_free(&before);
    fit_free(&after);
}

/* A slope at 80 mm and one at 70 mm of a bent curve are two quantities; a lag is one whatever
 * levels the curve has. */
static void what_hangs_on_the_range_needs_the_same_one(void **state)
{
    (void)state;
    struct fit sides[2];
    for (int s = 0; s < 2; s++) {
        sides[s] = fit_of_steps(first_drug, 10);
        struct result *slope =
            result_add(&sides[s].results, "sensitivity", "Sensitivity", "V/mm", NULL);
        assert_non_null(slope);
        result_set(slope, 0.02, 1e-5, 9, "slope");
        sides[s].low_mm = 10;
        sides[s].high_mm = s ? 130 : 150.2;
    }
    for (int same = 0; same < 2; same++) {
        struct comparison comparison = compared(&sides[0], &sides[1], false, true);
        assert_int_equal(comparison.count, 2);
        assert_true(isfinite(comparison.rows[0].difference.value));
        const struct result *slope = &comparison.rows[1].difference;
        assert_string_equal(slope->name, "sensitivity");
        assert_int_equal(isfinite(slope->value), same);
        if (!same)
            assert_contains(slope->reason, "10 mm to 150.2 mm in the first recording before, 10 mm "
                                           "to 130 mm after");
        comparison_free(&comparison);
        sides[1].high_mm = 150;
    }
    fit_free(&sides[0]);
    fit_free(&sides[1]);
}

/* Three recordings that differ more among themselves than their passes scatter. */
static void recordings_that_differ_count_by_how_they_differ(void **state)
{
    (void)state;
    struct fit fits[6];
    static const double shift[6] = {0, 10, 20, 1, 11, 21};
    for (size_t i = 0; i < 6; i++) {
        double values[10];
        for (size_t k = 0; k < 10; k++)
            values[k] = first_drug[k] + shift[i];
        fits[i] = fit_of_steps(values, 10);
    }
    const struct fit *const before[] = {&fits[0], &fits[1], &fits[2]}, *const after[] = {&fits[3],
                                                                                         &fits[4],
                                                                                         &fits[5]};
    struct comparison comparison = {0};
    struct rig_err err = {0};
    if (compare_fits(&comparison, &(struct compare_side){before, 3},
                     &(struct compare_side){after, 3},
                     &(struct compare_options){.same_plan = true, .same_rig = true}, &err))
        fail_msg("%s", err.text);
    /* Each side: standard deviation 10 over sqrt(3). */
    assert_near(comparison.rows[0].difference.value, 1, 1e-12, "s");
    assert_near(comparison.rows[0].difference.standard_uncertainty, sqrt(2 * 100.0 / 3), 1e-9, "s");
    assert_int_equal(comparison.rows[0].difference.degrees_of_freedom, 4);
    assert_int_equal(comparison.rows[0].verdict, COMPARE_NOT_SHOWN);
    comparison_free(&comparison);
    for (size_t i = 0; i < 6; i++)
        fit_free(&fits[i]);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(pairs_are_those_of_the_sleep_data),
        cmocka_unit_test(groups_are_those_of_the_sleep_data),
        cmocka_unit_test(what_hangs_on_the_range_needs_the_same_one),
        cmocka_unit_test(what_the_rig_decides_cancels_on_one_rig_only),
        cmocka_unit_test(ratio_solves_fiellers_equation),
        cmocka_unit_test(what_one_side_lacks_has_a_reason),
        cmocka_unit_test(recordings_that_differ_count_by_how_they_differ),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
