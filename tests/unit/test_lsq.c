/* SPDX-License-Identifier: GPL-3.0-or-later
 * Least squares, polynomials and clustered covariance against closed forms. */
#include "check.h"
#include "results/cluster.h"
#include "results/lsq.h"
#include "results/polynomial.h"

#include <gsl/gsl_randist.h>
#include <math.h>
#include <string.h>

static gsl_rng *dice(void)
{
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    assert_non_null(rng);
    gsl_rng_set(rng, 20260412);
    return rng;
}

/* A weighted straight line has a closed form (ISO/TS 28037:2010 6.2). */
static void test_weighted_line(void **state)
{
    (void)state;
    enum { n = 7 };
    const double x[n] = {0, 1, 2.5, 3, 4.25, 6, 9}, u[n] = {0.1, 0.2, 0.1, 0.4, 0.3, 0.1, 0.5};
    const double y[n] = {1.1, 2.9, 6.2, 6.9, 9.3, 13.2, 18.6};
    double s = 0, sx = 0, sy = 0, sxx = 0, sxy = 0, design[n * 2], chi2 = 0;
    for (size_t i = 0; i < n; i++) {
        double w = 1 / (u[i] * u[i]);
        s += w;
        sx += w * x[i];
        sy += w * y[i];
        sxx += w * x[i] * x[i];
        sxy += w * x[i] * y[i];
        design[i * 2] = 1;
        design[i * 2 + 1] = x[i];
    }
    double delta = s * sxx - sx * sx, a = (sxx * sy - sx * sxy) / delta,
           b = (s * sxy - sx * sy) / delta;
    for (size_t i = 0; i < n; i++)
        chi2 += pow((y[i] - a - b * x[i]) / u[i], 2);
    struct lsq_fit fit;
    struct rig_err err = {0};
    assert_int_equal(lsq_fit_rows(&fit, design, y, u, n, 2, &err), 0);
    assert_digits(fit.parameter[0], a, 12);
    assert_digits(fit.parameter[1], b, 12);
    assert_digits(fit.covariance[0][0], sxx / delta, 12);
    assert_digits(fit.covariance[1][1], s / delta, 12);
    assert_digits(fit.covariance[0][1], -sx / delta, 12);
    assert_digits(fit.chi_squared, chi2, 11);
    double u_at_4, row[2] = {1, 4};
    assert_digits(lsq_predict(&fit, row, &u_at_4), a + 4 * b, 12);
    assert_digits(u_at_4, sqrt((sxx - 8 * sx + 16 * s) / delta), 11);
}

/* Sums of two halves are the sums of the whole; a diagonal covariance is weights. */
static void test_merge_and_diagonal(void **state)
{
    (void)state;
    enum { n = 40, p = 3 };
    double design[n * p], y[n], u[n];
    static double covariance[n * n];
    gsl_rng *rng = dice();
    struct lsq whole, halves[2];
    struct rig_err err = {0};
    assert_int_equal(lsq_start(&whole, p, &err), 0);
    assert_int_equal(lsq_start(&halves[0], p, &err), 0);
    assert_int_equal(lsq_start(&halves[1], p, &err), 0);
    for (size_t i = 0; i < n; i++) {
        for (size_t k = 0; k < p; k++)
            design[i * p + k] = gsl_ran_gaussian(rng, 1) + (k == 0 ? 1000 : 0);
        y[i] = gsl_ran_gaussian(rng, 3);
        u[i] = gsl_ran_flat(rng, 0.2, 2);
        covariance[i * n + i] = u[i] * u[i];
        lsq_add(&whole, design + i * p, y[i], u[i]);
        lsq_add(&halves[i % 2], design + i * p, y[i], u[i]);
    }
    lsq_merge(&halves[0], &halves[1]);
    struct lsq_fit one, two, three;
    assert_int_equal(lsq_solve(&one, &whole, LSQ_FROM_STATED, &err), 0);
    assert_int_equal(lsq_solve(&two, &halves[0], LSQ_FROM_STATED, &err), 0);
    assert_int_equal(lsq_fit_covariance(&three, design, y, covariance, n, p, &err), 0);
    assert_int_equal(two.n, n);
    for (size_t k = 0; k < p; k++) {
        assert_digits(two.parameter[k], one.parameter[k], 12);
        assert_digits(three.parameter[k], one.parameter[k], 12);
        assert_digits(three.covariance[k][0], one.covariance[k][0], 11);
    }
    assert_digits(two.chi_squared, one.chi_squared, 12);
    assert_digits(three.chi_squared, one.chi_squared, 12);
    gsl_rng_free(rng);
}

