/* SPDX-License-Identifier: GPL-3.0-or-later
 * Calibration curves against ISO/TS 28037:2010 and a published calibration of a
 * pressure transducer. */
#include "check.h"
#include "refdata.h"
#include "results/curve.h"

#include <math.h>

/* Half a unit of the last printed digit. */
#define assert_printed(actual, printed, last_digit)                                                \
    assert_near((actual), (printed), 0.5000001 * (last_digit), "as printed")

static struct curve line(const struct curve_points *points)
{
    struct curve curve;
    struct curve_options options = {0};
    struct rig_err err = {0};
    int failed = curve_fit(&curve, points, &options, &err);
    if (failed)
        print_error("%s\n", err.text);
    assert_int_equal(failed, 0);
    assert_int_equal(curve.polynomial.degree, 1); /* chosen, not asked for */
    return curve;
}

/* ISO/TS 28037:2010 6.3, pages 13 and 15; inverse as in clause 11.2. */
static void test_iso28037_example_1(void **state)
{
    (void)state;
    static struct refdata data;
    refdata_read(&data, "calibration/iso28037_ex1.csv");
    struct curve_points points = {.n = data.rows,
                                  .depth = refdata_column(&data, "x"),
                                  .reading = refdata_column(&data, "y"),
                                  .reading_u = refdata_column(&data, "u_y")};
    struct curve curve = line(&points);
    const struct polynomial *fit = &curve.polynomial;
    assert_printed(fit->power[0], 1.867, 0.001);
    assert_printed(sqrt(fit->power_covariance[0][0]), 0.465, 0.001);
    assert_printed(fit->power[1], 1.757, 0.001);
    assert_printed(sqrt(fit->power_covariance[1][1]), 0.120, 0.001);
    assert_printed(fit->power_covariance[0][1], -0.050, 0.001);
    assert_printed(curve.chi_squared, 1.665, 0.001);
    assert_near(curve.degrees_of_freedom, 4, 0, "");
    assert_int_equal(curve.source, CURVE_U_STATED);
    double x, u;
    struct rig_err err = {0};
    assert_int_equal(curve_depth(&curve, 10.5, 0.5, &x, &u, &err), 0);
    assert_digits(x, 4.91327913279133, 12);
    assert_digits(u, 0.32203556012891, 12);
    /* Computed, independently: reading at 3.5 known to 0.2. */
    assert_digits(curve_value(&curve, 3.5), 8.01666666666667, 12);
    assert_digits(curve_reading_u(&curve, 3.5, 0.2), 0.406409531732455, 12);
}

/* ISO/TS 28037:2010 annex E, pages 58-59: uncertainty from the residuals. */
static void test_iso28037_example_4(void **state)
{
    (void)state;
    static struct refdata data;
    refdata_read(&data, "calibration/iso28037_ex4.csv");
    struct curve_points points = {
        .n = data.rows, .depth = refdata_column(&data, "x"), .reading = refdata_column(&data, "y")};
    struct curve curve = line(&points);
    const struct polynomial *fit = &curve.polynomial;
    assert_printed(fit->power[0], 1.172, 0.001);
    assert_printed(sqrt(fit->power_covariance[0][0]), 0.159, 0.001);
    assert_printed(fit->power[1], 1.964, 0.001);
    assert_printed(sqrt(fit->power_covariance[1][1]), 0.041, 0.001);
    assert_printed(fit->power_covariance[0][1], -0.006, 0.001);
    /* Computed, independently; the printed 0.171 doesn't follow from the data. */
    assert_digits(curve.residual_sd * curve.residual_sd * 4, 0.116498285714286, 10);
    assert_int_equal(curve.source, CURVE_U_RESIDUALS);
    assert_true(isnan(curve.chi_squared));
}

/* Palencar, Palencar, Witkovsky, Wimmer: p = a + b I, generalised least squares with
 * random parts u_A(I) = sqrt(1.444e-5) mA, u_A(p) = sqrt(3.6e-5) kPa and parts common to
 * all points u_B(I) = 0.0014 mA, u_B(p) = sqrt(3.6e-5) kPa. */
static void test_pressure_transducer(void **state)
{
    (void)state;
    static struct refdata data;
    refdata_read(&data, "calibration/pressure_transducer_up_down.csv");
    double u_p[13], u_i[13];
    assert_int_equal(data.rows, 13);
    for (size_t i = 0; i < 13; i++) {
        u_p[i] = sqrt(3.6e-5);
        u_i[i] = sqrt(1.444e-5);
    }
    struct curve_points points = {.n = 13,
                                  .depth = refdata_column(&data, "current_ma"),
                                  .reading = refdata_column(&data, "pressure_kpa"),
                                  .reading_u = u_p,
                                  .depth_u = u_i,
                                  .common_reading_u = sqrt(3.6e-5),
                                  .common_depth_u = 0.0014};
    struct curve curve = line(&points);
    const struct polynomial *fit = &curve.polynomial;
    assert_printed(fit->power[0], -15.0167, 0.0001);
    assert_printed(sqrt(fit->power_covariance[0][0]), 0.0133, 0.0001);
    assert_printed(fit->power[1], 3.7481, 0.0001);
    assert_printed(sqrt(fit->power_covariance[1][1]), 8.4567e-4, 1e-8);
    assert_printed(fit->power_covariance[0][1], -8.1970e-6, 1e-10);
    /* Use at I0 = 7.4970 (0.0155) mA: 13.0829 (0.0588) kPa. u(I0) is printed rounded, and
     * half a unit of its last digit is 0.0002 kPa. */
    double p = curve_value(&curve, 7.4970), u = curve_reading_u(&curve, 7.4970, 0.0155);
    assert_printed(p, 13.0829, 0.0001);
    assert_near(u, 0.0588, 0.0002, "kPa");
    assert_near(p - 1.959964 * u, 12.9676, 0.0004, "kPa");
    assert_near(p + 1.959964 * u, 13.1981, 0.0004, "kPa");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_iso28037_example_1),
        cmocka_unit_test(test_iso28037_example_4),
        cmocka_unit_test(test_pressure_transducer),
    };
    return cmocka_run_group_tests_name("calibration", tests, NULL, NULL);
}
