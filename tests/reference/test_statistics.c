/* SPDX-License-Identifier: GPL-3.0-or-later
 * Trends, comparisons, corrections and clustered covariance against published results;
 * the source is named beside each check. */
#include "check.h"
#include "refdata.h"
#include "results/cluster.h"
#include "results/lsq.h"
#include "results/significance.h"
#include "results/student.h"
#include "results/trend.h"

#include <math.h>

/* Sen, J. Am. Stat. Assoc. 63 (1968) 1379-1389, example. */
static void test_sen(void **state)
{
    (void)state;
    static struct refdata data;
    refdata_read(&data, "statistics/sen_1968.csv");
    struct theil_sen trend;
    struct rig_err err = {0};
    assert_int_equal(theil_sen_of(&trend, refdata_column(&data, "t"), refdata_column(&data, "y"),
                                  data.rows, 0.93, &err),
                     0);
    assert_near(trend.slope, 4, 0, "");
    assert_near(trend.low, 26.0 / 7, 1e-15, "");
    assert_near(trend.high, 35.0 / 8, 1e-15, "");
    assert_near(trend.intercept, 6, 1e-12, "");
    assert_near(trend.intercept_separate, 4, 1e-12, "");
    assert_int_equal(trend.slopes, 21);
    /* Computed. */
    assert_near(trend.test.s, 21, 0, "");
    assert_digits(trend.test.variance, 44.3333333333, 11);
    assert_digits(trend.test.z, 3.003757, 6);
    /* Too few pairs for any interval at 99.99 %: open on both sides. */
    assert_int_equal(theil_sen_of(&trend, refdata_column(&data, "t"), refdata_column(&data, "y"), 4,
                                  0.9999, &err),
                     0);
    assert_true(isinf(trend.low) && trend.low < 0 && isinf(trend.high) && trend.high > 0);
}

/* Wisconsin Administrative Code NR 746, table A: S = -5, one tie. */
static void test_mann_kendall(void **state)
{
    (void)state;
    static struct refdata data;
    refdata_read(&data, "statistics/wisconsin_mann_kendall.csv");
    struct mann_kendall test;
    struct rig_err err = {0};
    assert_int_equal(
        mann_kendall_of(&test, NULL, refdata_column(&data, "concentration"), data.rows, &err), 0);
    assert_near(test.s, -5, 0, "");
    assert_digits(test.variance, 15.6666666667, 11); /* computed, with the tie */
}

/* Student 1908, sleep data; Welch's test as the documentation of R prints it. */
static void test_welch(void **state)
{
    (void)state;
    static struct refdata data;
    refdata_read(&data, "statistics/student_sleep.csv");
    double sides[2][20];
    size_t count[2] = {0};
    for (size_t i = 0; i < data.rows; i++) {
        size_t side = refdata_column(&data, "group")[i] > 1.5;
        sides[side][count[side]++] = refdata_column(&data, "extra_h")[i];
    }
    struct welch welch;
    struct rig_err err = {0};
    assert_int_equal(welch_of(&welch, sides[0], count[0], sides[1], count[1], 0.95, &err), 0);
    assert_digits(welch.t, -1.86081346748685, 13);
    assert_digits(welch.dof, 17.7764735161785, 13);
    assert_digits(welch.p, 0.0793941401873582, 9);
    assert_near(welch.low, -3.3655, 0.00005, "h");
    assert_near(welch.high, 0.2055, 0.00005, "h");
}

/* Holm, Scand. J. Statist. 6 (1979) 65; adjusted values of an established library. */
static void test_holm(void **state)
{
    (void)state;
    static struct refdata data;
    refdata_read(&data, "statistics/holm_adjustment.csv");
    const double *raw = refdata_column(&data, "p_raw"), *expected = refdata_column(&data, "p_holm");
    double corrected[16], shuffled[16], back[16];
    struct rig_err err = {0};
    assert_int_equal(holm_correct(corrected, raw, data.rows, &err), 0);
    for (size_t i = 0; i < data.rows; i++)
        assert_digits(corrected[i], expected[i], 10);
    /* The order of the questions doesn't matter. */
    for (size_t i = 0; i < data.rows; i++)
        shuffled[i] = raw[(i * 7 + 3) % data.rows];
    assert_int_equal(holm_correct(back, shuffled, data.rows, &err), 0);
    for (size_t i = 0; i < data.rows; i++)
        assert_digits(back[i], expected[(i * 7 + 3) % data.rows], 10);
}

/* Grunfeld's data, invest ~ value + capital + 1 by firm: Stata regress, vce(cluster)
 * and ivreg2, which held the data in single precision: 1e-7. */
static void test_grunfeld(void **state)
{
    (void)state;
    static struct refdata data;
    refdata_read(&data, "statistics/grunfeld_clusters.csv");
    static double design[200 * 3];
    static size_t firm[200];
    assert_int_equal(data.rows, 200);
    for (size_t i = 0; i < 200; i++) {
        design[i * 3] = refdata_column(&data, "value")[i];
        design[i * 3 + 1] = refdata_column(&data, "capital")[i];
        design[i * 3 + 2] = 1;
        firm[i] = (size_t)refdata_column(&data, "cluster")[i] - 1;
    }
    const double *y = refdata_column(&data, "invest");
    struct lsq_fit fit;
    struct rig_err err = {0};
    assert_int_equal(lsq_fit_rows(&fit, design, y, NULL, 200, 3, &err), 0);
    assert_digits(fit.parameter[0], 0.11556215606596, 7);
    assert_digits(fit.parameter[1], 0.23067848754982, 7);
    assert_digits(fit.parameter[2], -42.714369016733, 7);
    assert_digits(fit.chi_squared, 1755850.432294737, 7);
    double cr1[9], cr0[9];
    assert_int_equal(
        cluster_covariance(cr1, &fit, design, y, NULL, firm, 200, 10, CLUSTER_CR1, &err), 0);
    assert_int_equal(
        cluster_covariance(cr0, &fit, design, y, NULL, firm, 200, 10, CLUSTER_CR0, &err), 0);
    assert_digits(sqrt(cr1[0]), 0.01589433647768, 7);
    assert_digits(sqrt(cr1[4]), 0.08496711097464, 7);
    assert_digits(sqrt(cr1[8]), 20.425202580078, 7);
    assert_digits(sqrt(cr0[0]), 0.01500272788516, 7);
    assert_digits(sqrt(cr0[4]), 0.08020079648691, 7);
    assert_digits(sqrt(cr0[8]), 19.27943055305, 7);
    double half = student_coverage(0.95, 9) * sqrt(cr1[0]);
    assert_digits(fit.parameter[0] - half, 0.07960666895505, 7);
    assert_digits(fit.parameter[0] + half, 0.15151764317688, 7);
    /* Ordinary standard errors, computed. */
    assert_digits(sqrt(fit.covariance[0][0]), 0.0058357096, 7);
    assert_digits(sqrt(fit.covariance[1][1]), 0.0254758015, 7);
    assert_digits(sqrt(fit.covariance[2][2]), 9.5116760314, 7);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_sen),      cmocka_unit_test(test_mann_kendall),
        cmocka_unit_test(test_welch),    cmocka_unit_test(test_holm),
        cmocka_unit_test(test_grunfeld),
    };
    return cmocka_run_group_tests_name("statistics", tests, NULL, NULL);
}
