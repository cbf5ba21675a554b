/* SPDX-License-Identifier: GPL-3.0-or-later
 * A board whose lines come up to fifty milliseconds late, as through an adapter that gathers them:
 * its own clock says when rows were sampled, so lags are as sharp as with punctual lines. */
#include "check.h"
#include "fault_bench.h"

#include "results/fit.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static const char profile[] = "title \"Ramps at three speeds, and steps\"\n"
                              "start at 10 mm\n"
                              "stairs from 10 mm to 130 mm in 6 steps, hold 3 s, up and down\n"
                              "each speed 10, 20, 40 mm/s\n"
                              "repeat 3\n"
                              "ramp to 130 mm at speed\nhold 3 s\n"
                              "ramp to 10 mm at speed\nhold 3 s\n"
                              "end\nend\n"
                              "repeat 3\n"
                              "step to 110 mm\nhold 3 s\nstep to 30 mm\nhold 3 s\n"
                              "end\n";

static const double dead_time_s = 0.02, lag_s = 0.08, least_s = 0.0016;
static double mean_s; /* of the delay over the least, once seen */

static void run_and_fit(struct fit *fit, const char *clock, const char *channels)
{
    static struct fault_bench bench;
    struct rig_err err = {0};
    char rig[1024];
    snprintf(rig, sizeof rig,
             "axis\n  port axis\n  speaks acknowledged-lines\n  letter Z\n"
             "  travel 0 mm to 200 mm\n  speed up to 60 mm/s\n  acceleration up to 900 mm/s2\n"
             "  resolution 400 steps/mm\n  park at -20 mm\n  position live\nend\n"
             "water\n  datum at stage 31.4 mm\nend\n"
             "source board\n  port board\n  line csv\n  delay 0 ms to 20 ms\n%s"
             "  channel level column 2 in volts role sensor\n%send\n",
             clock, channels);
    fault_bench_defaults(&bench);
    bench.rig_text = rig;
    bench.profile_text = profile;
    bench.seed = 6;
    struct sim_truth *truth = &bench.truth;
    truth->start_delay_s = 0.06;
    truth->start_delay_sd_s = 0.002;
    truth->answer_delay_s = 0.0015;
    truth->clock_skew_ppm = 150;
    truth->clock_offset_s = 4294.5; /* the counter wraps in the run */
    truth->lag_rising_s = truth->lag_falling_s = lag_s;
    truth->sensor_dead_time_s = dead_time_s;
    truth->noise_sd = 1e-3;
    truth->line_interval_s = 0.005;
    truth->line_delay_s = least_s;
    truth->line_delay_sd_s = 0.008;
    truth->reference_noise_mm = 0.02;
    fault_bench_run(&bench);
    assert_int_equal(bench.end.state, RUN_COMPLETE);
    memset(fit, 0, sizeof *fit);
    struct recording *recording = recording_open(bench.folder, &err);
    if (!recording || fit_recording(fit, recording, &(struct fit_options){.degree = -1}, &err))
        fail_msg("%s", err.text);
    recording_free(recording);
    fault_bench_free(&bench);
}

static const struct result *get(const struct fit *fit, const char *name)
{
    const struct result *result = result_find(&fit->results, name);
    if (!result || !isfinite(result->value))
        fail_msg("%s: %s", name, result ? result->reason : "there is none");
    return result;
}

/* Within half as much again as the 95 % interval reaches; returns how far that is. */
static double near_truth(const struct fit *fit, const char *name, double truth)
{
    const struct result *result = get(fit, name);
    double reach = (result->high_95 - result->low_95) / 2;
    print_message("%-24s %10.5g +- %.2g %s, truth %.5g\n", name, result->value, reach, result->unit,
                  truth);
    assert_near(result->value, truth, 1.5 * reach, result->unit);
    return reach;
}

static const char clocked[] = "  clock column 1 in us, wraps at 2^32\n";

static void late_rows_are_placed_by_the_clock(void **state)
{
    (void)state;
    struct fit fit;
    run_and_fit(&fit, clocked, "");
    assert_contains(get(&fit, "stamp_mean_board")->method, "placed by the board's clock");
    /* Lines keep their order, so they are later than each by itself would be. The mean over
     * the quickest is seen, and taken off what was stated; of what is left the middle is. */
    mean_s = get(&fit, "stamp_mean_board")->value;
    assert_true(mean_s > 0.009 && mean_s < 0.015);
    double late_s = least_s - (0.020 - mean_s) / 2;
    assert_true(near_truth(&fit, "lag_rising", lag_s + dead_time_s + late_s) < 0.0045);
    near_truth(&fit, "lag_falling", lag_s + dead_time_s + late_s);
    near_truth(&fit, "step_dead_time_rising", dead_time_s + late_s);
    assert_true(near_truth(&fit, "step_time_constant_rising", lag_s) < 0.002);
    fit_free(&fit);
}

static void with_a_reference_nothing_is_left(void **state)
{
    (void)state;
    struct fit fit;
    run_and_fit(&fit, clocked, "  channel place column 3 in mm role reference\n");
    assert_contains(get(&fit, "clock_tie")->method, "reference channel");
    assert_true(near_truth(&fit, "lag_rising", lag_s + dead_time_s) < 0.001);
    assert_true(near_truth(&fit, "step_dead_time_falling", dead_time_s) < 0.001);
    fit_free(&fit);
}

/* Without its clock the rows keep their arrivals, and the whole of the stated delay. */
static void without_a_clock_the_delay_stays(void **state)
{
    (void)state;
    struct fit fit;
    run_and_fit(&fit, "", "");
    double late_s = least_s + mean_s - 0.010;
    assert_true(near_truth(&fit, "lag_rising", lag_s + dead_time_s + late_s) > 0.009);
    fit_free(&fit);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(late_rows_are_placed_by_the_clock),
        cmocka_unit_test(with_a_reference_nothing_is_left),
        cmocka_unit_test(without_a_clock_the_delay_stays),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
