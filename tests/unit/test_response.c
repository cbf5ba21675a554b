/* SPDX-License-Identifier: GPL-3.0-or-later
 * Closed forms of results/response against plain numerical integration that knows
 * nothing of them. */
#include "check.h"

#include "results/response.h"

#include <math.h>
#include <string.h>

#include <gsl/gsl_errno.h>

/* 100 mm in jerk-limited motion (0.1 s at 2000 mm/s3, 0.15 s at 200 mm/s2, cruise at 50 mm/s),
 * after a gap of rest, from 20 mm. */
static size_t jerk_limited(struct motion_piece pieces[7], double start_s)
{
    const double lasts[7] = {0.1, 0.15, 0.1, 1.65, 0.1, 0.15, 0.1};
    const double jerk[7] = {2000, 0, -2000, 0, -2000, 0, 2000};
    double t = start_s, d = 20, v = 0, a = 0;
    for (int i = 0; i < 7; i++) {
        pieces[i] = (struct motion_piece){t, t + lasts[i], d, v, a, jerk[i]};
        double u = lasts[i];
        d += u * (v + u * (a / 2 + u * jerk[i] / 6));
        v += u * (a + u * jerk[i] / 2);
        a += u * jerk[i];
        t += u;
    }
    assert_near(d, 120, 1e-9, "mm");
    return 7;
}

/* Fourth-order Runge-Kutta through both elements in steps of h. */
static double integrated(const struct response *input, const struct response_model *model,
                         double from_s, double t_s)
{
    int steps = 40000;
    double h = (t_s - model->dead_s - from_s) / steps, x = 20, y = 20;
    bool two = model->kind == RESPONSE_TWO_TIME_CONSTANTS;
    double tau2 = two ? model->tau2_s : 1;
    for (int i = 0; i < steps; i++) {
        double t = from_s + i * h, u[3];
        for (int k = 0; k < 3; k++)
            u[k] = response_input(input, t + k * h / 2);
        double k1 = (u[0] - x) / model->tau_s, l1 = (x - y) / tau2;
        double k2 = (u[1] - x - h / 2 * k1) / model->tau_s;
        double l2 = (x + h / 2 * k1 - y - h / 2 * l1) / tau2;
        double k3 = (u[1] - x - h / 2 * k2) / model->tau_s;
        double l3 = (x + h / 2 * k2 - y - h / 2 * l2) / tau2;
        double k4 = (u[2] - x - h * k3) / model->tau_s, l4 = (x + h * k3 - y - h * l3) / tau2;
        x += h / 6 * (k1 + 2 * k2 + 2 * k3 + k4);
        y += h / 6 * (l1 + 2 * l2 + 2 * l3 + l4);
    }
    return two ? y : x;
}

static void differential_equation(void **state)
{
    (void)state;
    struct motion_piece pieces[7];
    size_t n = jerk_limited(pieces, 0.5);
    struct response response;
    struct rig_err err;
    assert_int_equal(response_open(&response, pieces, n, 20, &err), 0);
    const struct response_model models[] = {
        {RESPONSE_FIRST_ORDER, 0, 0.25, 0, 0},
        {RESPONSE_FIRST_ORDER, 0.137, 0.02, 0, 0},
        {RESPONSE_FIRST_ORDER, -0.05, 40, 0, 0},
        {RESPONSE_TWO_TIME_CONSTANTS, 0.05, 0.25, 0.1, 0},
        {RESPONSE_TWO_TIME_CONSTANTS, 0, 0.1, 0.25, 0},
        {RESPONSE_TWO_TIME_CONSTANTS, 0, 0.25, 0.25, 0},
        {RESPONSE_TWO_TIME_CONSTANTS, 0, 0.25, 0.2500001, 0},
        {RESPONSE_TWO_TIME_CONSTANTS, 0, 0.25, 0.24, 0},
        {RESPONSE_TWO_TIME_CONSTANTS, 0, 30, 31, 0},
        {RESPONSE_TWO_TIME_CONSTANTS, 0, 0.02, 3, 0},
    };
    for (size_t m = 0; m < sizeof models / sizeof models[0]; m++) {
        response_set(&response, &models[m]);
        for (double t = 0.6; t < 5; t += 0.371)
            assert_near(response_at(&response, t), integrated(&response, &models[m], 0.4, t), 1e-6,
                        "mm");
    }
    response_free(&response);
}

