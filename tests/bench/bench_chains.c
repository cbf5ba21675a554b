/* SPDX-License-Identifier: GPL-3.0-or-later
 * Chains drawn at random: sensor, controller and actuator of any dead time, time constant and
 * update interval, recorded in simulated time and fitted by the shipped code. Prints how often
 * the slow link is named rightly, how far update intervals and lags are off, and whether a
 * change of the controller's gain and zero is taken for lag.
 *
 *   bench_chains [CHAINS [FIRST]] */
#include "random_bench.h"
#include "study.h"

#include "results/compare.h"
#include "results/fit.h"

#include <gsl/gsl_rng.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const char rig_text[] = "axis\n  port axis\n  speaks acknowledged-lines\n"
                               "  letter Z reversed\n  travel 0 mm to 200 mm\n"
                               "  speed up to 60 mm/s\n  acceleration up to 900 mm/s2\n"
                               "  resolution 400 steps/mm\n  park at -20 mm\n  position live\n"
                               "  backlash 0.02 mm\nend\n"
                               "water\n  datum at stage 31.4 mm\nend\n"
                               "source board\n  port board\n  line csv\n"
                               "  clock column 1 in ms, wraps at 2^32\n"
                               "  channel level column 2 in volts role sensor\n"
                               "  channel command column 3 in us role controller\n"
                               "  channel horn column 4 in us role actuator\nend\n";

static const char profile[] = "title \"Chain\"\n"
                              "start at 10 mm\nhold 5 s\n"
                              "stairs from 10 mm to 150 mm in 7 steps, hold 8 s, up and down\n"
                              "each speed 3, 6, 12 mm/s\n  repeat 3\n"
                              "    ramp to 150 mm at speed\n    hold 4 s\n"
                              "    ramp to 10 mm at speed\n    hold 8 s\n  end\nend\n"
                              "repeat 8\n  step to 120 mm\n  hold 9 s\n  step to 30 mm\n"
                              "  hold 9 s\nend\n";

static double between(gsl_rng *random, double low, double high)
{
    return low + (high - low) * gsl_rng_uniform(random);
}

/* No multiples of one another or of the lines: where they are, a held value is always of the same
 * age when the next link takes it, and a lag lies anywhere within an interval. */
static double interval_of(gsl_rng *random)
{
    static const double intervals_s[] = {0.0137, 0.0213, 0.0317, 0.0471, 0.0713, 0.0937};
    return intervals_s[gsl_rng_uniform_int(random, sizeof intervals_s / sizeof *intervals_s)];
}

static void draw_link(gsl_rng *random, struct sim_link *link, double gain, double offset)
{
    *link = (struct sim_link){.present = true,
                              .interval_s = interval_of(random),
                              .dead_time_s = between(random, 0, 0.08),
                              .time_constant_s = 0.02 * pow(15, gsl_rng_uniform(random)),
                              .gain = gain,
                              .offset = offset,
                              .resolution = 0.01};
}

static double lag_of(const struct sim_link *link)
{
    return link->dead_time_s + link->time_constant_s + link->interval_s / 2;
}

/* turn 1: the controller's gain and zero are others. */
static void measure(struct fit *fit, struct sim_truth *given, unsigned trial, int turn)
{
    struct fault_bench bench;
    fault_bench_defaults(&bench);
    bench.rig_text = rig_text;
    bench.profile_text = profile;
    random_bench_draw(&bench, trial, false);
    struct sim_truth *truth = &bench.truth;
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    if (!random)
        exit(1);
    gsl_rng_set(random, trial + 77);
    truth->lag_falling_s = truth->lag_rising_s + between(random, 0, 0.1);
    /* Turned into microseconds by a gain that suits the curve. */
    double gain = between(random, 5, 20) / truth->curve[1];
    draw_link(random, &truth->controller, gain, 1500 - gain * truth->curve[0]);
    do
        draw_link(random, &truth->actuator, 1, 0);
    while (truth->actuator.interval_s == truth->controller.interval_s); /* in step for ever */
    if (trial % 2) /* sent a hundred times a second, worked out ten times */
        truth->controller.interval_s = 0.1;
    if (turn) {
        truth->controller.gain *= 1.3;
        truth->controller.offset += 40;
        bench.seed += 1000003;
    }
    gsl_rng_free(random);
    fault_bench_run(&bench);
    struct rig_err err = {0};
    struct recording *recording = recording_open(bench.folder, &err);
    const struct fit_options options = {.degree = -1, .threads = 1};
    if (!recording || fit_recording(fit, recording, &options, &err)) {
        fprintf(stderr, "%s\n", err.text);
        exit(1);
    }
    *given = bench.truth;
    recording_free(recording);
    fault_bench_free(&bench);
}

