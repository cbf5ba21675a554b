/* SPDX-License-Identifier: GPL-3.0-or-later
 * Linear least squares against the certified values of the NIST Statistical
 * Reference Datasets (StRD), linear regression; https://www.itl.nist.gov/div898/strd */
#include "check.h"
#include "refdata.h"
#include "results/lsq.h"
#include "results/polynomial.h"

#include <math.h>
#include <stdio.h>

static void check_polynomial(const char *set, size_t degree, double digits, double sd_digits)
{
    static struct refdata data;
    char name[64];
    snprintf(name, sizeof name, "nist_strd/%s.csv", set);
    refdata_read(&data, name);
    struct polynomial polynomial;
    struct lsq_fit fit;
    struct rig_err err = {0};
    int failed = polynomial_fit(&polynomial, &fit, refdata_column(&data, "x"),
                                refdata_column(&data, "y"), NULL, data.rows, degree, &err);
    if (failed)
        print_error("%s: %s\n", set, err.text);
    assert_int_equal(failed, 0);
    for (size_t k = 0; k <= degree; k++) {
        snprintf(name, sizeof name, "B%zu", k);
        double sd = NAN, value = certified(set, name, &sd);
        assert_digits(polynomial.power[k], value, digits);
        if (sd > 0)
            assert_digits(sqrt(polynomial.power_covariance[k][k]), sd, sd_digits);
        else
            assert_near(sqrt(polynomial.power_covariance[k][k]), 0, 1e-9, "sd");
    }
    double residual_sd = certified(set, "residual_sd", NULL);
    if (residual_sd > 0)
        assert_digits(fit.residual_sd, residual_sd, sd_digits);
    else
        assert_near(fit.residual_sd, 0, 1e-9, "y");
}

static void test_norris(void **state)
{
    (void)state;
    check_polynomial("Norris", 1, 12, 12);
}

static void test_pontius(void **state)
{
    (void)state;
    check_polynomial("Pontius", 2, 12, 12);
}

static void test_wampler(void **state)
{
    (void)state;
    check_polynomial("Wampler1", 5, 9, 9);
    check_polynomial("Wampler2", 5, 9, 9);
    check_polynomial("Wampler3", 5, 9, 9);
    check_polynomial("Wampler4", 5, 9, 9);
    check_polynomial("Wampler5", 5, 7, 9);
}

static void test_filip(void **state)
{
    (void)state;
    check_polynomial("Filip", 10, 7, 7);
}

static void test_noint1(void **state)
{
    (void)state;
    static struct refdata data;
    refdata_read(&data, "nist_strd/NoInt1.csv");
    struct lsq_fit fit;
    struct rig_err err = {0};
    assert_int_equal(lsq_fit_rows(&fit, refdata_column(&data, "x"), refdata_column(&data, "y"),
                                  NULL, data.rows, 1, &err),
                     0);
    double sd = NAN, value = certified("NoInt1", "B1", &sd);
    assert_digits(fit.parameter[0], value, 12);
    assert_digits(sqrt(fit.covariance[0][0]), sd, 12);
    assert_digits(fit.residual_sd, certified("NoInt1", "residual_sd", NULL), 12);
}

static void test_longley(void **state)
{
    (void)state;
    static struct refdata data;
    refdata_read(&data, "nist_strd/Longley.csv");
    double design[16 * 7];
    for (size_t i = 0; i < data.rows; i++) {
        design[i * 7] = 1;
        for (size_t k = 0; k < 6; k++)
            design[i * 7 + k + 1] = data.values[k][i];
    }
    struct lsq_fit fit;
    struct rig_err err = {0};
    assert_int_equal(
        lsq_fit_rows(&fit, design, refdata_column(&data, "y"), NULL, data.rows, 7, &err), 0);
    for (size_t k = 0; k < 7; k++) {
        char name[8];
        snprintf(name, sizeof name, "B%zu", k);
        double sd = NAN, value = certified("Longley", name, &sd);
        assert_digits(fit.parameter[k], value, 12);
        assert_digits(sqrt(fit.covariance[k][k]), sd, 12);
    }
    assert_digits(fit.residual_sd, certified("Longley", "residual_sd", NULL), 12);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_norris),  cmocka_unit_test(test_pontius),
        cmocka_unit_test(test_wampler), cmocka_unit_test(test_filip),
        cmocka_unit_test(test_noint1),  cmocka_unit_test(test_longley),
    };
    return cmocka_run_group_tests_name("NIST StRD linear", tests, NULL, NULL);
}
