/* SPDX-License-Identifier: GPL-3.0-or-later
 * A link behind another: closed-form answers, and a limit of its rate. */
#include "check.h"

#include "results/links.h"

#include <math.h>

enum { SAMPLES = 600 };

/* The link before: a ramp of 60 mm/s from 0 to 60 mm behind one time constant tau; the exact answer
 * of a first-order lag to a ramp (any control handbook): r (t - tau (1 - e^(-t/tau))). */
static double ramp_answer(double t_s, double tau_s)
{
    const double rate = 60, ends_s = 1;
    double up = t_s <= 0 ? 0 : rate * (t_s - tau_s * (1 - exp(-t_s / tau_s)));
    double past = t_s - ends_s;
    double down = past <= 0 ? 0 : rate * (past - tau_s * (1 - exp(-past / tau_s)));
    return up - down;
}

/* The same behind two time constants, by partial fractions. */
static double ramp_answer_of_two(double t_s, double a_s, double b_s)
{
    return (a_s * ramp_answer(t_s, a_s) - b_s * ramp_answer(t_s, b_s)) / (a_s - b_s);
}

static void sample(struct sample samples[], double dead_s, double a_s, double b_s)
{
    for (int i = 0; i < SAMPLES; i++) {
        double t_s = -1 + 0.01 * i;
        samples[i] = (struct sample){.t_s = t_s, .weight = 1};
        samples[i].value =
            b_s > 0 ? ramp_answer_of_two(t_s - dead_s, a_s, b_s) : ramp_answer(t_s - dead_s, a_s);
    }
}

static void a_link_is_told_from_the_one_before(void **state)
{
    (void)state;
    static struct sample before[SAMPLES], after[SAMPLES];
    struct step_fit fit;
    struct rig_err err = {0};
    sample(before, 0, 0.3, 0);
    sample(after, 0.05, 0.3, 0.12);
    if (link_step(&fit, before, SAMPLES, after, SAMPLES, &err))
        fail_msg("%s", err.text);
    assert_near(fit.dead_s.value, 0.05, 0.001, "s");
    assert_near(fit.tau_s.value, 0.12, 0.001, "s");
    assert_near(fit.mean_lag_s.value, 0.17, 0.001, "s");
    /* One that is much faster than the link before it. */
    sample(after, 0, 0.3, 0.02);
    if (link_step(&fit, before, SAMPLES, after, SAMPLES, &err))
        fail_msg("%s", err.text);
    assert_near(fit.mean_lag_s.value, 0.02, 0.001, "s");
    assert_int_equal(link_step(&fit, before, 3, after, SAMPLES, &err), RIG_EUNKNOWABLE);
}

static void a_limited_rate_is_seen(void **state)
{
    (void)state;
    static struct sample before[SAMPLES], after[SAMPLES];
    sample(before, 0, 0.05, 0);
    double value = 0;
    for (int i = 0; i < SAMPLES; i++) {
        value = fmin(before[i].value, value + 20 * 0.01);
        after[i] = before[i];
        after[i].value = value;
    }
    struct link_rate rate = link_rate_of(before, SAMPLES, after, SAMPLES, 0.05);
    assert_near(rate.most_mm_s, 20, 0.01, "mm/s");
    assert_near(rate.input_mm_s, 60, 0.5, "mm/s");
    assert_true(rate.share > 0.8);
    rate = link_rate_of(before, 2, after, 2, 0.05);
    assert_near(rate.most_mm_s, 0, 0, "mm/s");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_link_is_told_from_the_one_before),
        cmocka_unit_test(a_limited_rate_is_seen),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
