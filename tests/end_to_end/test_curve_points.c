/* SPDX-License-Identifier: GPL-3.0-or-later
 * wetsweep curve --points, the shipped program, against published calibrations and
 * against tables that are wrong. */
#include "check.h"
#include "json_check.h"
#include "refdata.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

/* Half a unit of the last printed digit. */
#define assert_printed(actual, printed, last_digit)                                                \
    assert_near((actual), (printed), 0.5000001 * (last_digit), "as printed")

/* Runs curve with --json; the object is the caller's. */
static json_t *curve(const char *table, const char *options)
{
    char arguments[2048];
    snprintf(arguments, sizeof arguments, "curve --points '%s' %s --json", table, options);
    return run_program_json(arguments);
}

static json_t *curve_of_reference(const char *name, const char *options)
{
    char path[1024];
    snprintf(path, sizeof path, "%s", reference_path(name));
    return curve(path, options);
}

static double parameter(const json_t *root, size_t k, const char *key)
{
    return json_number_of(json_array_get(json_object_get(root, "parameters"), k), key);
}

static double covariance(const json_t *root, size_t i, size_t j)
{
    return json_number_value(
        json_array_get(json_array_get(json_object_get(root, "covariance"), i), j));
}

static const char *reason(const json_t *root, const char *key)
{
    const char *text = json_string_value(json_object_get(json_object_get(root, "reasons"), key));
    return text ? text : "(no reason)";
}

/* A table in a file of its own; valid until the next call. */
static const char *table_of(const char *text)
{
    static char path[] = "/tmp/wetsweep-points-XXXXXX";
    static int made;
    if (!made) {
        int fd = mkstemp(path);
        assert_true(fd >= 0);
        close(fd);
        made = 1;
    }
    FILE *file = fopen(path, "wb");
    assert_non_null(file);
    assert_true(fputs(text, file) >= 0);
    assert_int_equal(fclose(file), 0);
    return path;
}

/* NIST StRD, certified values, 9 digits and more. Degree as asked, and as chosen. */
static void check_nist(const char *set, size_t degree, const char *options)
{
    char name[64];
    snprintf(name, sizeof name, "nist_strd/%s.csv", set);
    json_t *root = curve_of_reference(name, options);
    assert_int_equal(json_integer_value(json_object_get(root, "degree")), degree);
    assert_int_equal(json_array_size(json_object_get(root, "parameters")), degree + 1);
    for (size_t k = 0; k <= degree; k++) {
        double sd = NAN;
        snprintf(name, sizeof name, "B%zu", k);
        assert_digits(parameter(root, k, "value"), certified(set, name, NULL), 11);
        certified(set, name, &sd);
        assert_digits(parameter(root, k, "standard_uncertainty"), sd, 11);
        assert_digits(sqrt(covariance(root, k, k)), sd, 11);
    }
    assert_digits(json_number_of(root, "residual_sd"), certified(set, "residual_sd", NULL), 11);
    json_decref(root);
}

static void test_norris(void **state)
{
    (void)state;
    check_nist("Norris", 1, "--depth x --reading y --degree 1");
    check_nist("Norris", 1, "--depth x --reading y");
}

static void test_pontius(void **state)
{
    (void)state;
    check_nist("Pontius", 2, "--depth x --reading y --degree 2");
    check_nist("Pontius", 2, "--depth x --reading y");
}

