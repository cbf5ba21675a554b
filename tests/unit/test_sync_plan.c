/* SPDX-License-Identifier: GPL-3.0-or-later
 * The built-in profile of a sync: where it moves, how fast, how long, for axes of all kinds. */
#include "check.h"
#include "plans.h"
#include "rig/sync_plan.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static struct units *units;

/* Plans it, which checks all limits, and returns its deepest depth. */
static double deepest_mm(const struct rig *rig, bool *wet, double *duration_s)
{
    struct rig_err err = {0};
    size_t size = 0;
    char *text = sync_profile(rig, wet, &size, &err);
    if (!text) {
        fail_msg("%s", err.text);
        return NAN;
    }
    assert_int_equal(size, strlen(text));
    struct plan *plan = test_plan(rig, units, text, NULL);
    check_plan(rig, plan);
    double deepest = -INFINITY, fastest = 0, slowest = INFINITY;
    for (size_t f = 0; f < plan_family_count(plan); f++) {
        const struct plan_family *family = &plan_families(plan)[f];
        deepest = fmax(deepest, fmax(family->from_mm, family->to_mm));
        if (family->kind != SEGMENT_RAMP)
            continue;
        fastest = fmax(fastest, family->peak_speed_mm_s);
        slowest = fmin(slowest, family->peak_speed_mm_s);
        assert_true(family->instances == 4);
        /* What was asked for is reached. */
        assert_near(family->peak_speed_mm_s, family->speed_mm_s, 0.02 * family->speed_mm_s, "mm/s");
    }
    assert_true(fastest >= 1.9 * slowest);
    *duration_s = plan_duration_s(plan);
    plan_free(plan);
    free(text);
    return deepest;
}

static void add_channel(struct rig *rig, enum channel_role role)
{
    struct rig_source *source = &rig->sources[0];
    rig->source_count = 1;
    source->channels[source->channel_count++].role = role;
}

static void above_the_water_where_it_can(void **state)
{
    (void)state;
    struct rig rig;
    bool wet;
    double duration_s;
    test_rig(&rig, units, "", "");
    assert_true(deepest_mm(&rig, &wet, &duration_s) < 0 && !wet);
    assert_true(duration_s < 180);
    add_channel(&rig, ROLE_REFERENCE);
    assert_true(deepest_mm(&rig, &wet, &duration_s) < 0 && !wet);
    rig.axis.travel_low_mm = rig.water.datum_mm - 21; /* 17 mm free at most */
    rig.axis.park_mm = -19;
    assert_true(deepest_mm(&rig, &wet, &duration_s) > 50 && wet);
    assert_true(duration_s < 300);
}

/* It may be anywhere. */
static void a_switch_alone_takes_the_whole_travel(void **state)
{
    (void)state;
    struct rig rig;
    bool wet;
    double duration_s;
    test_rig(&rig, units, "", "");
    add_channel(&rig, ROLE_TRIP);
    double deepest = deepest_mm(&rig, &wet, &duration_s);
    assert_true(wet);
    assert_near(deepest, rig_depth_from_stage(&rig, rig.axis.travel_high_mm - 1), 0.01, "mm");
    assert_true(duration_s < 300);
    add_channel(&rig, ROLE_REFERENCE);
    deepest_mm(&rig, &wet, &duration_s);
    assert_false(wet);
}

static void axes_of_other_sizes(void **state)
{
    (void)state;
    struct rig rig;
    bool wet;
    double duration_s;
    struct rig_err err = {0};
    size_t size;
    test_rig(&rig, units, "", "");
    rig.axis.acceleration_mm_s2 = 20; /* the top speed is never reached */
    deepest_mm(&rig, &wet, &duration_s);
    assert_true(duration_s < 300);
    test_rig(&rig, units, "", "");
    rig.axis.travel_high_mm = rig.axis.travel_low_mm + 1;
    assert_null(sync_profile(&rig, &wet, &size, &err));
    assert_int_equal(err.code, RIG_ELIMIT);
    assert_contains(err.text, "travel");
}

static int set_up(void **state)
{
    (void)state;
    units = units_open(NULL);
    return units ? 0 : -1;
}

static int tear_down(void **state)
{
    (void)state;
    units_close(units);
    return 0;
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(above_the_water_where_it_can),
        cmocka_unit_test(a_switch_alone_takes_the_whole_travel),
        cmocka_unit_test(axes_of_other_sizes),
    };
    return cmocka_run_group_tests(tests, set_up, tear_down);
}