/* Two values of one quantity with a common part: the mean's variance is known. */
static void test_common_part(void **state)
{
    (void)state;
    double design[2] = {1, 1}, y[2] = {3, 5}, covariance[4] = {1.25, 0.25, 0.25, 1.25};
    struct lsq_fit fit;
    struct rig_err err = {0};
    assert_int_equal(lsq_fit_covariance(&fit, design, y, covariance, 2, 1, &err), 0);
    assert_near(fit.parameter[0], 4, 1e-15, "");
    assert_near(fit.covariance[0][0], 0.5 + 0.25, 1e-15, "");
    double impossible[4] = {1, 2, 2, 1};
    assert_int_equal(lsq_fit_covariance(&fit, design, y, impossible, 2, 1, &err), RIG_EINPUT);
    assert_contains(err.text, "positive definite");
}

static void test_refusals(void **state)
{
    (void)state;
    struct lsq_fit fit = {.p = 77};
    struct rig_err err = {0};
    double same[6] = {1, 2, 1, 2, 1, 2}, y[3] = {1, 2, 3}, u[3] = {1, 0, 1};
    assert_int_equal(lsq_fit_rows(&fit, same, y, NULL, 3, 2, &err), RIG_EINPUT);
    assert_contains(err.text, "parameter 2");
    assert_int_equal(lsq_fit_rows(&fit, same, y, NULL, 1, 2, &err), RIG_EINPUT);
    assert_contains(err.text, "1 values");
    double design[6] = {1, 0, 1, 1, 1, 2}, broken[3] = {1, NAN, 3};
    assert_int_equal(lsq_fit_rows(&fit, design, broken, NULL, 3, 2, &err), RIG_EINPUT);
    assert_contains(err.text, "not finite");
    assert_int_equal(lsq_fit_rows(&fit, design, y, u, 3, 2, &err), RIG_EINPUT);
    struct lsq sums;
    assert_int_equal(lsq_start(&sums, LSQ_LIMIT + 1, &err), RIG_EBUG);
    assert_int_equal(fit.p, 77); /* untouched */
    /* As many parameters as values: solved, uncertainty unknown unless stated. */
    u[1] = 1;
    assert_int_equal(lsq_fit_rows(&fit, design, y, NULL, 2, 2, &err), 0);
    assert_true(isnan(fit.residual_sd) && isnan(fit.covariance[0][0]));
    assert_int_equal(lsq_fit_rows(&fit, design, y, u, 2, 2, &err), 0);
    assert_near(fit.covariance[0][0], 1, 1e-15, "");
}

/* Both forms of a polynomial agree, its slope is the slope, its uncertainties follow
 * from either covariance. */
static void test_polynomial_forms(void **state)
{
    (void)state;
    enum { n = 30, degree = 4 };
    double x[n], y[n];
    gsl_rng *rng = dice();
    for (size_t i = 0; i < n; i++) {
        x[i] = 10 + 5 * (double)i;
        y[i] = 1 + 0.02 * x[i] - 1e-5 * x[i] * x[i] + gsl_ran_gaussian(rng, 0.01);
    }
    struct polynomial made;
    struct rig_err err = {0};
    assert_int_equal(polynomial_fit(&made, NULL, x, y, NULL, n, degree, &err), 0);
    for (double at = 10; at <= 155; at += 7) {
        double sum = 0, slope = 0, variance = 0, slope_variance = 0;
        for (size_t k = 0; k <= degree; k++) {
            sum += made.power[k] * pow(at, (double)k);
            slope += k ? (double)k * made.power[k] * pow(at, (double)k - 1) : 0;
            for (size_t l = 0; l <= degree; l++) {
                variance += made.power_covariance[k][l] * pow(at, (double)(k + l));
                if (k && l)
                    slope_variance += made.power_covariance[k][l] * (double)(k * l) *
                                      pow(at, (double)(k + l) - 2);
            }
        }
        assert_digits(polynomial_value(&made, at), sum, 11);
        assert_digits(polynomial_slope(&made, at), slope, 9);
        assert_digits(polynomial_value_u(&made, at), sqrt(variance), 5);
        assert_digits(polynomial_slope_u(&made, at), sqrt(slope_variance), 5);
    }
    struct polynomial again = made;
    double covariance[(degree + 1) * (degree + 1)];
    for (size_t k = 0; k <= degree; k++)
        for (size_t l = 0; l <= degree; l++)
            covariance[k * (degree + 1) + l] = made.basis_covariance[k][l];
    memset(again.power_covariance, 0, sizeof again.power_covariance);
    polynomial_set_covariance(&again, covariance);
    for (size_t k = 0; k <= degree; k++)
        assert_digits(again.power_covariance[k][k], made.power_covariance[k][k], 8);
    assert_int_equal(polynomial_fit(&made, NULL, x, y, NULL, n, 13, &err), RIG_EINPUT);
    x[3] = INFINITY;
    assert_int_equal(polynomial_fit(&made, NULL, x, y, NULL, n, 1, &err), RIG_EINPUT);
    gsl_rng_free(rng);
}

