/* SPDX-License-Identifier: GPL-3.0-or-later
 * Runs on an axis whose controller a file describes, in simulated time: a whole one, and what
 * goes wrong. By the bench's own truth, not by what the controller says. */
#include "check.h"
#include "fault_bench.h"

#include "base/file.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static struct fault_bench bench;
static char rig_text[1024], *controller_text;

static int set_up(void **state)
{
    (void)state;
    static const char before[] = "acknowledged-lines";
    fault_bench_defaults(&bench);
    const char *at = strstr(bench.rig_text, before);
    assert_non_null(at);
    snprintf(rig_text, sizeof rig_text, "%.*sown.axis%s", (int)(at - bench.rig_text),
             bench.rig_text, at + strlen(before));
    bench.rig_text = rig_text;
    bench.controller_text = controller_text;
    return 0;
}

static int tear_down(void **state)
{
    (void)state;
    fault_bench_free(&bench);
    return 0;
}

static void check_end(enum run_state state, int exit_status, const char *why)
{
    fault_bench_check_end(&bench, state, exit_status, why);
}

static void check_parked(void)
{
    fault_bench_check_parked(&bench);
}

static void a_whole_run_that_can_be_fitted(void **state)
{
    (void)state;
    fault_bench_run(&bench);
    check_end(RUN_COMPLETE, 0, "the whole plan was carried out");
    check_parked();
    assert_int_equal(bench.tally.overruns, 0);
    /* It opens, so the plan made from what was recorded is the one that was run. */
    assert_true(fault_bench_rows(&bench) > 1000);
}

/* Speeds in whole hundredths of mm/s: the plan must have counted on that. */
static void a_run_with_coarse_numbers(void **state)
{
    (void)state;
    char coarse[4096];
    static const char fine[] = "F{mm/min}";
    const char *at = strstr(controller_text, fine);
    assert_non_null(at);
    snprintf(coarse, sizeof coarse, "%.*sF{mm/min:0}%s", (int)(at - controller_text),
             controller_text, at + strlen(fine));
    bench.controller_text = coarse;
    fault_bench_run(&bench);
    check_end(RUN_COMPLETE, 0, "the whole plan was carried out");
    check_parked();
    assert_true(fault_bench_rows(&bench) > 1000);
}

static void a_wish_to_stop_in_mid_move(void **state)
{
    (void)state;
    bench.actions[0] = (struct fault_action){.at_s = 16, .act = fault_bench_stop};
    fault_bench_run(&bench);
    check_end(RUN_STOPPED, 4, "stopped by the user");
    check_parked();
}

static void cut_power(struct fault_bench *it)
{
    sim_axis_power_cycle(it->sim, rig_clock_now(&it->clock));
}

static void an_axis_that_restarts(void **state)
{
    (void)state;
    bench.actions[0] = (struct fault_action){.at_s = 16, .act = cut_power};
    fault_bench_run(&bench);
    fault_bench_check_mended(&bench, 1);
}

static void an_axis_that_falls_silent_and_answers_again(void **state)
{
    (void)state;
    bench.axis.quiet_s = bench.axis.deaf_s = 16;
    bench.axis.loud_s = bench.axis.hears_s = 40;
    fault_bench_run(&bench);
    fault_bench_check_mended(&bench, 1);
}

static void an_axis_that_loses_lines_unnoticed(void **state)
{
    (void)state;
    bench.axis.swallow_s = 12;
    fault_bench_run(&bench);
    fault_bench_check_mended(&bench, 1);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(a_whole_run_that_can_be_fitted, set_up, tear_down),
        cmocka_unit_test_setup_teardown(a_run_with_coarse_numbers, set_up, tear_down),
        cmocka_unit_test_setup_teardown(a_wish_to_stop_in_mid_move, set_up, tear_down),
        cmocka_unit_test_setup_teardown(an_axis_that_restarts, set_up, tear_down),
        cmocka_unit_test_setup_teardown(an_axis_that_falls_silent_and_answers_again, set_up,
                                        tear_down),
        cmocka_unit_test_setup_teardown(an_axis_that_loses_lines_unnoticed, set_up, tear_down),
    };
    char path[400];
    size_t size;
    struct rig_err err;
    const char *top = getenv("WETSWEEP_SOURCE");
    snprintf(path, sizeof path, "%s/profiles/plain-lines.axis", top ? top : ".");
    if (file_read(path, 1 << 16, &controller_text, &size, &err)) {
        print_error("%s\n", err.text);
        return 1;
    }
    int failed = cmocka_run_group_tests(tests, NULL, NULL);
    free(controller_text);
    return failed;
}