/* JCGM 100:2008 H.3, table H.6: corrections against temperature less 20 degC. */
static void test_gum_h3(void **state)
{
    (void)state;
    static struct refdata data;
    char text[2048] = "t_from_20_degc,b_degc\n";
    refdata_read(&data, "calibration/gum_h3.csv");
    for (size_t i = 0; i < data.rows; i++)
        snprintf(text + strlen(text), sizeof text - strlen(text), "%.3f,%.3f\n",
                 data.values[0][i] - 20, data.values[1][i]);
    json_t *root = curve(table_of(text), "--depth t_from_20_degc --reading b_degc --degree 1");
    double u0 = parameter(root, 0, "standard_uncertainty"),
           u1 = parameter(root, 1, "standard_uncertainty");
    assert_printed(parameter(root, 0, "value"), -0.1712, 0.0001);
    assert_printed(u0, 0.0029, 0.0001);
    assert_printed(parameter(root, 1, "value"), 0.00218, 0.00001);
    assert_printed(u1, 0.00067, 0.00001);
    assert_printed(covariance(root, 0, 1) / (u0 * u1), -0.930, 0.001);
    assert_printed(json_number_of(root, "residual_sd"), 0.0035, 0.0001);
    assert_near(json_number_of(root, "degrees_of_freedom"), 9, 0, "");
    assert_string_equal(json_string_value(json_object_get(root, "uncertainty_from")), "residuals");
    json_decref(root);
    /* b(30 degC) = -0.1494(41) lies beyond the table; from parameters and covariance of
     * the table as published. */
    root = curve_of_reference("calibration/gum_h3.csv", "--depth t_degc --reading b_degc");
    assert_int_equal(json_integer_value(json_object_get(root, "degree")), 1);
    double b = parameter(root, 0, "value") + 30 * parameter(root, 1, "value");
    double u =
        sqrt(covariance(root, 0, 0) + 60 * covariance(root, 0, 1) + 900 * covariance(root, 1, 1));
    assert_printed(b, -0.1494, 0.0001);
    assert_printed(u, 0.0041, 0.0001);
    json_decref(root);
}

/* ISO/TS 28037:2010 6.3 (pages 13, 15): stated uncertainties, not rescaled. */
static void test_iso28037(void **state)
{
    (void)state;
    json_t *root =
        curve_of_reference("calibration/iso28037_ex1.csv",
                           "--depth x --reading y --reading-u u_y --depth-of 10.5 --u 0.5");
    assert_printed(parameter(root, 0, "value"), 1.867, 0.001);
    assert_printed(parameter(root, 0, "standard_uncertainty"), 0.465, 0.001);
    assert_printed(parameter(root, 1, "value"), 1.757, 0.001);
    assert_printed(parameter(root, 1, "standard_uncertainty"), 0.120, 0.001);
    assert_printed(covariance(root, 0, 1), -0.050, 0.001);
    assert_printed(json_number_of(root, "chi_squared"), 1.665, 0.001);
    assert_near(json_number_of(root, "degrees_of_freedom"), 4, 0, "");
    const json_t *found = json_object_get(root, "depth_of");
    assert_printed(json_number_of(found, "depth"), 4.913, 0.001);
    assert_printed(json_number_of(found, "standard_uncertainty"), 0.322, 0.001);
    json_decref(root);
    /* Doubling what is stated doubles what comes out and quarters chi-squared. */
    root = curve(table_of("depth,reading,reading_u\n1,3.3,1\n2,5.6,1\n3,7.1,1\n4,9.3,1\n"
                          "5,10.7,1\n6,12.1,1\n"),
                 "");
    assert_digits(parameter(root, 0, "standard_uncertainty"), 2 * 0.465474668125631, 12);
    assert_digits(json_number_of(root, "chi_squared"), 1.66476190476190 / 4, 12);
    json_decref(root);
}

