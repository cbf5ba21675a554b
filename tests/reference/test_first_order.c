/* SPDX-License-Identifier: GPL-3.0-or-later
 * A first-order lag against its handbook numbers. Formulas: Cimbala, ME 345 (Penn
 * State), dynamic system response, as followed by a university's laboratory notebook;
 * the same stand in any control handbook. Digits worked out from them in 20-digit
 * arithmetic, apart from this program. IEEE 181: settling counts from the 50 % instant. */
#include "check.h"

#include "results/response.h"

#include <math.h>

#include <gsl/gsl_errno.h>

static void step(void **state)
{
    (void)state;
    static const double expected[5] = {0.632120558829, 0.864664716763, 0.950212931632,
                                       0.981684361111, 0.993262053001};
    const struct response_model model = {RESPONSE_FIRST_ORDER, 0, 0.4, 0, 0};
    for (int k = 0; k < 5; k++)
        assert_near(response_step(&model, 0.4 * (k + 1)), expected[k], 6e-13, "");
    /* the same through a motion that jumps */
    struct motion_piece jump = {0, INFINITY, 1, 0, 0, 0};
    struct response response;
    struct rig_err err;
    assert_int_equal(response_open(&response, &jump, 1, 0, &err), 0);
    response_set(&response, &model);
    for (int k = 0; k < 5; k++)
        assert_near(response_at(&response, 0.4 * (k + 1)), expected[k], 6e-13, "");
    response_free(&response);
}

static void durations(void **state)
{
    (void)state;
    const struct response_model model = {RESPONSE_FIRST_ORDER, 0.7, 1, 0, 0};
    assert_near(response_transition(&model), 2.19722457734, 6e-12, "tau");
    assert_near(response_step_time(&model, 0.98) - 0.7, 3.91202300543, 6e-12, "tau");
    assert_near(response_step_time(&model, 0.95) - 0.7, 2.99573227355, 6e-12, "tau");
    assert_near(response_settling(&model), 3.21887582487, 6e-12, "tau");
    assert_near(response_mean_lag(&model), 1.7, 1e-15, "s");
    assert_near(response_step_time(&model, 1 - exp(-1)), 1.7, 1e-14, "s");
}

/* R = 50 mm/s, tau = 0.25 s, the ramp stops at 2 s. */
static void ramp(void **state)
{
    (void)state;
    const struct response_model model = {RESPONSE_FIRST_ORDER, 0, 0.25, 0, 0};
    struct motion_piece piece = {0, 2, 0, 50, 0, 0};
    struct response response;
    struct rig_err err;
    assert_int_equal(response_open(&response, &piece, 1, 0, &err), 0);
    response_set(&response, &model);
    assert_near(100 - response_at(&response, 2), 12.4958067172, 6e-11, "mm");
    assert_near(100 - response_at(&response, 2.25), 4.59695039209, 6e-12, "mm");
    for (double t = 0; t < 2; t += 0.1) /* y = R (t - tau (1 - exp(-t/tau))) */
        assert_near(response_at(&response, t), 50 * (t - 0.25 * (1 - exp(-t / 0.25))), 1e-12, "mm");
    response_free(&response);
}

/* Area between input and output over a move of height H: H (tau + dead time). The trapezoidal
 * move of 100 mm at 50 mm/s and 200 mm/s2. */
static void area(void **state)
{
    (void)state;
    struct motion_piece pieces[] = {
        {0, 0.25, 0, 0, 200, 0}, {0.25, 2, 6.25, 50, 0, 0}, {2, 2.25, 93.75, 50, -200, 0}};
    const struct response_model model = {RESPONSE_FIRST_ORDER, 0.13, 0.25, 0, 0};
    struct response response;
    struct rig_err err;
    assert_int_equal(response_open(&response, pieces, 3, 0, &err), 0);
    response_set(&response, &model);
    double end_s = 20;
    double sum = end_s * (response_input_mean(&response, end_s / 2, end_s) -
                          response_mean(&response, end_s / 2, end_s));
    assert_near(sum / 100, 0.38, 1e-12, "s");
    response_free(&response);
}

/* The sine as a chain of short cubics (Hermite), twenty time constants after its start. */
static void sine(void **state)
{
    (void)state;
    static const struct {
        double w_tau, gain, phase_deg;
    } table[] = {{0.1, 0.9950371902, -5.710593137},
                 {0.5, 0.8944271910, -26.56505118},
                 {1, 0.7071067812, -45},
                 {2, 0.4472135955, -63.43494882},
                 {10, 0.09950371902, -84.28940686}};
    enum { PIECES = 4000 };
    static struct motion_piece pieces[PIECES];
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        double w = table[i].w_tau, length = 30 + 2 * M_PI / w, h = length / PIECES; /* tau = 1 s */
        for (int k = 0; k < PIECES; k++) {
            double t = k * h, s0 = sin(w * t), s1 = sin(w * (t + h));
            double v0 = w * cos(w * t), v1 = w * cos(w * (t + h));
            double a = 2 * (3 * (s1 - s0) - h * (2 * v0 + v1)) / (h * h);
            double j = 6 * (2 * (s0 - s1) + h * (v0 + v1)) / (h * h * h);
            pieces[k] = (struct motion_piece){t, t + h, s0, v0, a, j};
        }
        const struct response_model model = {RESPONSE_FIRST_ORDER, 0, 1, 0, 0};
        struct response response;
        struct rig_err err;
        assert_int_equal(response_open(&response, pieces, PIECES, 0, &err), 0);
        response_set(&response, &model);
        double gain = table[i].gain, phase = table[i].phase_deg * M_PI / 180;
        for (double t = 30; t < length; t += 0.7)
            assert_near(response_at(&response, t), gain * sin(w * t + phase), 2e-9, "");
        response_free(&response);
    }
}

int main(void)
{
    gsl_set_error_handler_off();
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(step), cmocka_unit_test(durations), cmocka_unit_test(ramp),
        cmocka_unit_test(area), cmocka_unit_test(sine),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
