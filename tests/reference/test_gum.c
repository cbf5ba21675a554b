/* SPDX-License-Identifier: GPL-3.0-or-later
 * JCGM 100:2008 (GUM), annexes H.1, H.2, H.3, table G.2 and G.4.2, to every digit
 * that is printed there. */
#include "check.h"
#include "refdata.h"
#include "results/polynomial.h"
#include "results/student.h"
#include "results/uncertainty.h"

#include <math.h>

/* Half a unit of the last printed digit. */
#define assert_printed(actual, printed, last_digit)                                                \
    assert_near((actual), (printed), 0.5000001 * (last_digit), "as printed")

static void test_g2_coverage_factors(void **state)
{
    (void)state;
    assert_printed(student_coverage(0.95, 16), 2.12, 0.01);
    assert_printed(student_coverage(0.9545, 16), 2.17, 0.01);
    assert_printed(student_coverage(0.99, 16), 2.92, 0.01);
    assert_printed(student_coverage(0.9545, INFINITY), 2.00, 0.01);
    assert_printed(student_coverage(0.95, 3), 3.182, 0.001);
    assert_near(student_dof_of_reliability(0.25), 8, 1e-12, ""); /* G.4.2, example */
    /* t(9) at 95 % as an econometrics program prints it. */
    assert_digits(student_coverage(0.95, 9), 2.2621571627982, 13);
}

/* H.1: end gauge. l = ls + d - ls (d_alpha theta + alpha_s d_theta); table H.1. */
static void test_h1_end_gauge(void **state)
{
    (void)state;
    static struct refdata data;
    refdata_read(&data, "calibration/gum_h1_budget.csv");
    const double *u = refdata_column(&data, "u");
    enum { LS, D, ALPHA_S, THETA, D_ALPHA, D_THETA };
    const double *value = refdata_column(&data, "value");
    double ls = value[LS];
    struct uncertainty_input inputs[] = {
        {"standard", 'B', 1, u[LS], 18},
        {"difference", 'A', 1, u[D], 25.6},
        {"expansion of the standard", 'B', 0, u[ALPHA_S], INFINITY},
        {"temperature", 'B', 0, u[THETA], INFINITY},
        {"difference of expansion", 'B', -ls * value[THETA], u[D_ALPHA], 50},
        {"difference of temperature", 'B', -ls * value[ALPHA_S], u[D_THETA], 2},
    };
    assert_near(ls + value[D], 50000838, 0, "nm");
    /* The contributions as printed in table H.1, nm. */
    assert_printed(fabs(inputs[LS].sensitivity) * u[LS], 25, 1);
    assert_printed(fabs(inputs[D].sensitivity) * u[D], 9.7, 0.1);
    assert_printed(fabs(inputs[D_ALPHA].sensitivity) * u[D_ALPHA], 2.9, 0.1);
    assert_near(fabs(inputs[D_THETA].sensitivity) * u[D_THETA], 16.6, 0.1, "nm");
    struct uncertainty_sum sum = uncertainty_combine(inputs, 6, 0.99);
    assert_printed(sum.u, 32, 1);
    assert_near(sum.dof, 16, 0, "");
    assert_printed(sum.coverage, 2.92, 0.01);
    assert_printed(sum.expanded, 93, 1);
    /* Computed from the file, independently. */
    assert_digits(sum.u, 31.71060964043185, 4);
    assert_digits(sum.dof_effective, 16.656062703003922, 3);
    /* Degrees of freedom of d: 5.8 (24), 3.9 (5), 6.7 (8) combine to 25.6 (H.1.6). */
    struct uncertainty_input of_d[] = {{"mean", 'A', 1, 5.8, 24},
                                       {"comparator, random", 'B', 1, 3.9, 5},
                                       {"comparator, systematic", 'B', 1, 6.7, 8}};
    struct uncertainty_sum d = uncertainty_combine(of_d, 3, 0.95);
    assert_printed(d.u, 9.7, 0.1);
    /* 25.6 is printed for the rounded 9.7 nm; unrounded it is 25.4. Both truncate to 25. */
    assert_printed(d.dof_effective * pow(9.7 / d.u, 4), 25.6, 0.1);
    assert_near(d.dof, 25, 0, "");
}

