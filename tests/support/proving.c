/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "proving.h"

#include "random_bench.h"
#include "study.h"

#include "results/fit.h"
#include "results/straightness.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static const char rig_text[] = "axis\n"
                               "  port axis\n"
                               "  speaks acknowledged-lines\n"
                               "  letter Z reversed\n"
                               "  travel 0 mm to 200 mm\n"
                               "  speed up to 60 mm/s\n"
                               "  acceleration up to 900 mm/s2\n"
                               "  resolution 400 steps/mm\n"
                               "  park at -20 mm\n"
                               "  position live\n"
                               "  backlash 0.02 mm\n"
                               "end\n"
                               "water\n"
                               "  datum at stage 31.4 mm\n"
                               "end\n"
                               "source board\n"
                               "  port board\n"
                               "  line csv\n"
                               "  channel level column 2 in volts role sensor\n";

static const struct proving_kind kinds[] = {
    {"usual", "  clock column 1 in ms, wraps at 2^32\n", 0},
    {"reference",
     "  clock column 1 in ms, wraps at 2^32\n  channel place column 3 in mm role reference\n", 0},
    {"trip", "  clock column 1 in ms, wraps at 2^32\n  channel switch column 3 in 1 role trip\n",
     0},
    {"late", "  clock column 1 in us, wraps at 2^32\n  delay 0 ms to 20 ms\n", 0.008},
    {"late-unclocked", "  delay 0 ms to 20 ms\n", 0.008},
};

const struct proving_kind *proving_kind(const char *name)
{
    for (size_t i = 0; i < sizeof kinds / sizeof kinds[0]; i++)
        if (strcmp(kinds[i].name, name) == 0)
            return &kinds[i];
    return NULL;
}

static const char profile[] = "title \"Everything once\"\n"
                              "start at 10 mm\n"
                              "hold 5 s\n"
                              "repeat 2\n"
                              "  stairs from 10 mm to 150 mm in 10 steps, hold 4 s, up and down\n"
                              "end\n"
                              "each speed 8, 16, 28, 45 mm/s\n"
                              "  repeat 4\n"
                              "    ramp to 150 mm at speed\n"
                              "    hold 4 s\n"
                              "    ramp to 10 mm at speed\n"
                              "    hold 5 s\n"
                              "  end\n"
                              "end\n"
                              "repeat 6\n"
                              "  step to 120 mm\n"
                              "  hold 5 s\n"
                              "  step to 30 mm\n"
                              "  hold 6 s\n"
                              "end\n"
                              "sine about 80 mm amplitude up to 6 mm from 0.1 Hz to 2 Hz in "
                              "5 frequencies, 10 cycles each\n";

static void tell(struct study_desk *desk, const struct fit *fit, const char *name, double truth)
{
    study_tell_result(desk, result_find(&fit->results, name), name, truth, NAN);
}

static void tell_curve(struct study_desk *desk, const struct fit *fit,
                       const struct sim_truth *truth)
{
    double middle = (fit->low_mm + fit->high_mm) / 2;
    tell(desk, fit, "sensitivity", random_bench_slope(truth, middle));
    tell(desk, fit, "reading_low", sim_truth_reading(truth, fit->low_mm));
    tell(desk, fit, "reading_middle", sim_truth_reading(truth, middle));
    tell(desk, fit, "reading_high", sim_truth_reading(truth, fit->high_mm));
    double noise = hypot(truth->noise_sd, truth->resolution / sqrt(12));
    tell(desk, fit, "noise_sd", noise);
    tell(desk, fit, "resolution", noise / fabs(random_bench_slope(truth, middle)));
    double *reading = calloc(fit->level_count + 1, sizeof *reading);
    struct straightness line;
    for (size_t i = 0; reading && i < fit->level_count; i++)
        reading[i] = sim_truth_reading(truth, fit->levels_mm[i]);
    if (reading && straightness_of(&line, fit->levels_mm, reading, fit->level_count, NULL) == 0) {
        tell(desk, fit, "linearity_independent", line.independent.percent_span);
        tell(desk, fit, "linearity_zero_based", line.zero_based.percent_span);
        tell(desk, fit, "linearity_terminal", line.terminal.percent_span);
        tell(desk, fit, "linearity_least_squares", line.least_squares.percent_span);
        /* Play is the same at every depth; in reading it is largest where the slope is. Turning
         * points are read from one side only. */
        double steepest = 0, span = fabs(reading[fit->level_count - 1] - reading[0]);
        for (size_t i = 1; i + 1 < fit->level_count; i++)
            steepest = fmax(steepest, fabs(random_bench_slope(truth, fit->levels_mm[i])));
        tell(desk, fit, "hysteresis_of_means", 100 * truth->hysteresis_mm * steepest / span);
    }
    free(reading);
}

