/* SPDX-License-Identifier: GPL-3.0-or-later
 * Hysteresis and repeatability of tables worked by hand; the definitions are those of
 * 43 CFR 3175.135. */
#include "check.h"
#include "results/levels.h"

#include <math.h>

enum { U = LEVEL_RISING, D = LEVEL_FALLING };

static struct levels of(const struct level_readings *readings, levels_curve *curve)
{
    struct levels levels;
    struct rig_err err = {0};
    int failed = levels_of(&levels, readings, curve, NULL, &err);
    if (failed)
        print_error("%s\n", err.text);
    assert_int_equal(failed, 0);
    return levels;
}

/* Two cycles over 0, 10, 20. Span of the means:
 *   depth     0            10            20
 *   up     1.00 1.02    2.00 2.06     3.00 3.00
 *   down   1.04 1.00    2.10 2.08     (turning point, read once a cycle)
 * means    1.015         2.06          3.00   span 1.985 */
static const double depth[] = {0, 10, 20, 10, 0, 0, 10, 20, 10, 0};
static const double reading[] = {1.00, 2.00, 3.00, 2.10, 1.04, 1.02, 2.06, 3.00, 2.08, 1.00};
static const signed char direction[] = {U, U, U, D, D, U, U, U, D, D};

static void check_two_cycles(const struct levels *levels)
{
    assert_int_equal(levels->count, 3);
    assert_int_equal(levels->cycles, 2);
    assert_false(levels->moved);
    assert_near(levels->level[0].mean, 1.015, 1e-15, "");
    assert_near(levels->level[1].mean, 2.06, 1e-15, "");
    assert_near(levels->level[2].mean, 3, 0, "");
    assert_near(levels->level[1].rising, 2.03, 1e-15, "");
    assert_near(levels->level[1].falling, 2.09, 1e-15, "");
    struct hysteresis made;
    hysteresis_of(&made, levels);
    assert_near(made.span, 1.985, 1e-15, "");
    /* Within a pair: |2.10 - 2.00| at 10 in the first cycle. */
    assert_near(made.within_pair.value, 0.10, 1e-15, "");
    assert_near(made.within_pair.at, 10, 0, "mm");
    assert_near(made.within_pair.percent_span, 100 * 0.10 / 1.985, 1e-12, "%");
    /* Of the means: |2.09 - 2.03|. */
    assert_near(made.of_means.value, 0.06, 1e-15, "");
    assert_near(made.of_means.at, 10, 0, "mm");
    /* Repeatability: |2.06 - 2.00| rising at 10 (0.04 falling at 0). */
    assert_near(made.repeatability.value, 0.06, 1e-15, "");
    assert_near(made.repeatability.at, 10, 0, "mm");
    /* Pooled: half squares of differences .02 .04 .06 .02 .00 over five pairs. */
    assert_near(made.pooled_sd, sqrt((4e-4 + 16e-4 + 36e-4 + 4e-4) / 2 / 5), 1e-15, "");
    assert_near(made.pooled_dof, 5, 0, "");
}

static void test_in_order(void **state)
{
    (void)state;
    struct level_readings readings = {10, depth, reading, direction, NULL};
    struct levels levels = of(&readings, NULL);
    check_two_cycles(&levels);
    levels_free(&levels);
}

/* The same rows sorted by depth, with and without the cycle named. */
static void test_sorted_by_depth(void **state)
{
    (void)state;
    const size_t order[] = {0, 5, 4, 9, 1, 6, 3, 8, 2, 7};
    const size_t named[] = {0, 0, 0, 0, 0, 1, 1, 1, 1, 1};
    double d[10], r[10];
    signed char to[10];
    size_t cycle[10];
    for (size_t i = 0; i < 10; i++) {
        d[i] = depth[order[i]];
        r[i] = reading[order[i]];
        to[i] = direction[order[i]];
        cycle[i] = named[order[i]];
    }
    struct level_readings readings = {10, d, r, to, cycle};
    struct levels levels = of(&readings, NULL);
    check_two_cycles(&levels);
    levels_free(&levels);
    readings.cycle = NULL;
    levels = of(&readings, NULL);
    check_two_cycles(&levels);
    levels_free(&levels);
}