/* The pressure transducer of Palencar, Palencar, Witkovsky, Wimmer, up and down. */
static void test_transducer(void **state)
{
    (void)state;
    static struct refdata data;
    char text[2048] = "current_ma,pressure_kpa,depth_u,reading_u\n";
    refdata_read(&data, "calibration/pressure_transducer_up_down.csv");
    for (size_t i = 0; i < data.rows; i++)
        snprintf(text + strlen(text), sizeof text - strlen(text), "%.17g,%.17g,%.17g,%.17g\n",
                 refdata_column(&data, "current_ma")[i], refdata_column(&data, "pressure_kpa")[i],
                 sqrt(1.444e-5), sqrt(3.6e-5));
    json_t *root =
        curve(table_of(text), "--depth current_ma --reading pressure_kpa --common-depth-u 0.0014 "
                              "--common-reading-u 0.006 --reading-at 7.4970 --u 0.0155");
    assert_printed(parameter(root, 0, "value"), -15.0167, 0.0001);
    assert_printed(parameter(root, 0, "standard_uncertainty"), 0.0133, 0.0001);
    assert_printed(parameter(root, 1, "value"), 3.7481, 0.0001);
    assert_printed(parameter(root, 1, "standard_uncertainty"), 8.4567e-4, 1e-8);
    assert_printed(covariance(root, 0, 1), -8.1970e-6, 1e-10);
    const json_t *found = json_object_get(root, "reading_at");
    assert_printed(json_number_of(found, "reading"), 13.0829, 0.0001);
    /* u(I0) is printed rounded; half a unit of its last digit is 0.0002 kPa. */
    assert_near(json_number_of(found, "standard_uncertainty"), 0.0588, 0.0002, "kPa");
    json_decref(root);
    /* The table as it is: both directions of one cycle, depths a little apart. Worked by
     * hand: the terminal line of the means runs from (0, 4.0055) to (60.07, 20.036). */
    root = curve_of_reference("calibration/pressure_transducer_up_down.csv",
                              "--depth pressure_kpa --reading current_ma");
    const json_t *linearity = json_object_get(root, "linearity");
    assert_near(json_number_of(linearity, "span"), 16.0305, 1e-12, "mA");
    double independent = json_number_of(linearity, "independent_percent_span"),
           zero_based = json_number_of(linearity, "zero_based_percent_span"),
           terminal = json_number_of(linearity, "terminal_percent_span"),
           squares = json_number_of(linearity, "least_squares_percent_span");
    assert_true(independent <= zero_based && zero_based <= terminal && independent <= squares);
    assert_near(json_number_of(linearity, "terminal_at"), (50.05 + 50.08) / 2, 1e-12, "kPa");
    /* By hand: mean current 17.360 mA at the mean pressure, against that line. */
    assert_near(terminal, 100 * fabs(17.360 - (4.0055 + 16.0305 * 50.065 / 60.07)) / 16.0305, 1e-4,
                "%");
    assert_true(json_is_true(json_object_get(root, "moved_along_curve")));
    assert_contains(reason(root, "repeatability_percent_span"), "twice");
    assert_null(json_object_get(root, "repeatability_percent_span"));
    /* Largest pair: 42.230 up, 40.115 down, each against the fitted line. */
    double slope = parameter(root, 1, "value");
    double apart = (14.718 - slope * 40.115) - (15.266 - slope * 42.230);
    assert_near(json_number_of(root, "hysteresis_percent_span"), 100 * fabs(apart) / 16.0305, 1e-9,
                "%");
    assert_near(json_number_of(root, "hysteresis_at"), (42.230 + 40.115) / 2, 1e-12, "kPa");
    json_decref(root);
}