static void tell_link(struct study_desk *desk, const struct fit *fit, const char *role,
                      const struct sim_link *link)
{
    char name[RESULT_NAME_SIZE];
    snprintf(name, sizeof name, "update_interval_%s", role);
    const struct result *interval = result_find(&fit->results, name);
    study_tell_result(desk, interval, name, link->interval_s, NAN);
    snprintf(name, sizeof name, "%s: interval within 1 %% or refused", role);
    study_tell_verdict(desk, name,
                       interval && !(fabs(interval->value / link->interval_s - 1) >= 0.01));
    if (link->interval_s == 0.1)
        study_tell_verdict(desk, "ten times a second found within 1 %",
                           interval && fabs(interval->value / 0.1 - 1) < 0.01);
    snprintf(name, sizeof name, "link_lag_%s", role);
    study_tell_result(desk, result_find(&fit->results, name), name, lag_of(link), NAN);
}

static const struct compare_row *row_of(const struct comparison *comparison, const char *name)
{
    for (size_t i = 0; i < comparison->count; i++)
        if (strcmp(comparison->rows[i].difference.name, name) == 0)
            return &comparison->rows[i];
    exit(1);
}

static void trial_of(struct study_desk *desk, unsigned trial, void *context)
{
    (void)context;
    static struct fit fit, turned;
    struct sim_truth truth, other;
    measure(&fit, &truth, trial, 0);
    double lags[] = {(truth.lag_rising_s + truth.lag_falling_s) / 2 + truth.sensor_dead_time_s,
                     lag_of(&truth.controller), lag_of(&truth.actuator)};
    static const char *const names[] = {"sensor", "controller", "actuator"};
    size_t slowest = 0, second;
    for (size_t i = 1; i < 3; i++)
        slowest = lags[i] > lags[slowest] ? i : slowest;
    second = slowest ? 0 : 1;
    for (size_t i = 0; i < 3; i++)
        second = i != slowest && lags[i] > lags[second] ? i : second;
    /* Two that are alike within 2 % have no slower one. */
    if (lags[slowest] > 1.02 * lags[second])
        study_tell_verdict(desk, "slow link named rightly",
                           strcmp(fit.slow_link, names[slowest]) == 0);
    tell_link(desk, &fit, "controller", &truth.controller);
    tell_link(desk, &fit, "actuator", &truth.actuator);
    if (trial % 5 == 0) {
        measure(&turned, &other, trial, 1);
        const struct fit *const one[] = {&fit}, *const two[] = {&turned};
        struct comparison comparison = {0};
        const struct compare_options options = {.same_plan = true, .same_rig = true};
        struct rig_err err = {0};
        if (compare_fits(&comparison, &(struct compare_side){one, 1},
                         &(struct compare_side){two, 1}, &options, &err))
            exit(1);
        enum compare_verdict rest = row_of(&comparison, "link_rest_controller")->verdict;
        study_tell_verdict(desk, "a turned gain shows where it rests",
                           rest == COMPARE_HIGHER || rest == COMPARE_LOWER);
        study_tell_verdict(desk, "and not as a lag",
                           row_of(&comparison, "link_lag_controller")->verdict ==
                               COMPARE_NOT_SHOWN);
        comparison_free(&comparison);
        fit_free(&turned);
    }
    fit_free(&fit);
}

int main(int count, char **arguments)
{
    unsigned chains = count > 1 ? (unsigned)strtoul(arguments[1], NULL, 10) : 100;
    unsigned first = count > 2 ? (unsigned)strtoul(arguments[2], NULL, 10) : 0;
    struct study *study = study_run(first, chains, 0, trial_of, NULL);
    if (!study)
        return 1;
    unsigned lost = study_print(study, stdout);
    study_free(study);
    return lost ? 1 : 0;
}