/* H.2: resistance, reactance, impedance from V, I, phi observed together. */
static void test_h2_correlated_inputs(void **state)
{
    (void)state;
    static struct refdata data;
    refdata_read(&data, "calibration/gum_h2.csv");
    double observed[5 * 3], means[3], covariance[9], out[9];
    assert_int_equal(data.rows, 5);
    for (size_t i = 0; i < 5; i++) {
        observed[i * 3] = refdata_column(&data, "V_volt")[i];
        observed[i * 3 + 1] = refdata_column(&data, "I_mA")[i] * 1e-3;
        observed[i * 3 + 2] = refdata_column(&data, "phi_rad")[i];
    }
    uncertainty_of_means(means, covariance, observed, 5, 3);
    double v = means[0], a = means[1], phi = means[2];
    double r = v / a * cos(phi), x = v / a * sin(phi), z = v / a;
    double jacobian[9] = {cos(phi) / a, -r / a, -x, sin(phi) / a, -x / a, r, 1 / a, -z / a, 0};
    uncertainty_propagate(out, jacobian, 3, covariance, 3);
    double u_r = sqrt(out[0]), u_x = sqrt(out[4]), u_z = sqrt(out[8]);
    assert_printed(r, 127.732, 0.001);
    assert_printed(x, 219.847, 0.001);
    assert_printed(z, 254.260, 0.001);
    assert_printed(u_r, 0.071, 0.001);
    /* Printed 0.295; the data give 0.29558, so the last digit was cut, not rounded. */
    assert_near(u_x, 0.295, 0.001, "ohm");
    assert_printed(u_z, 0.236, 0.001);
    assert_printed(covariance[1] / sqrt(covariance[0] * covariance[4]), -0.36, 0.01);
    assert_printed(covariance[2] / sqrt(covariance[0] * covariance[8]), 0.86, 0.01);
    assert_printed(covariance[5] / sqrt(covariance[4] * covariance[8]), -0.65, 0.01);
    /* Computed from the file, independently. */
    assert_digits(r, 127.7321699281021, 12);
    assert_digits(u_r, 0.07107140739699545, 9);
    assert_digits(u_x, 0.29558167735864055, 9);
    assert_digits(u_z, 0.23633613008237322, 9);
    assert_digits(out[1] / (u_r * u_x), -0.5884297844235515, 9);
    assert_digits(out[2] / (u_r * u_z), -0.4852592242099674, 9);
    assert_digits(out[5] / (u_x * u_z), 0.9925116489490168, 9);
}

/* H.3: calibration of a thermometer, b = y1 + y2 (t - 20 degC); table H.6. */
static void test_h3_thermometer(void **state)
{
    (void)state;
    static struct refdata data;
    refdata_read(&data, "calibration/gum_h3.csv");
    double from_20[11];
    for (size_t i = 0; i < 11; i++)
        from_20[i] = refdata_column(&data, "t_degc")[i] - 20;
    struct polynomial line;
    struct lsq_fit fit;
    struct rig_err err = {0};
    assert_int_equal(
        polynomial_fit(&line, &fit, from_20, refdata_column(&data, "b_degc"), NULL, 11, 1, &err),
        0);
    double u1 = sqrt(line.power_covariance[0][0]), u2 = sqrt(line.power_covariance[1][1]);
    double r = line.power_covariance[0][1] / (u1 * u2);
    assert_printed(line.power[0], -0.1712, 0.0001);
    assert_printed(u1, 0.0029, 0.0001);
    assert_printed(line.power[1], 0.00218, 0.00001);
    assert_printed(u2, 0.00067, 0.00001);
    assert_printed(r, -0.930, 0.001);
    assert_printed(fit.residual_sd, 0.0035, 0.0001);
    assert_near(fit.degrees_of_freedom, 9, 0, "");
    assert_printed(polynomial_value(&line, 10), -0.1494, 0.0001);
    assert_printed(polynomial_value_u(&line, 10), 0.0041, 0.0001);
    /* Computed from the file, independently. */
    assert_digits(line.power[0], -0.171203790131350, 10);
    assert_digits(u1, 0.00287759783515995, 10);
    assert_digits(line.power[1], 0.00218269773988728, 10);
    assert_digits(u2, 0.000667938773227832, 10);
    assert_digits(r, -0.930429603093446, 10);
    assert_digits(fit.residual_sd, 0.00349756396350528, 10);
    assert_digits(fit.chi_squared, 0.000110096583109, 10);
    assert_digits(polynomial_value(&line, 10), -0.149376812732477, 10);
    assert_digits(polynomial_value_u(&line, 10), 0.00413859575285495, 10);
}