static void tell_lags(struct study_desk *desk, const struct fit *fit, const struct sim_truth *truth)
{
    double dead = truth->sensor_dead_time_s;
    double rising = truth->lag_rising_s + dead, falling = truth->lag_falling_s + dead;
    tell(desk, fit, "hysteresis_at_rest", truth->hysteresis_mm);
    tell(desk, fit, "lag_sum", rising + falling);
    tell(desk, fit, "lag_rising", rising);
    tell(desk, fit, "lag_falling", falling);
    tell(desk, fit, "cling_difference", falling - rising);
    for (int way = 0; way < 2; way++) {
        double tau = way ? truth->lag_falling_s : truth->lag_rising_s;
        const struct {
            const char *name;
            double truth;
        } facts[] = {{"step_lag", dead + tau},        {"step_model_lag", dead + tau},
                     {"step_dead_time", dead},        {"step_time_constant", tau},
                     {"step_time_63", dead + tau},    {"step_transition", tau * log(9)},
                     {"step_settling", tau * log(25)}};
        for (size_t i = 0; i < sizeof facts / sizeof *facts; i++) {
            char name[64];
            snprintf(name, sizeof name, "%s_%s", facts[i].name, way ? "falling" : "rising");
            tell(desk, fit, name, facts[i].truth);
        }
    }
}

static void tell_sines(struct study_desk *desk, const struct fit *fit, const struct plan *plan,
                       const struct sim_truth *truth)
{
    int i = 0;
    double amplitude_mm = 0;
    for (size_t f = 0; f < plan_family_count(plan); f++) {
        const struct plan_family *family = &plan_families(plan)[f];
        char name[32];
        double gain, phase;
        if (family->kind != SEGMENT_SINE) /* the others ascend in frequency */
            continue;
        random_bench_response(truth, family->frequency_hz, family->amplitude_mm, &gain, &phase);
        i++;
        amplitude_mm = fmax(amplitude_mm, family->amplitude_mm); /* of all but the fastest */
        snprintf(name, sizeof name, "gain_%d", i);
        tell(desk, fit, name, gain);
        snprintf(name, sizeof name, "phase_%d", i);
        tell(desk, fit, name, phase);
    }
    tell(desk, fit, "bandwidth", random_bench_bandwidth_hz(truth, amplitude_mm));
    tell(desk, fit, "mean_lag",
         truth->sensor_dead_time_s + (truth->lag_rising_s + truth->lag_falling_s) / 2);
    tell(desk, fit, "sine_mean_lag",
         truth->sensor_dead_time_s + (truth->lag_rising_s + truth->lag_falling_s) / 2);
    /* Two different lags are not one time constant. */
    double apart = truth->lag_falling_s - truth->lag_rising_s;
    tell(desk, fit, "sine_time_constant", apart == 0 ? truth->lag_rising_s : (double)NAN);
}

/* A bench of its own, measured and fitted; with its rig's text, which it holds on to. */
struct proved {
    struct fault_bench bench;
    char rig[1024];
    struct recording *recording;
    struct fit fit;
};

