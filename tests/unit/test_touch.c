/* SPDX-License-Identifier: GPL-3.0-or-later
 * results/touch.c: the place where a reading leaves its value in air, against known truth. */
#include "check.h"
#include "montecarlo.h"

#include "results/touch.h"

#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>

enum { POINTS = 128 };
static const unsigned long seed = 20260401;

static void way(struct touch_point points[], double surface_mm, double slope, double sd,
                gsl_rng *random)
{
    for (size_t i = 0; i < POINTS; i++) {
        double depth = -3 + 6 * (double)i / (POINTS - 1);
        points[i] = (struct touch_point){.depth_mm = depth,
                                         .reading = 0.35 + slope * fmax(0, depth - surface_mm) +
                                                    (random ? gsl_ran_gaussian(random, sd) : 0),
                                         .weight = 5};
    }
}

static void finds_the_bend(void **state)
{
    (void)state;
    struct touch_point points[POINTS];
    struct touch_fit fit;
    struct rig_err err;
    for (double surface = -2; surface <= 2.5; surface += 0.3) {
        way(points, surface, -0.021, 0, NULL); /* a reading may fall with the depth */
        assert_int_equal(touch_find(&fit, points, POINTS, &err), 0);
        assert_near(fit.surface_mm, surface, 1e-6, "mm");
        assert_near(fit.air, 0.35, 1e-9, "reading in air");
        assert_near(fit.slope, -0.021, 1e-9, "slope");
    }
}

static void says_how_well(void **state)
{
    (void)state;
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    struct tally surface = {.what = "surface"};
    print_message("seed %lu\n", seed);
    gsl_rng_set(random, seed);
    for (int run = 0; run < 600; run++) {
        struct touch_point points[POINTS];
        struct touch_fit fit;
        struct rig_err err;
        double truth = 4 * gsl_rng_uniform(random) - 2;
        way(points, truth, 0.02, 0.003, random);
        assert_int_equal(touch_find(&fit, points, POINTS, &err), 0);
        tally_add(&surface, fit.surface_mm, fit.surface_u_mm, POINTS - 3, truth);
    }
    gsl_rng_free(random);
    assert_honest(&surface);
}

static void refuses(void **state)
{
    (void)state;
    struct touch_point points[POINTS];
    struct touch_fit fit = {.surface_mm = 7};
    struct rig_err err;
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    unsigned found = 0;
    for (int run = 0; run < 200; run++) { /* noise alone must not look like water */
        way(points, 0, 0, 0.003, random);
        found += touch_find(&fit, points, POINTS, &err) == 0;
    }
    print_message("%u of 200 ways in air took noise for water\n", found);
    assert_true(found <= 2);
    way(points, 10, 0.02, 0.003, random);
    assert_int_equal(touch_find(&fit, points, POINTS, &err), RIG_EUNKNOWABLE);
    assert_contains(err.text, "does not change on the way from -3 mm to 3 mm");
    way(points, -10, 0.02, 0.003, random);
    assert_int_equal(touch_find(&fit, points, POINTS, &err), RIG_EUNKNOWABLE);
    assert_contains(err.text, "from the beginning of the way");
    assert_int_equal(touch_find(&fit, points, 5, &err), RIG_EUNKNOWABLE);
    gsl_rng_free(random);
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(finds_the_bend),
                                       cmocka_unit_test(says_how_well), cmocka_unit_test(refuses)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
