/* SPDX-License-Identifier: GPL-3.0-or-later
 * Mean, standard deviation, autocorrelation and one-way analysis of variance against
 * the certified values of the NIST Statistical Reference Datasets (StRD). */
#include "check.h"
#include "refdata.h"
#include "results/moments.h"

#include <math.h>
#include <stdio.h>

static void check_set(const char *set, double digits)
{
    static struct refdata data;
    char name[64];
    snprintf(name, sizeof name, "nist_strd/%s.csv", set);
    refdata_read(&data, name);
    struct moments moments = moments_of(refdata_column(&data, "y"), data.rows);
    assert_digits(moments.mean, certified(set, "mean", NULL), digits);
    assert_digits(moments.sd, certified(set, "standard_deviation", NULL), digits);
    assert_digits(moments.autocorrelation, certified(set, "lag1_autocorrelation", NULL), digits);
}

static void test_univariate(void **state)
{
    (void)state;
    check_set("Lew", 12);
    check_set("Lottery", 12);
    check_set("Mavro", 12);
    check_set("Michelso", 12);
    check_set("NumAcc1", 12);
    check_set("NumAcc2", 12);
    /* The data as doubles carry 1e-10 (NumAcc3) and 1e-9 (NumAcc4) of the spread. */
    check_set("NumAcc3", 9);
    check_set("NumAcc4", 7);
}

static void test_sirstv(void **state)
{
    (void)state;
    static struct refdata data;
    refdata_read(&data, "nist_strd/SiRstv.csv");
    size_t group[25];
    assert_int_equal(data.rows, 25);
    for (size_t i = 0; i < data.rows; i++)
        group[i] = (size_t)refdata_column(&data, "group")[i] - 1;
    struct oneway oneway;
    struct rig_err err = {0};
    assert_int_equal(oneway_of(&oneway, refdata_column(&data, "y"), group, data.rows, 5, &err), 0);
    assert_near(oneway.between_dof, certified("SiRstv", "between_df", NULL), 0, "");
    assert_near(oneway.within_dof, certified("SiRstv", "within_df", NULL), 0, "");
    assert_digits(oneway.between_squares, certified("SiRstv", "between_sum_of_squares", NULL), 9);
    assert_digits(oneway.between_mean_square, certified("SiRstv", "between_mean_square", NULL), 9);
    assert_digits(oneway.within_squares, certified("SiRstv", "within_sum_of_squares", NULL), 9);
    assert_digits(oneway.within_mean_square, certified("SiRstv", "within_mean_square", NULL), 9);
    assert_digits(oneway.f, certified("SiRstv", "F", NULL), 9);
    assert_digits(oneway.within_sd, certified("SiRstv", "residual_sd", NULL), 9);
    assert_near(oneway.n0, 5, 1e-12, "");
    /* (MSB - MSW) / 5 from the certified mean squares. */
    assert_digits(oneway.between_variance, 0.00039094748, 8);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_univariate),
        cmocka_unit_test(test_sirstv),
    };
    return cmocka_run_group_tests_name("NIST StRD univariate", tests, NULL, NULL);
}