/* JCGM 101:2008, 9.2: sums of four contributions of unit standard deviation. */
static void test_101_sums(void **state)
{
    (void)state;
    const double unit = sqrt(3), four[] = {unit, unit, unit, unit};
    assert_printed(uncertainty_half_width(2, INFINITY, NULL, 0, 0.95), 3.92, 0.01);
    assert_printed(uncertainty_half_width(0, INFINITY, four, 4, 0.95), 3.88, 0.01);
    /* 2 sqrt(3) (2 - (3/5)^(1/4)), from the same clause. */
    assert_near(uncertainty_half_width(0, INFINITY, four, 4, 0.95), 3.879406741347821, 4e-4, "");
    /* 9.2.4: three of unit deviation and one of ten, printed as 17.0 (from memory). */
    const double one_rules[] = {unit, unit, 10 * unit, unit};
    assert_printed(uncertainty_half_width(0, INFINITY, one_rules, 4, 0.95), 17.0, 0.1);
    /* One and two rectangles, from their geometry: 0.95 a; 2a (1 - sqrt(0.05)). */
    assert_near(uncertainty_half_width(0, INFINITY, four, 1, 0.95), 0.95 * unit, 1e-4, "");
    assert_near(uncertainty_half_width(0, INFINITY, four, 2, 0.95), 2 * unit * (1 - sqrt(0.05)),
                2e-4, "");
}

/* A narrow rectangle beside a wide one changes the width in its square, however narrow. */
static void test_narrow_rectangles(void **state)
{
    (void)state;
    for (int smooth = 0; smooth < 2; smooth++)
        for (double share = 0.03; share > 1e-40; share /= 7) {
            const double both[] = {2 * share, 2, share};
            double wide = uncertainty_half_width(smooth, 20, &both[1], 1, 0.95);
            double with = uncertainty_half_width(smooth, 20, both, 3, 0.95);
            assert_near(with / wide, 1, 2e-4 + share * share, "");
            if (smooth)
                assert_near(uncertainty_half_width(1, 20, &both[2], 1, 0.95) /
                                uncertainty_half_width(1, 20, NULL, 0, 0.95),
                            1, 2e-4 + share * share, "");
        }
}

static double t_below(double t, double dof)
{
    double tail = student_p_two_sided(t, dof) / 2;
    return t < 0 ? tail : 1 - tail;
}

/* A t and rectangles against a sum over a fine grid of the rectangle: F(x) averaged. */
static void test_t_and_rectangle(void **state)
{
    (void)state;
    for (double dof = 3; dof < 200; dof *= 4)
        for (double a = 0.03; a < 40; a *= 2.7) {
            double half = uncertainty_half_width(1, dof, &a, 1, 0.95);
            double share = 0;
            for (int i = 0; i < 2000; i++) {
                double off = a * (2 * (i + 0.5) / 2000 - 1);
                share += t_below(half - off, dof) - t_below(-half - off, dof);
            }
            assert_near(share / 2000, 0.95, 1e-4, "");
        }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_g2_coverage_factors),
        cmocka_unit_test(test_h1_end_gauge),
        cmocka_unit_test(test_h2_correlated_inputs),
        cmocka_unit_test(test_h3_thermometer),
        cmocka_unit_test(test_101_sums),
        cmocka_unit_test(test_narrow_rectangles),
        cmocka_unit_test(test_t_and_rectangle),
    };
    return cmocka_run_group_tests_name("JCGM 100", tests, NULL, NULL);
}
