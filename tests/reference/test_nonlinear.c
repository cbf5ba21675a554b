/* SPDX-License-Identifier: GPL-3.0-or-later
 * NIST StRD nonlinear sets from both published starts. Source of data and certified
 * values: tests/reference/nonlinear/README.md. */
#include "check.h"

#include "results/nonlinear.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <gsl/gsl_errno.h>

struct set {
    double x[256], y[256];
    size_t n;
    double (*model)(const double b[], double x);
};

static double rising_exponential(const double b[], double x)
{
    return b[0] * (1 - exp(-b[1] * x));
}
static double thurber(const double b[], double x)
{
    return (b[0] + x * (b[1] + x * (b[2] + x * b[3]))) / (1 + x * (b[4] + x * (b[5] + x * b[6])));
}
static double mgh17(const double b[], double x)
{
    return b[0] + b[1] * exp(-x * b[3]) + b[2] * exp(-x * b[4]);
}
static double lanczos(const double b[], double x)
{
    return b[0] * exp(-b[1] * x) + b[2] * exp(-b[3] * x) + b[4] * exp(-b[5] * x);
}
static double danwood(const double b[], double x)
{
    return b[0] * pow(x, b[1]);
}
static double chwirut(const double b[], double x)
{
    return exp(-b[0] * x) / (b[1] + b[2] * x);
}
static double gauss(const double b[], double x)
{
    return b[0] * exp(-b[1] * x) + b[2] * exp(-pow((x - b[3]) / b[4], 2)) +
           b[5] * exp(-pow((x - b[6]) / b[7], 2));
}

static int residuals(void *context, const double b[], double residual[])
{
    const struct set *set = context;
    for (size_t i = 0; i < set->n; i++)
        residual[i] = set->model(b, set->x[i]) - set->y[i];
    return 0;
}

static void read_set(struct set *set, const char *name)
{
    char file[64], line[256];
    snprintf(file, sizeof file, "nonlinear/%s.csv", name);
    FILE *in = fopen(reference_path(file), "r");
    assert_non_null(in);
    assert_non_null(fgets(line, sizeof line, in));
    set->n = 0;
    while (fgets(line, sizeof line, in)) {
        char *end;
        set->x[set->n] = strtod(line, &end);
        assert_int_equal(*end, ',');
        set->y[set->n++] = strtod(end + 1, NULL);
    }
    fclose(in);
}

/* value and sd of one quantity; fails the test when it isn't there. */
static double certified(const char *name, const char *quantity, double *sd)
{
    FILE *in = fopen(reference_path("nonlinear/certified.csv"), "r");
    assert_non_null(in);
    char line[512], want[64];
    snprintf(want, sizeof want, ",%s,", quantity);
    double value = NAN;
    while (fgets(line, sizeof line, in)) {
        char *place = strstr(line, want);
        if (strncmp(line, name, strlen(name)) != 0 || line[strlen(name)] != ',' || !place)
            continue;
        char *end;
        value = strtod(place + strlen(want), &end);
        if (sd)
            *sd = strtod(end + 1, NULL);
    }
    fclose(in);
    assert_true(isfinite(value));
    return value;
}

/* quick: from starts that are near, the second ones. */
static void check_set(const char *name, size_t p, double (*model)(const double[], double),
                      bool quick)
{
    struct set set = {.model = model};
    read_set(&set, name);
    assert_int_equal(set.n, (size_t)certified(name, "observations", NULL));
    for (int start = 1 + quick; start <= 2; start++) {
        double from[NONLINEAR_PARAMETER_LIMIT];
        char quantity[32];
        for (size_t k = 0; k < p; k++) {
            snprintf(quantity, sizeof quantity, "b%zu_start%d", k + 1, start);
            from[k] = certified(name, quantity, NULL);
        }
        struct nonlinear_problem problem = {
            .n = set.n, .p = p, .residuals = residuals, .context = &set, .quick = quick};
        struct nonlinear_fit fit;
        struct rig_err err = {0};
        int code = nonlinear_minimise(&fit, &problem, from, &err);
        if (code)
            print_error("%s from start %d: %s\n", name, start, err.text);
        assert_int_equal(code, 0);
        assert_true(fit.determined);
        for (size_t k = 0; k < p; k++) {
            double sd = 0;
            snprintf(quantity, sizeof quantity, "b%zu", k + 1);
            double value = certified(name, quantity, &sd);
            assert_digits(fit.parameters[k], value, 6);
            assert_digits(nonlinear_standard_uncertainty(&fit, k), sd, quick ? 4 : 6);
        }
        assert_digits(fit.sum_of_squares, certified(name, "residual_sum_of_squares", NULL), 6);
        assert_near(fit.degrees_of_freedom, certified(name, "degrees_of_freedom", NULL), 0, "");
    }
}

#define SET(test, name, p, model)                                                                  \
    static void test(void **state)                                                                 \
    {                                                                                              \
        (void)state;                                                                               \
        check_set(name, p, model, false);                                                          \
    }
