/* SPDX-License-Identifier: GPL-3.0-or-later
 * Means, medians, groups, budgets, trends and comparisons: limits, refusals, honesty. */
#include "check.h"
#include "montecarlo.h"
#include "results/allan.h"
#include "results/moments.h"
#include "results/significance.h"
#include "results/student.h"
#include "results/trend.h"
#include "results/uncertainty.h"

#include <gsl/gsl_randist.h>
#include <math.h>
#include <stdlib.h>

static gsl_rng *dice(void)
{
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    assert_non_null(rng);
    gsl_rng_set(rng, 5);
    return rng;
}

static int ascending(const void *a, const void *b)
{
    double left = *(const double *)a, right = *(const double *)b;
    return left < right ? -1 : left > right;
}

/* Selection agrees with sorting, with many equal values too. */
static void test_select(void **state)
{
    (void)state;
    gsl_rng *rng = dice();
    for (int round = 0; round < 2000; round++) {
        double values[40], sorted[40], work[40];
        size_t n = 1 + gsl_rng_uniform_int(rng, 40);
        for (size_t i = 0; i < n; i++)
            sorted[i] = values[i] =
                round % 2 ? (double)gsl_rng_uniform_int(rng, 5) : gsl_ran_gaussian(rng, 1);
        qsort(sorted, n, sizeof *sorted, ascending);
        for (size_t k = 0; k < n; k++) {
            for (size_t i = 0; i < n; i++)
                work[i] = values[i];
            assert_near(moments_select(work, n, k), sorted[k], 0, "");
        }
        double median = n % 2 ? sorted[n / 2] : (sorted[n / 2 - 1] + sorted[n / 2]) / 2;
        assert_near(moments_median(values, n), median, 1e-15, "");
    }
    assert_true(isnan(moments_median(NULL, 0)) && isnan(moments_select(NULL, 0, 0)));
    gsl_rng_free(rng);
}

static void test_moment_limits(void **state)
{
    (void)state;
    const double one[] = {3}, broken[] = {1, NAN, 2}, level[] = {4, 4, 4};
    struct moments moments = moments_of(one, 1);
    assert_near(moments.mean, 3, 0, "");
    assert_true(isnan(moments.sd));
    assert_true(isnan(moments_of(broken, 3).mean) && isnan(moments_of(one, 0).mean));
    moments = moments_of(level, 3);
    assert_near(moments.sd, 0, 0, "");
    assert_true(isnan(moments.autocorrelation));
}

/* Groups of unequal size, worked by hand: 1 2 3 | 5 7. */
static void test_oneway(void **state)
{
    (void)state;
    const double y[] = {1, 5, 2, 7, 3};
    const size_t group[] = {0, 2, 0, 2, 0}, alone[] = {0, 1, 2, 3, 4}, same[] = {1, 1, 1, 1, 1};
    struct oneway made;
    struct rig_err err = {0};
    assert_int_equal(oneway_of(&made, y, group, 5, 3, &err), 0);
    assert_int_equal(made.groups, 2);
    assert_near(made.mean, 3.6, 1e-15, "");
    assert_near(made.between_squares, 3 * 1.6 * 1.6 + 2 * 2.4 * 2.4, 1e-14, "");
    assert_near(made.within_squares, 2 + 2, 1e-14, "");
    assert_near(made.n0, 5 - 13.0 / 5, 1e-14, "");
    assert_near(made.between_variance, (19.2 - 4.0 / 3) / 2.4, 1e-13, "");
    assert_int_equal(oneway_of(&made, y, alone, 5, 5, &err), RIG_EINPUT);
    assert_int_equal(oneway_of(&made, y, same, 5, 2, &err), RIG_EINPUT);
    assert_int_equal(oneway_of(&made, y, group, 5, 2, &err), RIG_EINPUT);
    /* Groups alike: the raw component is below 0, the clipped one 0. */
    const double alike[] = {1, 1, 2, 2, 3};
    const size_t mixed[] = {0, 1, 0, 1, 1};
    assert_int_equal(oneway_of(&made, alike, mixed, 5, 2, &err), 0);
    assert_true(made.between_variance_raw < 0);
    assert_near(made.between_variance, 0, 0, "");
}

