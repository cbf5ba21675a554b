/* SPDX-License-Identifier: GPL-3.0-or-later
 * One simulated bench seen by rigs that differ in what ties their clocks: all anchors agree
 * with the bench's truth, each within what it states. With a
 * channel on the stage the absolute lag and dead time are right to a fraction of the line's
 * delay, which nobody told. */
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

static const double dead_time_s = 0.02, lag_s = 0.08, line_delay_s = 0.0016, hysteresis_mm = 0.2;
static double trip_mm = 95, reference_noise_mm = 0.02;

static void run_and_fit(struct fit *fit, const char *position, const char *channels)
{
    static struct fault_bench bench;
    struct rig_err err = {0};
    char rig[1024];
    snprintf(rig, sizeof rig,
             "axis\n  port axis\n  speaks acknowledged-lines\n  letter Z\n"
             "  travel 0 mm to 200 mm\n  speed up to 60 mm/s\n  acceleration up to 900 mm/s2\n"
             "  resolution 400 steps/mm\n  park at -20 mm\n  backlash 0.03 mm\n  %s\nend\n"
             "water\n  datum at stage 31.4 mm\nend\n"
             "source board\n  port board\n  line csv\n  clock column 1 in ms, wraps at 2^32\n"
             "  channel level column 2 in volts role sensor\n%send\n",
             position, channels);
    fault_bench_defaults(&bench);
    bench.rig_text = rig;
    bench.profile_text = profile;
    bench.seed = 5;
    struct sim_truth *truth = &bench.truth;
    truth->start_delay_s = 0.06;
    truth->start_delay_sd_s = 0.002;
    truth->answer_delay_s = 0.0015;
    truth->answer_delay_sd_s = 0.0005;
    truth->backlash_mm = 0.03;
    truth->hysteresis_mm = hysteresis_mm;
    truth->axis_skew_ppm = 120;
    truth->lag_rising_s = truth->lag_falling_s = lag_s;
    truth->sensor_dead_time_s = dead_time_s;
    truth->noise_sd = 1e-3;
    truth->line_interval_s = 0.005;
    truth->line_delay_s = line_delay_s;
    truth->line_delay_sd_s = 0.0003;
    truth->reference_noise_mm = reference_noise_mm;
    truth->reference_step_mm = 0.01;
    truth->trip_mm = trip_mm;
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
    if (!result)
        fail_msg("there is no result %s", name);
    return result;
}

/* Within half as much again as the 95 % interval reaches: these are not thrown dice. */
static double near_truth(const struct fit *fit, const char *name, double truth)
{
    const struct result *result = get(fit, name);
    if (!isfinite(result->value))
        fail_msg("%s: %s", name, result->reason);
    double reach = (result->high_95 - result->low_95) / 2;
    print_message("%-24s %10.5g +- %.2g %s, truth %.5g\n", name, result->value, reach, result->unit,
                  truth);
    assert_near(result->value, truth, 1.5 * reach, result->unit);
    return reach;
}

static void need_no_notes(const struct fit *fit)
{
    for (size_t i = 0; i < fit->warning_count; i++)
        if (strstr(fit->warnings[i], "tie"))
            fail_msg("%s", fit->warnings[i]);
}

static void need_note(const struct fit *fit, const char *words)
{
    bool found = false;
    for (size_t i = 0; i < fit->warning_count; i++)
        found = found || strstr(fit->warnings[i], words);
    if (!found)
        fail_msg("no note says '%s'", words);
}

static bool has_figure(const struct fit *fit, const char *id)
{
    for (size_t i = 0; i < fit->figures.count; i++)
        if (strcmp(fit->figures.figures[i].id, id) == 0)
            return true;
    return false;
}

static void all_anchors_agree(void **state)
{
    (void)state;
    static const struct {
        const char *position, *channels, *anchor;
    } rigs[] = {
        {"position planned", "  channel place column 3 in mm role reference\n",
         "reference channel"},
        {"position planned", "  channel switch column 3 in 1 role trip\n", "trip channel"},
        {"position live", "", "position reports"},
        {"position planned", "", "acknowledgements"},
    };
    for (size_t i = 0; i < sizeof rigs / sizeof rigs[0]; i++) {
        struct fit fit;
        run_and_fit(&fit, rigs[i].position, rigs[i].channels);
        print_message("%s\n", rigs[i].anchor);
        need_no_notes(&fit);
        assert_contains(get(&fit, "clock_tie")->method, rigs[i].anchor);
        /* The line's delay cancels where the stage is seen by the same lines. */
        double late_s = i < 2 ? 0 : line_delay_s - 0.001;
        near_truth(&fit, "lag_rising", lag_s + dead_time_s + late_s);
        near_truth(&fit, "lag_falling", lag_s + dead_time_s + late_s);
        near_truth(&fit, "step_dead_time_rising", dead_time_s + late_s);
        if (i < 2)
            near_truth(&fit, "axis_clock_skew", 120);
        assert_true(has_figure(&fit, "clock-tie") == (i < 3));
        if (i < 3)
            near_truth(&fit, "start_delay", 0.06);
        else
            assert_contains(get(&fit, "start_delay")->reason, "acknowledgements");
        /* The axis' play is in every loop, and is taken off where a channel tells how much there
         * is; else half of what is stated, which here is what it is. */
        double reach_mm =
            near_truth(&fit, "hysteresis_at_rest", hysteresis_mm + (i < 1 ? 0 : 0.015));
        assert_true(i < 1 ? reach_mm < 0.006 : reach_mm > 0.95 * 0.015);
        if (i < 2)
            near_truth(&fit, "backlash", 0.03);
        else
            assert_contains(get(&fit, "backlash")->reason, "role reference or trip");
        fit_free(&fit);
    }
}

/* A channel that is no use is passed over with a note, and the next best takes its place. */
static void a_poor_channel_gives_way(void **state)
{
    (void)state;
    static const char both[] = "  channel place column 3 in mm role reference\n"
                               "  channel switch column 4 in 1 role trip\n";
    struct fit fit;
    run_and_fit(&fit, "position planned", both);
    assert_contains(get(&fit, "clock_tie")->method, "reference channel");
    need_no_notes(&fit);
    fit_free(&fit);
    trip_mm = 190; /* the stage never gets there */
    run_and_fit(&fit, "position live", "  channel switch column 3 in 1 role trip\n");
    assert_contains(get(&fit, "clock_tie")->method, "position reports");
    need_note(&fit, "Channel 'switch' (role trip) does not tie the clocks: it never changes");
    trip_mm = 95;
    fit_free(&fit);
    reference_noise_mm = 30;
    run_and_fit(&fit, "position planned", both);
    assert_contains(get(&fit, "clock_tie")->method, "trip channel");
    need_note(&fit, "'place' (role reference) does not tie the clocks: it does not follow");
    reference_noise_mm = 0.02;
    fit_free(&fit);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(all_anchors_agree),
        cmocka_unit_test(a_poor_channel_gives_way),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
