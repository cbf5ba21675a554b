/* SPDX-License-Identifier: GPL-3.0-or-later
 * The mixed model against ordinary least squares of the same rows with a column for each
 * group, by the solver that the reference sets check. All data is made here. */
#include "check.h"
#include "results/lsq.h"
#include "results/mixed.h"

#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>

#include <math.h>

enum { GROUPS = 5, SHARED = 3, ROWS = 60 };

static void it_is_least_squares(void **state)
{
    (void)state;
    struct rig_err err = {0};
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(random, 7);
    struct mixed mixed;
    struct lsq sums;
    struct lsq_fit fit;
    assert_int_equal(mixed_open(&mixed, SHARED, GROUPS, &err), 0);
    assert_int_equal(lsq_start(&sums, GROUPS + SHARED, &err), 0);
    for (int i = 0; i < ROWS; i++) {
        size_t group = (size_t)i % GROUPS;
        double g = gsl_ran_flat(random, 0.5, 2), x[SHARED], row[GROUPS + SHARED] = {0};
        double y = gsl_ran_gaussian(random, 1), u = gsl_ran_flat(random, 0.5, 2);
        row[group] = g;
        for (size_t k = 0; k < SHARED; k++)
            row[GROUPS + k] = x[k] = gsl_ran_gaussian(random, k == 1 ? 1e4 : 1e-3);
        mixed_add(&mixed, group, g, x, y, 1 / (u * u));
        lsq_add(&sums, row, y, u);
    }
    const double prior[GROUPS + SHARED] = {[GROUPS + 2] = 1};
    mixed_prior(&mixed, 2, 0.5, 4);
    lsq_add(&sums, prior, 0.5, 0.5);
    assert_true(mixed_solve(&mixed));
    assert_int_equal(lsq_solve(&fit, &sums, LSQ_FROM_STATED, &err), 0);
    for (size_t k = 0; k < SHARED; k++) {
        assert_near(mixed.found[k] / fit.parameter[GROUPS + k], 1, 1e-9, "");
        for (size_t l = 0; l < SHARED; l++)
            assert_near(mixed.covariance[k][l] / fit.covariance[GROUPS + k][GROUPS + l], 1, 1e-8,
                        "");
    }
    for (size_t k = 0; k < GROUPS; k++) {
        assert_near(mixed.groups[k].offset, fit.parameter[k], 1e-9, "");
        assert_near(mixed_variance(&mixed, k, NULL), fit.covariance[k][k], 1e-9, "");
        const double less[SHARED] = {[1] = -1};
        double expected = fit.covariance[k][k] - 2 * fit.covariance[k][GROUPS + 1] +
                          fit.covariance[GROUPS + 1][GROUPS + 1];
        assert_near(mixed_variance(&mixed, k, less), expected, 1e-9, "");
    }
    mixed_free(&mixed);
    gsl_rng_free(random);
}

static void what_nothing_determines(void **state)
{
    (void)state;
    struct rig_err err = {0};
    struct mixed mixed;
    const double x[2] = {1, 2};
    assert_int_equal(mixed_open(&mixed, 0, 1, &err), RIG_EBUG);
    mixed_free(&mixed);
    assert_int_equal(mixed_open(&mixed, MIXED_SHARED + 1, 1, &err), RIG_EBUG);
    mixed_free(&mixed);
    assert_int_equal(mixed_open(&mixed, 2, 3, &err), 0);
    assert_false(mixed_solve(&mixed));
    for (int i = 0; i < 10; i++)
        mixed_add(&mixed, 0, 1, x, 1, 1); /* two columns that depend on one another */
    assert_false(mixed_solve(&mixed));
    mixed_free(&mixed);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(it_is_least_squares),
        cmocka_unit_test(what_nothing_determines),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