/* Every point its own cluster, residuals all of one size: the ordinary covariance, but
 * for (N - K) / N; CR1 differs from CR0 by its factor. */
static void test_clusters_of_one(void **state)
{
    (void)state;
    enum { n = 8 };
    double design[n * 2], y[n], cr0[4], cr1[4];
    size_t group[n];
    /* +1 -1 -1 +1 +1 -1 -1 +1 is orthogonal to 1 and x, so it is what remains. */
    const double sign[n] = {1, -1, -1, 1, 1, -1, -1, 1};
    for (size_t i = 0; i < n; i++) {
        design[i * 2] = 1;
        design[i * 2 + 1] = (double)i;
        y[i] = 2 + 3 * (double)i + 0.5 * sign[i];
        group[i] = i;
    }
    struct lsq_fit fit;
    struct rig_err err = {0};
    assert_int_equal(lsq_fit_rows(&fit, design, y, NULL, n, 2, &err), 0);
    assert_int_equal(cluster_covariance(cr0, &fit, design, y, NULL, group, n, n, CLUSTER_CR0, &err),
                     0);
    assert_int_equal(cluster_covariance(cr1, &fit, design, y, NULL, group, n, n, CLUSTER_CR1, &err),
                     0);
    for (size_t k = 0; k < 4; k++) {
        double ordinary = fit.covariance[k / 2][k % 2];
        assert_digits(cr0[k], ordinary * (n - 2.0) / n, 12);
        assert_digits(cr1[k], ordinary, 12); /* n/(n-1) (n-1)/(n-2) (n-2)/n = 1 */
    }
}

/* Groups that repeat one design: the spread of the groups' own parameters. */
static void test_balanced_clusters(void **state)
{
    (void)state;
    enum { groups = 5, each = 6, n = groups * each };
    double design[n * 2], y[n], own[groups][2], covariance[4];
    size_t group[n];
    gsl_rng *rng = dice();
    struct lsq_fit fit;
    struct rig_err err = {0};
    for (size_t g = 0; g < groups; g++) {
        double offset = gsl_ran_gaussian(rng, 1), slope = gsl_ran_gaussian(rng, 0.1);
        for (size_t i = 0; i < each; i++) {
            size_t at = g * each + i;
            design[at * 2] = 1;
            design[at * 2 + 1] = (double)i;
            y[at] = offset + slope * (double)i + gsl_ran_gaussian(rng, 0.01);
            group[at] = g;
        }
        assert_int_equal(
            lsq_fit_rows(&fit, design + g * each * 2, y + g * each, NULL, each, 2, &err), 0);
        own[g][0] = fit.parameter[0];
        own[g][1] = fit.parameter[1];
    }
    assert_int_equal(lsq_fit_rows(&fit, design, y, NULL, n, 2, &err), 0);
    assert_int_equal(
        cluster_covariance(covariance, &fit, design, y, NULL, group, n, groups, CLUSTER_CR0, &err),
        0);
    for (size_t k = 0; k < 2; k++)
        for (size_t l = 0; l < 2; l++) {
            double mean_k = 0, mean_l = 0, sum = 0;
            for (size_t g = 0; g < groups; g++) {
                mean_k += own[g][k] / groups;
                mean_l += own[g][l] / groups;
            }
            for (size_t g = 0; g < groups; g++)
                sum += (own[g][k] - mean_k) * (own[g][l] - mean_l);
            assert_digits(covariance[k * 2 + l], sum / groups / groups, 10);
        }
    memset(group, 0, sizeof group);
    assert_int_equal(
        cluster_covariance(covariance, &fit, design, y, NULL, group, n, groups, CLUSTER_CR0, &err),
        RIG_EINPUT);
    gsl_rng_free(rng);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_weighted_line),     cmocka_unit_test(test_merge_and_diagonal),
        cmocka_unit_test(test_common_part),       cmocka_unit_test(test_refusals),
        cmocka_unit_test(test_polynomial_forms),  cmocka_unit_test(test_clusters_of_one),
        cmocka_unit_test(test_balanced_clusters),
    };
    return cmocka_run_group_tests_name("lsq", tests, NULL, NULL);
}