static double twice(const void *context, double at)
{
    (void)context;
    return 2 * at;
}

/* Depths that differ a little are one level; readings move along the curve. */
static void test_moved_along_curve(void **state)
{
    (void)state;
    const double d[] = {0, 10.1, 20, 9.9, 0}, r[] = {0, 20.2, 40, 19.9, 0};
    const signed char to[] = {U, U, U, D, D};
    struct level_readings readings = {5, d, r, to, NULL};
    struct levels levels = of(&readings, twice);
    assert_int_equal(levels.count, 3);
    assert_true(levels.moved);
    assert_near(levels.level[1].depth, 10, 1e-14, "mm");
    assert_near(levels.level[1].rising, 20.0, 1e-13, "");
    assert_near(levels.level[1].falling, 20.1, 1e-13, "");
    struct hysteresis made;
    hysteresis_of(&made, &levels);
    assert_near(made.within_pair.value, 0.1, 1e-13, "");
    levels_free(&levels);
    /* Without a curve they stay apart, and the only pair is at 0. */
    levels = of(&readings, NULL);
    assert_int_equal(levels.count, 4);
    hysteresis_of(&made, &levels);
    assert_near(made.within_pair.value, 0, 0, "");
    assert_near(made.within_pair.at, 0, 0, "mm");
    levels_free(&levels);
}

static void test_reasons(void **state)
{
    (void)state;
    const signed char up[] = {U, U, U};
    struct level_readings readings = {3, depth, reading, NULL, NULL};
    struct hysteresis made;
    struct levels levels = of(&readings, NULL);
    hysteresis_of(&made, &levels);
    assert_contains(made.within_pair.reason, "doesn't say");
    assert_true(isnan(made.within_pair.value) && isnan(made.repeatability.value));
    levels_free(&levels);
    readings.direction = up;
    levels = of(&readings, NULL);
    hysteresis_of(&made, &levels);
    assert_contains(made.of_means.reason, "falling");
    assert_contains(made.repeatability.reason, "twice");
    assert_true(isnan(made.pooled_sd));
    levels_free(&levels);
    /* A reading that never changes has no span. */
    const double flat[] = {1, 1, 1, 1, 1, 1, 1, 1, 1, 1};
    struct level_readings still = {10, depth, flat, direction, NULL};
    levels = of(&still, NULL);
    hysteresis_of(&made, &levels);
    assert_contains(made.within_pair.reason, "span");
    assert_true(isnan(made.within_pair.percent_span));
    levels_free(&levels);
    struct rig_err err = {0};
    readings.n = 0;
    assert_int_equal(levels_of(&levels, &readings, NULL, NULL, &err), RIG_EINPUT);
    levels_free(NULL);
}

/* Repeats within one pass are averaged; without directions replicates make the mean. */
static void test_replicates(void **state)
{
    (void)state;
    const double d[] = {0, 0, 5, 5, 5}, r[] = {1, 3, 6, 7, 8};
    struct level_readings readings = {5, d, r, NULL, NULL};
    struct levels levels = of(&readings, NULL);
    assert_int_equal(levels.count, 2);
    assert_near(levels.level[0].mean, 2, 1e-15, "");
    assert_near(levels.level[1].mean, 7, 1e-15, "");
    levels_free(&levels);
    const signed char to[] = {U, U, U, U, D};
    const size_t one[] = {0, 0, 0, 0, 0};
    readings.direction = to;
    readings.cycle = one;
    levels = of(&readings, NULL);
    assert_near(levels.level[1].rising, 6.5, 1e-15, "");
    assert_near(levels.level[1].falling, 8, 0, "");
    assert_near(levels.level[1].mean, 7.25, 1e-15, "each direction once");
    assert_near(levels.level[1].widest_pair, 1.5, 1e-15, "");
    levels_free(&levels);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_in_order),          cmocka_unit_test(test_sorted_by_depth),
        cmocka_unit_test(test_moved_along_curve), cmocka_unit_test(test_reasons),
        cmocka_unit_test(test_replicates),
    };
    return cmocka_run_group_tests_name("levels", tests, NULL, NULL);
}
