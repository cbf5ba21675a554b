/* SPDX-License-Identifier: GPL-3.0-or-later
 * Sync files: what is read, what is refused and where, and the mark of the axis. */
#include "check.h"
#include "motion/syncfile.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static struct units *units;

static const char whole[] = "sync\n"
                            "  axis      \"0123456789abcdef\"\n"
                            "  made      \"2026-04-12T16:15:00Z\"\n"
                            "  tied      \"reference channel\"\n"
                            "  starts    after 45.1 ms, uncertainty 0.6 ms, spread 2 ms\n"
                            "  clock     skew 24.7 ppm, uncertainty 0.3 ppm\n"
                            "  backlash  20 um, uncertainty 0.5 um\n"
                            "end\n"
                            "source board\n"
                            "  clock     skew -18 ppm, uncertainty 2 ppm\n"
                            "end\n";

static void check_whole(const struct sync *sync)
{
    assert_string_equal(sync->axis, "0123456789abcdef");
    assert_string_equal(sync->made, "2026-04-12T16:15:00Z");
    assert_string_equal(sync->tied, "reference channel");
    assert_near(sync->start_delay_s.value, 0.0451, 1e-9, "s");
    assert_near(sync->start_delay_s.u, 0.0006, 1e-9, "s");
    assert_near(sync->spread_s, 0.002, 1e-9, "s");
    assert_near(sync->skew_ppm.value, 24.7, 1e-9, "ppm");
    assert_near(sync->skew_ppm.u, 0.3, 1e-9, "ppm");
    assert_near(sync->backlash_mm.value, 0.02, 1e-9, "mm");
    assert_near(sync->backlash_mm.u, 0.0005, 1e-9, "mm");
    assert_int_equal(sync->source_count, 1);
    assert_string_equal(sync->sources[0].name, "board");
    assert_near(sync->sources[0].skew_ppm.value, -18, 1e-9, "ppm");
    assert_near(sync->sources[0].skew_ppm.u, 2, 1e-9, "ppm");
}

static void there_and_back(void **state)
{
    (void)state;
    struct rig_err err = {0};
    struct sync sync, again;
    struct text text = {0};
    if (sync_read(&sync, "bench.sync", whole, strlen(whole), units, &err))
        fail_msg("%s", err.text);
    check_whole(&sync);
    sync_write(&text, &sync, "a\nname.rig");
    char *bytes = text_take(&text);
    assert_contains(bytes, "a?name.rig");
    if (sync_read(&again, "bench.sync", bytes, strlen(bytes), units, &err))
        fail_msg("%s\n%s", err.text, bytes);
    check_whole(&again);
    free(bytes);
    static const char least[] = "sync\naxis \"0123456789abcdef\"\nend\n";
    assert_int_equal(sync_read(&sync, "x", least, strlen(least), units, &err), 0);
    assert_true(isnan(sync.start_delay_s.value) && isnan(sync.spread_s) &&
                isnan(sync.skew_ppm.value) && isnan(sync.backlash_mm.u));
    assert_int_equal(sync.source_count, 0);
}

static void what_is_refused(void **state)
{
    (void)state;
    static const struct {
        const char *text, *place, *says;
    } cases[] = {
        {"", "x:1:1:", "no block 'sync ... end'"},
        {"sync\nend\n", "x:1:1:", "which axis"},
        {"sync\naxis \"0123\"\nend\n", "x:2:6:", "16 hexadecimal digits"},
        {"sync\naxis \"0123456789ABCDEF\"\nend\n", "x:2:6:", "16 hexadecimal digits"},
        {"sync\naxis \"0123456789abcdef\"\nstart after 1 ms\nend\n",
         "x:3:1:", "did you mean 'starts'"},
        {"sync\nstarts after 45, uncertainty 1 ms\nend\n", "x:2:14:", "no unit"},
        {"sync\nstarts after 45 ms\nend\n", "x:2:19:", "'uncertainty'"},
        {"sync\nstarts after 45 ms, uncertainty -1 ms\nend\n", "x:2:33:", "between 0 and 10 s"},
        {"sync\nstarts after 11 s, uncertainty 1 ms\nend\n", "x:2:14:", "between -1 and 10 s"},
        {"sync\nstarts after 45 ms, uncertainty 1 ms, spread 2 mm\nend\n", "x:2:46:", "a length"},
        {"sync\nclock skew 1 ppm, uncertainty 1 ppm\nclock skew 1 ppm, uncertainty 1 ppm\nend\n",
         "x:3:1:", "already given on line 2"},
        {"sync\naxis \"0123456789abcdef\"\nend\nsync\nend\n", "x:4:1:", "already, on line 1"},
        {"source a\nend\nsource a\nend\n", "x:3:8:", "already"},
        {"source a\nbacklash 1 mm, uncertainty 1 mm\nend\n", "x:2:1:", "'clock'"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct rig_err err = {0};
        struct sync sync;
        int code = sync_read(&sync, "x", cases[i].text, strlen(cases[i].text), units, &err);
        if (code != RIG_EINPUT && code != RIG_ELIMIT)
            fail_msg("case %zu was taken (%d)", i, code);
        if (strncmp(err.text, cases[i].place, strlen(cases[i].place)) != 0)
            fail_msg("case %zu: '%s' isn't the place of: %s", i, cases[i].place, err.text);
        assert_contains(err.text, cases[i].says);
    }
}

static void mark_of(char mark[SYNC_MARK_SIZE], const char *text, const char *controller)
{
    struct rig_err err = {0};
    if (sync_axis_mark(mark, "x.rig", text, controller, &err))
        fail_msg("%s", err.text);
    assert_int_equal(strlen(mark), SYNC_MARK_SIZE - 1);
}

static void the_mark_is_that_of_the_axis(void **state)
{
    (void)state;
    char one[SYNC_MARK_SIZE], other[SYNC_MARK_SIZE];
    struct rig_err err = {0};
    mark_of(one, "axis\n travel 0 mm to 200 mm\nend\nwater\n datum at stage 1 mm\nend\n", NULL);
    mark_of(other, "# more\nwater\nend\naxis\n  travel   0mm to 200 mm # wide\nend\n", NULL);
    assert_string_equal(one, other);
    mark_of(other, "axis\n travel 0 mm to 201 mm\nend\n", NULL);
    assert_string_not_equal(one, other);
    mark_of(other, "axis\n travel 0 mm to 200 mm\nend\n", "move \"x\"\n");
    assert_string_not_equal(one, other);
    mark_of(other, "axis\n travel 0 mm to\nend\n", NULL);
    assert_string_not_equal(one, other);
    assert_int_equal(sync_axis_mark(one, "x.rig", "water\nend\n", NULL, &err), RIG_EINPUT);
    assert_contains(err.text, "x.rig:1:1:");
    assert_int_equal(sync_axis_mark(one, "x.rig", "axis\n", NULL, &err), RIG_EINPUT);
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
        cmocka_unit_test(there_and_back),
        cmocka_unit_test(what_is_refused),
        cmocka_unit_test(the_mark_is_that_of_the_axis),
    };
    return cmocka_run_group_tests(tests, set_up, tear_down);
}
