/* SPDX-License-Identifier: GPL-3.0-or-later
 * Before and after, drawn at random: recordings of 20 minutes on simulated benches in
 * simulated time, of one board twice and of one whose cling lag was made 10 % shorter. Prints
 * how often the comparison finds the change, how often it finds one where there is none, and
 * how often the interval of the difference holds the truth.
 *
 *   bench_compare [BENCHES [FIRST [CSV]]] */
#include "random_bench.h"
#include "study.h"

#include "results/compare.h"
#include "results/fit.h"

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
                               "  channel level column 2 in volts role sensor\nend\n";

/* 20 minutes: plan says so, and the study checks it. */
static const char profile[] = "title \"Cling, before and after\"\n"
                              "start at 10 mm\nhold 5 s\n"
                              "stairs from 10 mm to 150 mm in 7 steps, hold 4 s, up and down\n"
                              "each speed 5, 10, 20, 40 mm/s\n  repeat 7\n"
                              "    ramp to 150 mm at speed\n    hold 2 s\n"
                              "    ramp to 10 mm at speed\n    hold 5 s\n  end\nend\n"
                              "repeat 12\n  step to 120 mm\n  hold 5 s\n  step to 30 mm\n"
                              "  hold 6 s\nend\n";

struct side_fit {
    struct fit fit;
    double minutes, cling_s; /* the latter is the truth */
};

static void measure(struct side_fit *side, unsigned trial, unsigned turn, double cling_factor)
{
    static struct fault_bench bench;
    fault_bench_defaults(&bench);
    bench.rig_text = rig_text;
    bench.profile_text = profile;
    random_bench_draw(&bench, trial, false);
    struct sim_truth *truth = &bench.truth;
    double cling = 0.05 + 0.35 * (truth->lag_falling_s - truth->lag_rising_s) / 0.4;
    truth->lag_falling_s = truth->lag_rising_s + cling * cling_factor;
    side->cling_s = cling * cling_factor;
    bench.seed = 7919UL * trial + turn + 1;
    /* The board was taken out and put back: the datum is read off anew. */
    truth->datum_mm = 31.4 + 0.1 * (fmod(0.618034 * (trial * 3 + turn), 1) - 0.5);
    fault_bench_run(&bench);
    struct rig_err err = {0};
    struct recording *recording = recording_open(bench.folder, &err);
    const struct fit_options options = {.degree = -1, .threads = 1};
    if (!recording || fit_recording(&side->fit, recording, &options, &err)) {
        fprintf(stderr, "%s\n", err.text);
        exit(1);
    }
    const struct plan *plan = recording_plan(recording);
    const struct plan_segment *last = &plan_segments(plan)[plan_segment_count(plan) - 1];
    side->minutes = (last->start_s + last->duration_s) / 60;
    recording_free(recording);
    fault_bench_free(&bench);
}

static const struct compare_row *row_of(const struct comparison *comparison, const char *name)
{
    for (size_t i = 0; i < comparison->count; i++)
        if (strcmp(comparison->rows[i].difference.name, name) == 0)
            return &comparison->rows[i];
    fprintf(stderr, "no row '%s'\n", name);
    exit(1);
}

static void compare(struct comparison *comparison, const struct side_fit *before,
                    const struct side_fit *after)
{
    const struct fit *const one[] = {&before->fit}, *const other[] = {&after->fit};
    const struct compare_options options = {.same_plan = true, .same_rig = true};
    struct rig_err err = {0};
    if (compare_fits(comparison, &(struct compare_side){one, 1}, &(struct compare_side){other, 1},
                     &options, &err)) {
        fprintf(stderr, "%s\n", err.text);
        exit(1);
    }
}

static void tell_all(struct study_desk *desk, const struct comparison *comparison, const char *what,
                     double cling_change)
{
    static const struct {
        const char *name;
        double changes; /* with the cling */
    } rows[] = {{"cling_difference", 1}, {"lag_falling", 1},
                {"lag_rising", 0},       {"step_lag_falling", 1},
                {"step_lag_rising", 0},  {"hysteresis_at_rest", 0},
                {"sensitivity", 0},      {"step_time_constant_falling", 1}};
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++) {
        char name[STUDY_NAME_SIZE];
        snprintf(name, sizeof name, "%s: %s", what, rows[i].name);
        study_tell_result(desk, &row_of(comparison, rows[i].name)->difference, name,
                          rows[i].changes * cling_change, NAN);
    }
}

static void trial_of(struct study_desk *desk, unsigned trial, void *context)
{
    (void)context;
    static struct side_fit before, again, coated;
    struct comparison same = {0}, changed = {0};
    measure(&before, trial, 0, 1);
    measure(&again, trial, 1, 1);
    measure(&coated, trial, 2, 0.9);
    compare(&same, &before, &again);
    compare(&changed, &before, &coated);
    size_t alarms = 0;
    for (size_t i = 0; i < same.count; i++)
        alarms += same.rows[i].verdict == COMPARE_LOWER || same.rows[i].verdict == COMPARE_HIGHER;
    study_tell_verdict(desk, "recording is 20 minutes long", fabs(before.minutes - 20) < 0.5);
    study_tell_verdict(desk, "10 % less cling is found",
                       row_of(&changed, "cling_difference")->verdict == COMPARE_LOWER);
    study_tell_verdict(desk, "no change of cling found where none is",
                       row_of(&same, "cling_difference")->verdict == COMPARE_NOT_SHOWN);
    study_tell_verdict(desk, "no change of anything found where none is", alarms == 0);
    tell_all(desk, &same, "same", 0);
    tell_all(desk, &changed, "changed", coated.cling_s - before.cling_s);
    study_tell_result(desk, result_find(&before.fit.results, "cling_difference"),
                      "alone: cling_difference", before.cling_s, NAN);
    comparison_free(&same);
    comparison_free(&changed);
    fit_free(&before.fit);
    fit_free(&again.fit);
    fit_free(&coated.fit);
}

int main(int count, char **arguments)
{
    unsigned benches = count > 1 ? (unsigned)strtoul(arguments[1], NULL, 10) : 200;
    unsigned first = count > 2 ? (unsigned)strtoul(arguments[2], NULL, 10) : 0;
    struct study *study = study_run(first, benches, 0, trial_of, NULL);
    if (!study)
        return 1;
    unsigned lost = study_print(study, stdout);
    FILE *table = count > 3 ? fopen(arguments[3], "w") : NULL;
    if (table) {
        study_write(study, table);
        if (fclose(table))
            lost++;
    }
    study_free(study);
    return lost ? 1 : 0;
}
