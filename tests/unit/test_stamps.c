/* SPDX-License-Identifier: GPL-3.0-or-later
 * Stamps against a clock of known skew, and rows that come unevenly. */
#include "check.h"

#include "results/stamps.h"

#include <math.h>
#include <stdlib.h>

enum { ROWS = 20000 };
static double host[ROWS], device[ROWS];
static struct stamps stamps, part;
static struct stamp_quality quality;

/* A line each 10 ms; late by 1 ms at least, in steps up to 2 ms, one in 1000 by 7 ms. */
static void make(double skew)
{
    srand(3);
    for (int i = 0; i < ROWS; i++) {
        device[i] = 700 + 0.01 * i;
        double late = 0.001 + (i % 1000 == 777 ? 0.007 : 0.001 * (rand() % 1001) / 1000);
        host[i] = (0.01 * i) * (1 + skew) + late;
    }
}

static void lateness_and_skew_are_found(void **state)
{
    (void)state;
    struct rig_err err = {0};
    make(40e-6);
    stamps_begin(&stamps, true, 200);
    stamps_add(&stamps, host, device, ROWS);
    if (stamps_quality(&quality, &stamps, &err))
        fail_msg("%s", err.text);
    assert_int_equal(quality.count, STAMP_STRETCHES);
    assert_near(quality.skew_ppm, 40, 1, "ppm");
    assert_near(quality.mean_of_all_s, 0.0005, 0.00005, "s");
    assert_near(quality.worst_of_all_s, 0.007, 0.00005, "s");
}

static void parts_give_what_the_whole_gives(void **state)
{
    (void)state;
    make(-20e-6);
    for (int clocked = 0; clocked < 2; clocked++) {
        stamps_begin(&stamps, clocked, 200);
        stamps_add(&stamps, host, clocked ? device : NULL, ROWS);
        static struct stamps joined;
        stamps_begin(&joined, clocked, 200);
        for (int from = 0; from < ROWS; from += 777) {
            size_t rows = from + 777 < ROWS ? 777 : (size_t)(ROWS - from);
            stamps_begin(&part, clocked, 200);
            stamps_add(&part, host + from, clocked ? device + from : NULL, rows);
            stamps_merge(&joined, &part);
        }
        for (int i = 0; i < STAMP_STRETCHES; i++) {
            assert_int_equal(joined.stretches[i].rows, stamps.stretches[i].rows);
            assert_near(joined.stretches[i].high, stamps.stretches[i].high, 1e-12, "s");
            assert_near(joined.stretches[i].sum, stamps.stretches[i].sum, 1e-9, "s");
        }
    }
}

static void what_can_not_be_judged_has_a_reason(void **state)
{
    (void)state;
    struct rig_err err = {0};
    make(0);
    stamps_begin(&stamps, true, 200);
    assert_int_equal(stamps_quality(&quality, &stamps, &err), RIG_EUNKNOWABLE);
    for (int i = ROWS / 2; i < ROWS; i++)
        device[i] -= 700; /* restarted */
    stamps_add(&stamps, host, device, ROWS);
    assert_int_equal(stamps_quality(&quality, &stamps, &err), RIG_EUNKNOWABLE);
    assert_contains(err.text, "jumped");
}

static void without_a_clock_the_distance_is_told(void **state)
{
    (void)state;
    struct rig_err err = {0};
    for (int i = 0; i < ROWS; i++)
        host[i] = 0.01 * i + (i >= 5000 ? 0.5 : 0);
    stamps_begin(&stamps, false, 200);
    stamps_add(&stamps, host, NULL, ROWS);
    if (stamps_quality(&quality, &stamps, &err))
        fail_msg("%s", err.text);
    assert_near(quality.worst_of_all_s, 0.51, 1e-9, "s");
    assert_near(quality.mean_of_all_s, 0.01, 0.0001, "s");
    assert_true(isnan(quality.skew_ppm));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(lateness_and_skew_are_found),
        cmocka_unit_test(parts_give_what_the_whole_gives),
        cmocka_unit_test(what_can_not_be_judged_has_a_reason),
        cmocka_unit_test(without_a_clock_the_distance_is_told),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