static void draw(struct proved *proved, const struct proving_kind *kind, unsigned trial)
{
    struct fault_bench *bench = &proved->bench;
    snprintf(proved->rig, sizeof proved->rig, "%s%send\n", rig_text, kind->source);
    fault_bench_defaults(bench);
    bench->rig_text = proved->rig;
    bench->profile_text = profile;
    random_bench_draw(bench, trial, trial % 4 == 0);
    if (kind->late_s > 0) {
        bench->truth.line_delay_s = kind->late_s * (trial % 8) / 7;
        bench->truth.line_delay_sd_s = kind->late_s;
    }
    bench->truth.reference_noise_mm = 0.02;
}

static void measure(struct proved *proved, unsigned trial)
{
    struct rig_err err = {0};
    const struct fit_options options = {.degree = -1};
    fault_bench_run(&proved->bench);
    proved->fit = (struct fit){0};
    proved->recording = recording_open(proved->bench.folder, &err);
    int code = proved->recording ? fit_recording(&proved->fit, proved->recording, &options, &err)
                                 : (int)err.code;
    if (code) {
        fprintf(stderr, "bench %u: %s\n", trial, err.text);
        exit(1);
    }
}

static void forget(struct proved *proved)
{
    fit_free(&proved->fit);
    recording_free(proved->recording);
    fault_bench_free(&proved->bench);
}

static double value_of(const struct proved *proved, const char *name)
{
    const struct result *result = result_find(&proved->fit.results, name);
    return result ? result->value : (double)NAN;
}

/* What of one appears in the other: the same bench, noise and all, once without play and once with
 * half of its lags. As a share of what was taken away, at the mean speed of the ramps. */
static void tell_leaks(struct study_desk *desk, const struct proved *whole,
                       const struct proving_kind *kind, unsigned trial)
{
    static const double MEAN_MM_S = 24.25;
    const struct sim_truth *truth = &whole->bench.truth;
    struct proved less;
    draw(&less, kind, trial);
    less.bench.truth.hysteresis_mm = 0;
    measure(&less, trial);
    study_tell(desk, "leak_of_rest_into_lag",
               MEAN_MM_S * (value_of(whole, "lag_sum") - value_of(&less, "lag_sum")) /
                   truth->hysteresis_mm,
               NAN, NAN, 0, NAN);
    forget(&less);
    draw(&less, kind, trial);
    less.bench.truth.lag_rising_s /= 2;
    less.bench.truth.lag_falling_s /= 2;
    measure(&less, trial);
    study_tell(desk, "leak_of_lag_into_rest",
               (value_of(whole, "hysteresis_at_rest") - value_of(&less, "hysteresis_at_rest")) /
                   (MEAN_MM_S * (truth->lag_rising_s + truth->lag_falling_s) / 2),
               NAN, NAN, 0, NAN);
    forget(&less);
}

void proving_trial(struct study_desk *desk, unsigned trial, void *context)
{
    const struct proving_kind *kind = context ? context : &kinds[0];
    struct proved proved;
    draw(&proved, kind, trial);
    measure(&proved, trial);
    const struct fit *fit = &proved.fit;
    const struct sim_truth *truth = &proved.bench.truth;
    if (getenv("PROVING_WARNINGS"))
        for (size_t i = 0; i < fit->warning_count; i++)
            fprintf(stderr, "bench %u: %s\n", trial, fit->warnings[i]);
    tell_curve(desk, fit, truth);
    tell_lags(desk, fit, truth);
    tell_sines(desk, fit, recording_plan(proved.recording), truth);
    if (trial % 10 == 5)
        tell_leaks(desk, &proved, kind, trial);
    tell(desk, fit, "axis_clock_waves", truth->axis_skew_ppm);
    if (context) {
        tell(desk, fit, "start_delay", truth->start_delay_s + truth->question_delay_s);
        tell(desk, fit, "backlash", truth->backlash_mm);
        tell(desk, fit, "axis_clock_skew", truth->axis_skew_ppm);
    }
    forget(&proved);
}
