/* SPDX-License-Identifier: GPL-3.0-or-later
 * What a step's model leaves over, in the mean over steps, and what is said of the other models. */
#include "check.h"

#include "results/fit_step.h"

#include <math.h>
#include <stdlib.h>

enum { STEPS = 4 };

/* Two readings, at 0.5 s and at 2 s, of steps that leave over 1 to 4 and nothing that counts. */
static void drawn(struct fit *fit, size_t steps)
{
    struct fit_work work = {.fit = fit};
    struct fit_step_data *data = calloc(1, sizeof *data);
    assert_non_null(data);
    struct fit_step_left over;
    struct sample samples[] = {{.t_s = -1, .weight = 1},
                               {.t_s = 0.5, .weight = 3},
                               {.t_s = 0.5, .weight = 1},
                               {.t_s = 2, .weight = 1}};
    double left[] = {NAN, 0, 0, NAN};
    data->samples = samples;
    data->left = left;
    data->count = 4;
    data->pieces[0].end_s = 0.2;
    const struct step_fit fitted = {.model = {.tau_s = 0.1}};
    fit_step_left_begin(&over, data, &fitted);
    assert_near(over.from_s, -1, 0, "s");
    assert_near(over.to_s, 2, 0, "s"); /* the last reading, before the 2.2 s of the rule */
    for (size_t i = 0; i < steps; i++) {
        left[1] = (double)i + 1;
        left[2] = (double)i - 3; /* three to one: the mean is i */
        fit_step_left_add(&over, data);
    }
    const double aicc[RESPONSE_KIND_COUNT] = {12.5, 10, NAN};
    struct rig_err err = {0};
    assert_int_equal(
        fit_step_left_figure(&work, &over, -1, 1u << RESPONSE_TWO_TIME_CONSTANTS, aicc, 7, &err),
        0);
    free(data);
}

static void mean_and_interval(void **state)
{
    (void)state;
    struct fit fit = {0};
    drawn(&fit, STEPS);
    assert_int_equal(fit.figures.count, 1);
    const struct figure *figure = fit.figures.figures;
    assert_string_equal(figure->id, "step-residual-falling");
    const struct figure_series *series = figure->series;
    assert_int_equal(series->count, 1);
    assert_near(series->x[0], 0.51, 1e-12, "s"); /* the middle of its bin of 0.02 s */
    assert_near(series->y[0], 1.5, 1e-12, "mm");
    /* 0, 1, 2, 3: deviation sqrt(5/3), of the mean half that; t(0.975, 3) = 3.182446 from any
     * table. */
    assert_near(series->high[0] - series->y[0], 3.182446 * sqrt(5.0 / 3) / 2, 1e-5, "mm");
    assert_near(series->y[0] - series->low[0], 3.182446 * sqrt(5.0 / 3) / 2, 1e-5, "mm");
    assert_contains(figure->sentence, "the model has dead time and two time constants");
    assert_contains(figure->sentence, "dead time and one time constant +2.5");
    assert_contains(figure->sentence, "dead time and a stretched exponential no better (7 steps).");
    figure_list_free(&fit.figures);
}

static void few_steps_have_no_interval(void **state)
{
    (void)state;
    struct fit fit = {0};
    drawn(&fit, 2);
    assert_null(fit.figures.figures[0].series[0].low);
    assert_near(fit.figures.figures[0].series[0].y[0], 0.5, 1e-12, "mm");
    figure_list_free(&fit.figures);
    fit = (struct fit){0};
    drawn(&fit, 0);
    assert_int_equal(fit.figures.count, 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(mean_and_interval),
        cmocka_unit_test(few_steps_have_no_interval),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