SET(misra1a, "Misra1a", 2, rising_exponential)
SET(boxbod, "BoxBOD", 2, rising_exponential)
SET(thurber_set, "Thurber", 7, thurber)
SET(mgh17_set, "MGH17", 5, mgh17)
SET(lanczos3, "Lanczos3", 6, lanczos)
SET(danwood_set, "DanWood", 2, danwood)
SET(chwirut2, "Chwirut2", 3, chwirut)
SET(gauss1, "Gauss1", 8, gauss)

/* Differences to one side find the same minimum; what ends early where little is left to gain ends
 * within its promise, sqrt(flat n) of a standard uncertainty. */
static void quick_and_flat(void **state)
{
    (void)state;
    check_set("Misra1a", 2, rising_exponential, true);
    check_set("Chwirut2", 3, chwirut, true);
    check_set("DanWood", 2, danwood, true);
    struct set set = {.model = chwirut};
    read_set(&set, "Chwirut2");
    double typical[] = {0.01, 0.01, 0.01}, start[] = {0.15, 0.008, 0.010};
    struct nonlinear_problem problem = {.n = set.n,
                                        .p = 3,
                                        .residuals = residuals,
                                        .context = &set,
                                        .typical = typical,
                                        .flat = 1e-8,
                                        .quick = true};
    struct nonlinear_fit early, full;
    struct rig_err err;
    assert_int_equal(nonlinear_minimise(&early, &problem, start, &err), 0);
    problem.flat = 0;
    assert_int_equal(nonlinear_minimise(&full, &problem, start, &err), 0);
    assert_true(early.iterations < full.iterations);
    for (size_t k = 0; k < 3; k++)
        assert_near(early.parameters[k], full.parameters[k],
                    sqrt(1e-8 * (double)set.n) * nonlinear_standard_uncertainty(&full, k), "");
}

/* Parameters that only enter as a product can't be told apart: said, not invented. */
static double product(const double b[], double x)
{
    return b[0] * b[1] * x;
}
static void undetermined(void **state)
{
    (void)state;
    struct set set = {.n = 5, .x = {1, 2, 3, 4, 5}, .y = {2.1, 3.9, 6.2, 8, 9.9}, .model = product};
    struct nonlinear_problem problem = {.n = 5, .p = 2, .residuals = residuals, .context = &set};
    double start[] = {1, 1};
    struct nonlinear_fit fit;
    struct rig_err err;
    assert_int_equal(nonlinear_minimise(&fit, &problem, start, &err), 0);
    assert_near(fit.parameters[0] * fit.parameters[1], 2, 1e-6, "");
    assert_false(fit.determined);
    assert_true(isnan(nonlinear_standard_uncertainty(&fit, 0)));
}

static void refusals(void **state)
{
    (void)state;
    struct set set = {.n = 1, .x = {1}, .y = {2}, .model = product};
    struct nonlinear_problem problem = {.n = 1, .p = 2, .residuals = residuals, .context = &set};
    double start[] = {1, NAN};
    struct nonlinear_fit fit;
    struct rig_err err;
    assert_int_equal(nonlinear_minimise(&fit, &problem, start, &err), RIG_EUNKNOWABLE);
    assert_contains(err.text, "1 values can't give 2 parameters");
    problem.n = set.n = 3;
    assert_int_equal(nonlinear_minimise(&fit, &problem, start, &err), RIG_EUNKNOWABLE);
    assert_contains(err.text, "start is outside");
}

/* Burnham & Anderson 2002, 7.36, by hand: n = 10, p = 2, rss = 5. */
static void aicc(void **state)
{
    (void)state;
    assert_near(nonlinear_aicc(10, 2, 5), 10 * log(0.5) + 6 + 24.0 / 6, 1e-12, "");
    assert_true(isinf(nonlinear_aicc(4, 2, 5)));
}

static double ratio(const void *context, const double b[])
{
    (void)context;
    return b[0] / b[1];
}
/* u^2 of a/b = (u_a/b)^2 + (a u_b/b^2)^2 - 2 a cov/b^3 */
static void propagate(void **state)
{
    (void)state;
    double b[] = {6, 2};
    double covariance[2][NONLINEAR_PARAMETER_LIMIT] = {{0.01, 0.002}, {0.002, 0.0004}};
    assert_near(nonlinear_propagate(ratio, NULL, b, 2, covariance),
                sqrt(0.01 / 4 + 36 * 0.0004 / 16 - 2 * 6 * 0.002 / 8), 1e-6, "");
}

int main(void)
{
    gsl_set_error_handler_off();
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(misra1a),        cmocka_unit_test(boxbod),
        cmocka_unit_test(thurber_set),    cmocka_unit_test(mgh17_set),
        cmocka_unit_test(lanczos3),       cmocka_unit_test(danwood_set),
        cmocka_unit_test(chwirut2),       cmocka_unit_test(gauss1),
        cmocka_unit_test(undetermined),   cmocka_unit_test(refusals),
        cmocka_unit_test(aicc),           cmocka_unit_test(propagate),
        cmocka_unit_test(quick_and_flat),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
