/* SPDX-License-Identifier: GPL-3.0-or-later
 * Three roads to one number: by hand, simulated, disagreeing, missing. */
#include "check.h"
#include "montecarlo.h"

#include "results/agree.h"

#include <math.h>

#include <gsl/gsl_errno.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>

static const unsigned long seed = 20240502;

/* 10 and 13 with u = 1 and 2: mean (10 + 13/4)/(5/4) = 10.6, u = sqrt(4/5), chi2 = 9/5;
 * p of chi2 with one degree = erfc(sqrt(chi2/2)). */
static void by_hand(void **state)
{
    (void)state;
    const struct agree_road roads[] = {
        {"step", {10, 1, INFINITY}}, {"ramp", {NAN, NAN, NAN}}, {"sine", {13, 2, INFINITY}}};
    struct agreement agreement;
    struct rig_err err;
    assert_int_equal(agree_check(&agreement, roads, 3, 0, "ms", &err), 0);
    assert_int_equal(agreement.roads, 2);
    assert_near(agreement.mean.value, 10.6, 1e-14, "ms");
    assert_near(agreement.mean.u, sqrt(0.8), 1e-14, "ms");
    assert_near(agreement.chi_squared, 1.8, 1e-14, "");
    assert_near(agreement.p, erfc(sqrt(0.9)), 1e-12, "");
    assert_true(agreement.agree);
    assert_contains(agreement.text, "2 roads agree");
    assert_int_equal(agree_check(&agreement, roads, 3, 0.6, "ms", &err), 0);
    assert_near(agreement.mean.u, sqrt(0.8 + 0.36), 1e-14, "ms");
    assert_near(agreement.chi_squared, 1.8, 1e-14, ""); /* what is shared can't divide them */
}

static void disagree(void **state)
{
    (void)state;
    const struct agree_road roads[] = {{"step", {0.10, 0.002, INFINITY}},
                                       {"ramp", {0.101, 0.002, INFINITY}},
                                       {"sine", {0.13, 0.002, INFINITY}}};
    struct agreement agreement;
    struct rig_err err;
    assert_int_equal(agree_check(&agreement, roads, 3, 0, "s", &err), 0);
    assert_false(agreement.agree);
    assert_int_equal(agreement.worst, 0);
    assert_int_equal(agreement.other, 2);
    assert_contains(agreement.text, "step says 0.1 s and sine 0.13 s");
    /* widened until it holds them */
    assert_near(agreement.mean.u, 0.002 / sqrt(3) * sqrt(agreement.chi_squared / 2), 1e-12, "s");
}

/* Three roads that do agree, one with few degrees of freedom: the mean covers, and alarms are as
 * rare as they should be. */
static void simulated(void **state)
{
    (void)state;
    print_message("seed %lu\n", seed);
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(rng, seed);
    struct tally mean = {.what = "weighted mean"};
    size_t alarms = 0, runs = 4000;
    for (size_t run = 0; run < runs; run++) {
        double u_ramp = 0.003 * sqrt(gsl_ran_chisq(rng, 8) / 8); /* from nine passes */
        double shared = gsl_ran_gaussian(rng, 0.001);
        const struct agree_road roads[] = {
            {"step", {0.2 + shared + gsl_ran_gaussian(rng, 0.002), 0.002, INFINITY}},
            {"ramp", {0.2 + shared + gsl_ran_gaussian(rng, 0.003), u_ramp, 8}},
            {"sine", {0.2 + shared + gsl_ran_gaussian(rng, 0.004), 0.004, INFINITY}}};
        struct agreement agreement;
        struct rig_err err;
        assert_int_equal(agree_check(&agreement, roads, 3, 0.001, "s", &err), 0);
        alarms += !agreement.agree;
        tally_add(&mean, agreement.mean.value, agreement.mean.u, agreement.mean.dof, 0.2);
    }
    gsl_rng_free(rng);
    assert_honest(&mean);
    print_message("false alarms: %zu of %zu, 1 %% expected\n", alarms, runs);
    assert_true(alarms < runs / 40);
}

static void refusals(void **state)
{
    (void)state;
    struct agree_road roads[] = {{"step", {NAN, NAN, NAN}}, {"ramp", {0.3, 0.01, 5}}};
    struct agreement agreement;
    struct rig_err err;
    assert_int_equal(agree_check(&agreement, roads, 1, 0, "s", &err), RIG_EUNKNOWABLE);
    assert_contains(err.text, "no road");
    assert_int_equal(agree_check(&agreement, roads, 2, 0, "s", &err), 0);
    assert_contains(agreement.text, "only the ramp road");
    assert_near(agreement.mean.value, 0.3, 0, "s");
    assert_true(isnan(agreement.p));
    roads[1].value.u = 0;
    assert_int_equal(agree_check(&agreement, roads, 2, 0, "s", &err), RIG_EBUG);
}

int main(void)
{
    gsl_set_error_handler_off();
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(by_hand),
        cmocka_unit_test(disagree),
        cmocka_unit_test(simulated),
        cmocka_unit_test(refusals),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