static void test_student_limits(void **state)
{
    (void)state;
    /* Closed forms: t with 1 and 2 degrees of freedom. */
    assert_digits(student_quantile(0.975, 1), tan(acos(-1.0) * 0.475), 12);
    assert_digits(student_quantile(0.975, 2), 0.95 * sqrt(2 / (1 - 0.95 * 0.95)), 12);
    assert_digits(student_quantile(0.025, 2), -0.95 * sqrt(2 / (1 - 0.95 * 0.95)), 12);
    assert_digits(student_coverage(0.95, INFINITY), 1.959963984540054, 13);
    assert_digits(student_coverage(0.95, 1e7), 1.959963984540054, 6);
    assert_digits(student_coverage(0.95, 9e5), 1.959963984540054, 5);
    for (double dof = 0.7; dof < 2000; dof *= 1.7)
        assert_digits(student_p_two_sided(student_coverage(0.95, dof), dof), 0.05, 11);
    assert_true(isnan(student_quantile(0.5, 0)) && isnan(student_quantile(1, 3)) &&
                isnan(student_quantile(0, 3)) && isnan(student_quantile(0.5, NAN)));
    assert_true(isinf(student_dof_of_reliability(0)));
}

static void test_budget_limits(void **state)
{
    (void)state;
    struct uncertainty_sum sum = uncertainty_combine(NULL, 0, 0.95);
    assert_near(sum.u, 0, 0, "");
    assert_near(sum.expanded, 0, 0, "");
    struct uncertainty_input parts[] = {
        {"a", 'A', 2, 1, 4}, {"b", 'B', 1, 2, 4}, {"c", 'B', 0, 9, 1}};
    sum = uncertainty_combine(parts, 3, 0.95);
    assert_near(sum.u, sqrt(8), 1e-15, "");
    assert_near(sum.dof_effective, 8, 1e-12, "two equal parts of 4");
    assert_near(sum.dof, 8, 0, "not lost to rounding");
    parts[1].u = NAN;
    assert_true(isnan(uncertainty_combine(parts, 3, 0.95).expanded));
    double means[2], covariance[4], row[2] = {1, 2};
    uncertainty_of_means(means, covariance, row, 1, 2);
    assert_near(means[1], 2, 0, "");
    assert_true(isnan(covariance[0]));
}

static void test_trend_refusals(void **state)
{
    (void)state;
    const double x[] = {1, 1, 1, 1}, t[] = {1, 2, 3, 4}, y[] = {1, 2, NAN, 3},
                 level[] = {2, 2, 2, 2};
    struct theil_sen trend;
    struct mann_kendall test;
    struct rig_err err = {0};
    assert_int_equal(theil_sen_of(&trend, t, y, 4, 0.95, &err), RIG_EINPUT);
    assert_int_equal(theil_sen_of(&trend, x, level, 4, 0.95, &err), RIG_EINPUT);
    assert_int_equal(theil_sen_of(&trend, t, level, 2, 0.95, &err), RIG_EINPUT);
    assert_int_equal(mann_kendall_of(&test, NULL, level, TREND_LIMIT + 1, &err), RIG_EINPUT);
    assert_int_equal(mann_kendall_of(&test, t, level, 4, &err), 0);
    assert_near(test.p, 1, 0, "all ties: no trend");
    /* Times backwards: the sign follows time, not order. */
    const double back[] = {4, 3, 2, 1}, up[] = {1, 2, 3, 4};
    assert_int_equal(mann_kendall_of(&test, back, up, 4, &err), 0);
    assert_near(test.s, -6, 0, "");
}