/* tau 0 is the input itself, tau tiny is close to it, and nothing overflows on the way. */
static void short_and_long(void **state)
{
    (void)state;
    struct motion_piece pieces[7];
    size_t n = jerk_limited(pieces, 0);
    struct response response;
    struct rig_err err;
    assert_int_equal(response_open(&response, pieces, n, 20, &err), 0);
    for (double t = -1; t < 4; t += 0.173) {
        double input = response_input(&response, t);
        for (int kind = 0; kind < RESPONSE_KIND_COUNT; kind++) {
            struct response_model model = {(enum response_kind)kind, 0, 0, 0, 1};
            response_set(&response, &model);
            assert_near(response_at(&response, t), input, 1e-12, "mm");
            model.tau_s = 1e-12;
            response_set(&response, &model);
            assert_near(response_at(&response, t), input, 1e-9, "mm");
            model.tau_s = 1e-300;
            response_set(&response, &model);
            assert_near(response_at(&response, t), input, 1e-9, "mm");
            /* so slow that it only takes up the area: 1e9 s against 4 s */
            model.tau_s = 1e9;
            response_set(&response, &model);
            assert_near(response_at(&response, t), 20, 1e-5, "mm");
        }
        struct response_model one = {RESPONSE_TWO_TIME_CONSTANTS, 0.1, 0, 0.3, 0};
        response_set(&response, &one);
        double second_only = response_at(&response, t);
        one = (struct response_model){RESPONSE_TWO_TIME_CONSTANTS, 0.1, 0.3, 0, 0};
        response_set(&response, &one);
        assert_near(response_at(&response, t), second_only, 1e-12, "mm");
    }
    /* a slow link moves by area/tau: relative accuracy, not only absolute */
    struct response_model slow = {RESPONSE_FIRST_ORDER, 0, 1e6, 0, 0};
    response_set(&response, &slow);
    double t = 2.35; /* end of motion: by symmetry the mean of the move is half its height */
    assert_near((response_at(&response, t) - 20) * 1e6, 100 * 2.35 / 2, 1e-3, "mm s");
    response_free(&response);
}

/* beta 1 is the first-order lag; others against the convolution integral done with
 * the midpoint rule in x^beta, which takes the cusp away. */
static double convolved(const struct response *input, const struct response_model *model, double t)
{
    const int steps = 200000;
    double top = pow(8, model->beta), sum = 0;
    for (int i = 0; i < steps; i++) {
        /* q = (x/tau)^beta; density of the impulse response in q is e^-q */
        double q = top * (i + 0.5) / steps;
        double x = model->tau_s * pow(q, 1 / model->beta);
        sum += exp(-q) * response_input(input, t - model->dead_s - x);
    }
    return sum * top / steps + exp(-top) * 20;
}

static void stretched(void **state)
{
    (void)state;
    struct motion_piece pieces[7];
    size_t n = jerk_limited(pieces, 0);
    struct response response;
    struct rig_err err;
    assert_int_equal(response_open(&response, pieces, n, 20, &err), 0);
    for (double tau = 0.003; tau < 20; tau *= 5) {
        struct response_model first = {RESPONSE_FIRST_ORDER, 0.04, tau, 0, 0};
        struct response_model one = {RESPONSE_STRETCHED, 0.04, tau, 0, 1};
        for (double t = -0.5; t < 12; t += 0.137) {
            response_set(&response, &first);
            double expected = response_at(&response, t);
            response_set(&response, &one);
            assert_near(response_at(&response, t), expected, 1e-9, "mm");
        }
    }
    const double betas[] = {0.6, 0.85, 1.4};
    for (int b = 0; b < 3; b++) {
        struct response_model model = {RESPONSE_STRETCHED, 0.1, 0.3, 0, betas[b]};
        response_set(&response, &model);
        double tail = 100 * exp(-pow(8, betas[b])); /* what the reference leaves out */
        for (double t = 0.2; t < 4; t += 0.313)
            assert_near(response_at(&response, t), convolved(&response, &model, t), 2e-4 + tail,
                        "mm");
    }
    response_free(&response);
}

/* Means over a bin against 2000 points of it, also over kinks and with a dead time that
 * ends inside the bin. */
static void means(void **state)
{
    (void)state;
    struct motion_piece pieces[7];
    size_t n = jerk_limited(pieces, 0);
    struct response response;
    struct rig_err err;
    assert_int_equal(response_open(&response, pieces, n, 20, &err), 0);
    const struct response_model models[] = {
        {RESPONSE_FIRST_ORDER, 0.05, 0.2, 0, 0},
        {RESPONSE_FIRST_ORDER, 0, 0, 0, 0},
        {RESPONSE_TWO_TIME_CONSTANTS, 0.05, 0.2, 0.07, 0},
        {RESPONSE_STRETCHED, 0.05, 0.2, 0, 0.8},
    };
    for (size_t m = 0; m < sizeof models / sizeof models[0]; m++) {
        response_set(&response, &models[m]);
        for (double t = -0.05; t < 4; t += 0.0937) {
            double width = 0.08, sum = 0, input = 0;
            for (int i = 0; i < 2000; i++) {
                sum += response_at(&response, t + width * ((i + 0.5) / 2000 - 0.5)) / 2000;
                input += response_input(&response, t + width * ((i + 0.5) / 2000 - 0.5)) / 2000;
            }
            /* the stretched mean is of fourth order only */
            assert_near(response_mean(&response, t, width), sum,
                        models[m].kind == RESPONSE_STRETCHED ? 2e-3 : 2e-6, "mm");
            assert_near(response_input_mean(&response, t, width), input, 2e-6, "mm");
        }
    }
    assert_near(response_input_mean(&response, 1, 0), response_input(&response, 1), 0, "mm");
    assert_true(isnan(response_mean(&response, NAN, 0.1)));
    assert_true(isnan(response_at(&response, NAN)));
    response_free(&response);
}