/* Three cycles as 43 CFR 3175.135 asks for, worked by hand (invented data). */
static void test_cycles(void **state)
{
    (void)state;
    const char *text = "depth_mm,reading,direction,cycle\n"
                       "0,1.00,up,1\n50,2.00,up,1\n100,3.00,up,1\n50,2.08,down,1\n0,1.02,down,1\n"
                       "0,1.01,Rising,2\n50,2.02,rising,2\n100,3.00,rising,2\n"
                       "50,2.04,falling,2\n0,1.03,falling,2\n"
                       "0,1.00,up,3\n50,2.01,up,3\n100,3.00,up,3\n50,2.06,down,3\n0,1.01,down,3\n";
    json_t *root = curve(table_of(text), "--degree 1");
    /* Means: 0: (1.003333 + 1.02) / 2; 100: 3.00. */
    double span = 3.00 - ((1.00 + 1.01 + 1.00) / 3 + (1.02 + 1.03 + 1.01) / 3) / 2;
    assert_near(json_number_of(json_object_get(root, "linearity"), "span"), span, 1e-12, "");
    assert_near(json_number_of(root, "hysteresis_percent_span"), 100 * 0.08 / span, 1e-9, "%");
    assert_near(json_number_of(root, "hysteresis_at"), 50, 0, "mm");
    assert_near(json_number_of(root, "hysteresis_of_means_percent_span"), 100 * 0.05 / span, 1e-9,
                "%");
    assert_near(json_number_of(root, "repeatability_percent_span"), 100 * 0.04 / span, 1e-9, "%");
    assert_near(json_number_of(root, "repeatability_at"), 50, 0, "mm");
    assert_near(json_number_of(root, "cycles"), 3, 0, "");
    assert_string_equal(json_string_value(json_object_get(root, "uncertainty_from")), "cycles");
    assert_near(json_number_of(root, "parameter_degrees_of_freedom"), 2, 0, "");
    json_decref(root);
}

/* What can't be given has a reason, and the rest is given. */
static void test_reasons(void **state)
{
    (void)state;
    json_t *root = curve(table_of("depth_mm,reading\n0,1\n10,2\n"), "");
    assert_true(json_is_null(
        json_object_get(json_object_get(root, "linearity"), "independent_percent_span")));
    assert_contains(reason(root, "linearity"), "three");
    assert_contains(reason(root, "hysteresis_percent_span"), "rising or falling");
    assert_contains(reason(root, "standard_uncertainty"), "as many parameters as points");
    assert_true(json_is_null(json_object_get(root, "residual_sd")));
    assert_near(parameter(root, 1, "value"), 0.1, 1e-15, "");
    json_decref(root);
    root = curve(table_of("depth_mm,reading\n0,5\n10,5\n20,5\n30,5\n"), "");
    assert_contains(reason(root, "linearity"), "never changes");
    assert_contains(reason(root, "inverse"), "too flat");
    json_decref(root);
}

/* Status 2, and place, mistake and remedy in one line. */
static void refused(const char *text, const char *options, const char *place, const char *say)
{
    char arguments[1024], *errors, *output, full[256];
    const char *path = table_of(text);
    snprintf(arguments, sizeof arguments, "curve --points %s %s", path, options);
    int status = run_program(arguments, &output, &errors);
    if (status != 2)
        print_error("status %d for %s\n%s", status, text, errors);
    assert_int_equal(status, 2);
    snprintf(full, sizeof full, "wetsweep: %s%s", *place ? path : "", place);
    assert_contains(errors, full);
    assert_contains(errors, say);
    assert_string_equal(output, "");
    assert_ptr_equal(strchr(errors, '\n'), errors + strlen(errors) - 1);
    free(errors);
    free(output);
}