/* The slope's interval covers, the two tests give the false alarms they promise. */
static void test_honest(void **state)
{
    (void)state;
    enum { runs = 2000, n = 40 };
    gsl_rng *rng = dice();
    size_t covered = 0, alarms = 0, welch_alarms = 0, welch_covered = 0;
    for (int run = 0; run < runs; run++) {
        double x[n], y[n], a[6], b[9];
        for (size_t i = 0; i < n; i++) {
            x[i] = (double)i;
            y[i] = gsl_ran_gaussian(rng, 1);
        }
        struct theil_sen trend;
        struct welch welch;
        struct rig_err err = {0};
        assert_int_equal(theil_sen_of(&trend, x, y, n, 0.95, &err), 0);
        covered += trend.low <= 0 && trend.high >= 0;
        alarms += trend.test.p < 0.05;
        for (size_t i = 0; i < 6; i++)
            a[i] = gsl_ran_gaussian(rng, 3);
        for (size_t i = 0; i < 9; i++)
            b[i] = gsl_ran_gaussian(rng, 1);
        assert_int_equal(welch_of(&welch, a, 6, b, 9, 0.95, &err), 0);
        welch_alarms += welch.p < 0.05;
        welch_covered += welch.low <= 0 && welch.high >= 0;
    }
    /* Three binomial standard deviations. */
    double allowance = 3 * sqrt(0.95 * 0.05 / runs);
    assert_near((double)covered / runs, 0.95, allowance + 0.01, "covered");
    assert_near((double)alarms / runs, 0.05, allowance, "false alarms");
    assert_near((double)welch_alarms / runs, 0.05, allowance, "false alarms");
    assert_near((double)welch_covered / runs, 0.95, allowance, "covered");
    gsl_rng_free(rng);
}

/* The stated smallest difference is shown about as often as it says. */
static void test_smallest_difference(void **state)
{
    (void)state;
    enum { runs = 3000, n = 8 };
    gsl_rng *rng = dice();
    size_t shown = 0;
    double u = sqrt(2.0 / n), step = smallest_difference(u, 2 * n - 2, 0.05, 0.8);
    for (int run = 0; run < runs; run++) {
        double a[n], b[n];
        struct welch welch;
        struct rig_err err = {0};
        for (size_t i = 0; i < n; i++) {
            a[i] = gsl_ran_gaussian(rng, 1) + step;
            b[i] = gsl_ran_gaussian(rng, 1);
        }
        assert_int_equal(welch_of(&welch, a, n, b, n, 0.95, &err), 0);
        shown += welch.p < 0.05;
    }
    assert_near((double)shown / runs, 0.8, 0.04, "power");
    gsl_rng_free(rng);
}

static void test_comparison_refusals(void **state)
{
    (void)state;
    const double a[] = {1, 1}, b[] = {2, 2}, broken[] = {1, NAN};
    struct welch welch;
    struct rig_err err = {0};
    assert_int_equal(welch_of(&welch, a, 1, b, 2, 0.95, &err), RIG_EUNKNOWABLE);
    assert_int_equal(welch_of(&welch, a, 2, b, 2, 0.95, &err), RIG_EUNKNOWABLE);
    assert_int_equal(welch_of(&welch, broken, 2, b, 2, 0.95, &err), RIG_EINPUT);
    const double p[] = {0.04, NAN, 0.01};
    double corrected[3];
    assert_int_equal(holm_correct(corrected, p, 3, &err), 0);
    assert_near(corrected[0], 0.04, 1e-15, "");
    assert_true(isnan(corrected[1]));
    assert_near(corrected[2], 0.02, 1e-15, "");
    assert_string_equal(allan_name(ALLAN_TDEV), "TDEV");
    assert_string_equal(allan_name(ALLAN_KIND_COUNT), "?");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_select),
        cmocka_unit_test(test_moment_limits),
        cmocka_unit_test(test_oneway),
        cmocka_unit_test(test_student_limits),
        cmocka_unit_test(test_budget_limits),
        cmocka_unit_test(test_trend_refusals),
        cmocka_unit_test(test_honest),
        cmocka_unit_test(test_smallest_difference),
        cmocka_unit_test(test_comparison_refusals),
    };
    return cmocka_run_group_tests_name("moments", tests, NULL, NULL);
}
