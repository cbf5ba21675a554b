/* SPDX-License-Identifier: GPL-3.0-or-later
 * Waves tell the axis' clock beside its answers, as one by which the axis' own time is counted.
 * Where that is far off, gain and phase are those at the frequency that the waves really had. */
#include "check.h"
#include "fault_bench.h"

#include "results/fit.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static const char profile[] = "title \"Stairs and waves\"\n"
                              "start at 10 mm\n"
                              "stairs from 10 mm to 130 mm in 6 steps, hold 3 s, up and down\n"
                              "sine about 70 mm amplitude 6 mm from 0.2 Hz to 1 Hz in 3 "
                              "frequencies, 12 cycles each\n";

static const double lag_s = 0.08, dead_time_s = 0.02;
static const double hz[] = {0.2, 0.44721359549995793, 1};

static void run_and_fit(struct fit *fit, double skew_ppm)
{
    static struct fault_bench bench;
    struct rig_err err = {0};
    static const char rig[] =
        "axis\n  port axis\n  speaks acknowledged-lines\n  letter Z\n"
        "  travel 0 mm to 200 mm\n  speed up to 60 mm/s\n  acceleration up to 900 mm/s2\n"
        "  resolution 400 steps/mm\n  park at -20 mm\nend\n"
        "water\n  datum at stage 31.4 mm\nend\n"
        "source board\n  port board\n  line csv\n  delay 0 ms to 2 ms\n"
        "  channel level column 2 in volts role sensor\nend\n";
    fault_bench_defaults(&bench);
    bench.rig_text = rig;
    bench.profile_text = profile;
    bench.seed = 11;
    struct sim_truth *truth = &bench.truth;
    truth->live_position = false;
    truth->axis_skew_ppm = skew_ppm;
    truth->hysteresis_mm = 0;
    truth->lag_rising_s = truth->lag_falling_s = lag_s;
    truth->sensor_dead_time_s = dead_time_s;
    truth->noise_sd = 2e-3;
    truth->line_interval_s = 0.005;
    truth->line_delay_s = 0.001;
    fault_bench_run(&bench);
    assert_int_equal(bench.end.state, RUN_COMPLETE);
    memset(fit, 0, sizeof *fit);
    struct recording *recording = recording_open(bench.folder, &err);
    if (!recording || fit_recording(fit, recording, &(struct fit_options){.degree = -1}, &err))
        fail_msg("%s", err.text);
    recording_free(recording);
    fault_bench_free(&bench);
}

static const struct result *near_truth(const struct fit *fit, const char *name, double truth)
{
    const struct result *result = result_find(&fit->results, name);
    if (!result || !isfinite(result->low_95))
        fail_msg("%s: %s", name, result ? result->reason : "there is none");
    double reach = (result->high_95 - result->low_95) / 2;
    print_message("%-20s %10.6g +- %.2g %s, truth %.6g\n", name, result->value, reach, result->unit,
                  truth);
    assert_near(result->value, truth, 1.5 * reach, result->unit);
    return result;
}

static bool says_so(const struct fit *fit)
{
    for (size_t i = 0; i < fit->warning_count; i++)
        if (strstr(fit->warnings[i], "they are taken at their own frequency"))
            return true;
    return false;
}

static void responses(const struct fit *fit, double faster)
{
    for (int i = 0; i < 3; i++) {
        char name[16];
        double w = 2 * M_PI * hz[i] * faster;
        snprintf(name, sizeof name, "gain_%d", i + 1);
        near_truth(fit, name, 1 / sqrt(1 + w * w * lag_s * lag_s));
        snprintf(name, sizeof name, "phase_%d", i + 1);
        near_truth(fit, name, -w * dead_time_s - atan(w * lag_s));
    }
}

static void a_right_clock_keeps_the_plan(void **state)
{
    (void)state;
    struct fit fit;
    run_and_fit(&fit, 40);
    const struct result *clock = near_truth(&fit, "axis_clock_waves", 40);
    assert_true(clock->high_95 - clock->low_95 < 400);
    assert_false(says_so(&fit));
    responses(&fit, 1);
    fit_free(&fit);
}

static void a_clock_far_off_is_found(void **state)
{
    (void)state;
    struct fit fit;
    run_and_fit(&fit, 6000);
    /* 6000 ppm too fast: an axis' second lasts 1/1.006 of the computer's. */
    near_truth(&fit, "axis_clock_waves", 1e6 * (1 - 1 / 1.006));
    near_truth(&fit, "axis_clock_skew", 1e6 * (1 - 1 / 1.006));
    responses(&fit, 1.006);
    fit_free(&fit);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_right_clock_keeps_the_plan),
        cmocka_unit_test(a_clock_far_off_is_found),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