/* Area between input and output over a move, whatever its shape: height times mean
 * lag (first moment of the impulse response, tests/reference/test_first_order.c). */
static void area_is_mean_lag(void **state)
{
    (void)state;
    struct motion_piece pieces[7];
    size_t n = jerk_limited(pieces, 0);
    struct response response;
    struct rig_err err;
    assert_int_equal(response_open(&response, pieces, n, 20, &err), 0);
    const struct response_model models[] = {
        {RESPONSE_FIRST_ORDER, 0.05, 0.2, 0, 0},
        {RESPONSE_TWO_TIME_CONSTANTS, 0.05, 0.2, 0.07, 0},
        {RESPONSE_STRETCHED, 0.05, 0.2, 0, 0.8},
    };
    for (size_t m = 0; m < 3; m++) {
        response_set(&response, &models[m]);
        double area = 0, width = 0.002;
        for (double t = width / 2; t < 14; t += width)
            area += width *
                    (response_input_mean(&response, t, width) - response_mean(&response, t, width));
        assert_near(area / 100, response_mean_lag(&models[m]), 1e-6, "s");
    }
    response_free(&response);
}

/* Inputs that jump, pieces with gaps between them, no pieces at all. */
static void jumps_and_gaps(void **state)
{
    (void)state;
    struct motion_piece pieces[] = {
        {0, 0, 5, 0, 0, 0},         /* a jump to 5, a rest after it */
        {1, 2, 5, 3, 0, 0},         /* a ramp to 8 */
        {2, INFINITY, 10, 0, 0, 0}, /* and a jump to 10 */
    };
    struct response response;
    struct rig_err err;
    assert_int_equal(response_open(&response, pieces, 3, 2, &err), 0);
    struct response_model first = {RESPONSE_FIRST_ORDER, 0, 0.3, 0, 0};
    struct response_model stretched_one = {RESPONSE_STRETCHED, 0, 0.3, 0, 1};
    for (double t = -0.3; t < 5; t += 0.1) {
        double expected = 2;
        if (t > 0)
            expected += 3 * (1 - exp(-t / 0.3));
        if (t > 1)
            expected += 3 * (t - 1 - 0.3 * (1 - exp(-(t - 1) / 0.3)));
        if (t > 2) {
            expected -= 3 * (t - 2 - 0.3 * (1 - exp(-(t - 2) / 0.3)));
            expected += 2 * (1 - exp(-(t - 2) / 0.3));
        }
        response_set(&response, &first);
        assert_near(response_at(&response, t), expected, 1e-12, "mm");
        response_set(&response, &stretched_one);
        assert_near(response_at(&response, t), expected, 1e-9, "mm");
    }
    response_free(&response);
    assert_int_equal(response_open(&response, NULL, 0, 7, &err), 0);
    assert_near(response_at(&response, 3), 7, 0, "mm");
    response_free(&response);
    pieces[2].start_s = 1.5;
    assert_int_equal(response_open(&response, pieces, 3, 2, &err), RIG_EBUG);
    assert_null(response.spans);
    pieces[2].start_s = 2;
    pieces[1].v0_mm_s = NAN;
    assert_int_equal(response_open(&response, pieces, 3, 2, &err), RIG_EBUG);
    assert_int_equal(response_open(&response, pieces, 3, NAN, &err), RIG_EBUG);
}

/* Times of the ideal step agree with the step itself. */
static void step_times(void **state)
{
    (void)state;
    const struct response_model models[] = {
        {RESPONSE_FIRST_ORDER, 0.05, 0.2, 0, 0},
        {RESPONSE_TWO_TIME_CONSTANTS, 0.05, 0.2, 0.07, 0},
        {RESPONSE_TWO_TIME_CONSTANTS, 0.05, 0.2, 0, 0},
        {RESPONSE_STRETCHED, 0.05, 0.2, 0, 0.8},
    };
    for (size_t m = 0; m < 4; m++)
        for (double fraction = 0.02; fraction < 0.99; fraction += 0.12)
            assert_near(response_step(&models[m], response_step_time(&models[m], fraction)),
                        fraction, 1e-12, "");
    assert_near(response_step(&models[1], 0.05), 0, 0, "");
    /* 1 - (tau e^(-t/tau) - tau2 e^(-t/tau2))/(tau - tau2), any control handbook */
    assert_near(response_step(&models[1], 0.25),
                1 - (0.2 * exp(-1) - 0.07 * exp(-0.2 / 0.07)) / 0.13, 1e-13, "");
}

int main(void)
{
    gsl_set_error_handler_off();
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(differential_equation),
        cmocka_unit_test(short_and_long),
        cmocka_unit_test(stretched),
        cmocka_unit_test(means),
        cmocka_unit_test(area_is_mean_lag),
        cmocka_unit_test(jumps_and_gaps),
        cmocka_unit_test(step_times),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