static void test_bad_tables(void **state)
{
    (void)state;
    refused("depth_m,reading\n0,1\n1,2\n", "", ": no column", "did you mean 'depth_m'");
    refused("depth_mm,readin\n0,1\n1,2\n", "", ": no column", "did you mean 'readin'");
    refused("depth_mm,reading\n0,1\n1,2\n", "--depth depht_mm", ": no column",
            "did you mean 'depth_mm'");
    refused("depth_mm,reading\n", "", ":", "no rows");
    refused("depth_mm,reading\n3,1\n", "", ":2:1", "one row");
    refused("depth_mm,reading\n3,1\n3,2\n3.0,2\n", "", ":2:1", "all 3 depths are 3");
    refused("depth_mm,reading\n0,1\n1,nan\n", "", ":3:3", "number");
    refused("depth_mm,reading\n0,1\n1,1e400\n", "", ":3:3", "too large");
    refused("depth_mm,reading\n0,1\n1,\n", "", ":3:3", "");
    refused("depth_mm,reading\n0,1\n1,2,3\n", "", ":3", "");
    refused("depth_mm,reading,reading_u\n0,1,0.1\n1,2,0\n", "", ":3:5", "above 0");
    refused("depth_mm,reading,direction\n0,1,up\n1,2,dwon\n", "", ":3:5", "did you mean 'down'");
    refused("depth_mm,reading,cycle\n0,1,1\n1,2,\n", "", ":3:5", "cycle");
    refused("depth_mm,reading\n0,1\n1,2\n2,4\n", "--degree 3", ":2", "can't carry degree 3");
    refused("depth_mm,reading\n0,1\n1,2\n2,4\n", "--degree 0", "", "from 1 to 12");
    refused("depth_mm,reading\n0,1\n1,2\n2,4\n", "--degree two", "", "--degree");
    refused("depth_mm,reading\n0,1\n1,2\n2,4\n", "--degre 2", "", "no option");
    refused("depth_mm,reading\n0,1\n1,2\n2,4\n", "--spline --degree 2", "", "spline has no degree");
    refused("depth_mm,reading\n0,1\n1,2\n2,4\n", "--u -1 --depth-of 2", "", "below 0");
    refused("depth_mm,reading\n0,1\n1,2\n2,4\n", "--depth-of", "", "needs a value");
    char *errors;
    assert_int_equal(run_program("curve", NULL, &errors), 2);
    assert_contains(errors, "--points TABLE.csv");
    free(errors);
    assert_int_not_equal(run_program("curve --points /nowhere/table.csv", NULL, &errors), 0);
    assert_contains(errors, "/nowhere/table.csv");
    free(errors);
}

/* A file beyond the limit is refused before it fills the memory. */
static void test_huge_file(void **state)
{
    (void)state;
    const char *path = table_of("depth_mm,reading\n");
    assert_int_equal(truncate(path, (off_t)600 << 20), 0);
    char arguments[256], *errors;
    snprintf(arguments, sizeof arguments, "curve --points %s", path);
    assert_int_equal(run_program(arguments, NULL, &errors), 2);
    assert_contains(errors, path);
    free(errors);
}

/* What people read: the text holds every answer, and --help an example. */
static void test_text(void **state)
{
    (void)state;
    char arguments[1024], *output;
    snprintf(arguments, sizeof arguments,
             "curve --points '%s' --depth pressure_kpa --reading current_ma --depth-of 12",
             reference_path("calibration/pressure_transducer_up_down.csv"));
    assert_int_equal(run_program(arguments, &output, NULL), 0);
    static const char *const said[] = {
        "13 points",
        "degree chosen by AICc",
        "p_1   0.266801 +- 0.000092",
        "independent",
        "zero-based",
        "terminal-based",
        "least squares",
        "hysteresis within one cycle",
        "repeatability from one side",
        "not given",
        "Inverse",
        "stands for pressure_kpa 29.961",
    };
    for (size_t i = 0; i < sizeof said / sizeof *said; i++)
        assert_contains(output, said[i]);
    free(output);
    assert_int_equal(run_program("curve --help", &output, NULL), 0);
    assert_contains(output, "example: wetsweep curve --points");
    free(output);
}

static int remove_table(void **state)
{
    (void)state;
    unlink(table_of(""));
    return 0;
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_norris),     cmocka_unit_test(test_pontius),
        cmocka_unit_test(test_gum_h3),     cmocka_unit_test(test_iso28037),
        cmocka_unit_test(test_transducer), cmocka_unit_test(test_cycles),
        cmocka_unit_test(test_reasons),    cmocka_unit_test(test_bad_tables),
        cmocka_unit_test(test_huge_file),  cmocka_unit_test(test_text),
    };
    return cmocka_run_group_tests_name("curve --points", tests, NULL, remove_table);
}
