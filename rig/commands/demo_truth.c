/* SPDX-License-Identifier: GPL-3.0-or-later
 * Results beside the simulated truth. What follows from the true curve (readings,
 * slope, straightness) is worked out here at the very depths that were measured. */
#include "demo_truth.h"

#include "results/straightness.h"

#include <jansson.h>

#include <math.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static double member(const json_t *object, const char *key)
{
    const json_t *value = json_object_get(object, key);
    return json_is_number(value) ? json_number_value(value) : (double)NAN;
}

static double true_reading(const json_t *truth, double depth, double *slope)
{
    const json_t *curve = json_object_get(truth, "curve");
    double reading = 0;
    *slope = 0;
    for (size_t k = json_array_size(curve); k-- > 0;) {
        *slope = *slope * depth + reading;
        reading = reading * depth + json_number_value(json_array_get(curve, k));
    }
    return reading;
}

/* The results that a true curve stands for, added to the truth. */
static void add_from_curve(json_t *truth, const json_t *results)
{
    const json_t *curve = json_object_get(results, "curve");
    double low = member(curve, "low_mm"), high = member(curve, "high_mm"), slope;
    if (!isfinite(low) || !isfinite(high))
        return;
    json_object_set_new(truth, "reading_low", json_real(true_reading(truth, low, &slope)));
    json_object_set_new(truth, "reading_high", json_real(true_reading(truth, high, &slope)));
    json_object_set_new(truth, "reading_middle",
                        json_real(true_reading(truth, (low + high) / 2, &slope)));
    json_object_set_new(truth, "sensitivity", json_real(slope));
    const json_t *levels = json_object_get(curve, "levels_mm");
    size_t count = json_array_size(levels);
    double *depth = calloc(count + 1, sizeof *depth), *reading = calloc(count + 1, sizeof *reading);
    for (size_t i = 0; depth && reading && i < count; i++) {
        depth[i] = json_number_value(json_array_get(levels, i));
        reading[i] = true_reading(truth, depth[i], &slope);
    }
    struct straightness line;
    if (depth && reading && straightness_of(&line, depth, reading, count, NULL) == 0) {
        json_object_set_new(truth, "linearity_independent",
                            json_real(line.independent.percent_span));
        json_object_set_new(truth, "linearity_zero_based", json_real(line.zero_based.percent_span));
        json_object_set_new(truth, "linearity_terminal", json_real(line.terminal.percent_span));
        json_object_set_new(truth, "linearity_least_squares",
                            json_real(line.least_squares.percent_span));
    }
    free(depth);
    free(reading);
}

static void print_line(const char *name, const json_t *result, double real, bool within)
{
    const char *unit = json_string_value(json_object_get(result, "unit"));
    printf("%-28s %10.5g %11.5g to %10.5g %11.5g   %s  %s\n", name, member(result, "value"),
           member(result, "low_95"), member(result, "high_95"), real, within ? "yes" : "NO ",
           unit ? unit : "");
}

int demo_compare(const char *results_path, const char *truth_path)
{
    json_t *file = json_load_file(results_path, 0, NULL);
    json_t *truth = json_load_file(truth_path, 0, NULL);
    const json_t *results = json_object_get(file, "results");
    int compared = 0, missed = 0;
    const char *name;
    json_t *result;
    if (truth)
        add_from_curve(truth, file);
    printf("\n%-28s %10s %25s %11s   %s\n", "result", "measured", "95 % interval", "truth", "held");
    json_object_foreach((json_t *)results, name, result)
    {
        double measured = member(result, "value"), low = member(result, "low_95"),
               high = member(result, "high_95"), real = member(truth, name);
        if (!isfinite(measured) || !isfinite(real) || !isfinite(low))
            continue;
        bool within = real >= low && real <= high;
        compared++;
        missed += !within;
        print_line(name, result, real, within);
    }
    json_decref(file);
    json_decref(truth);
    if (!compared) {
        fprintf(stderr, "wetsweep: no result of %s could be compared with %s\n", results_path,
                truth_path);
        return -1;
    }
    printf("\n%d of %d intervals hold the truth (of 95 %% intervals, one in twenty may miss).\n",
           compared - missed, compared);
    return missed;
}

int demo_changes(const char *comparison_path, const char *before_path, const char *after_path)
{
    json_t *file = json_load_file(comparison_path, 0, NULL);
    json_t *before = json_load_file(before_path, 0, NULL);
    json_t *after = json_load_file(after_path, 0, NULL);
    int compared = 0, missed = 0;
    const char *name;
    json_t *row;
    printf("\n%-28s %10s %25s %11s   %s\n", "difference", "measured", "95 % interval", "truth",
           "held");
    json_object_foreach(json_object_get(file, "quantities"), name, row)
    {
        const json_t *difference = json_object_get(row, "difference");
        double real = member(after, name) - member(before, name);
        double low = member(difference, "low_95"), high = member(difference, "high_95");
        if (!isfinite(real) || !isfinite(low))
            continue;
        bool within = real >= low && real <= high;
        compared++;
        missed += !within;
        print_line(name, difference, real, within);
    }
    json_decref(file);
    json_decref(before);
    json_decref(after);
    if (!compared) {
        fprintf(stderr, "wetsweep: nothing of %s could be compared with the truth\n",
                comparison_path);
        return -1;
    }
    printf("\n%d of %d intervals hold the truth.\n", compared - missed, compared);
    return missed;
}

int demo_revision(const char *revision_path, const char *const truth_paths[], int boards)
{
    json_t *file = json_load_file(revision_path, 0, NULL);
    const json_t *levels = json_object_get(file, "levels");
    const char *unit = json_string_value(json_object_get(file, "unit"));
    size_t count = json_array_size(levels), step = count > 5 ? (count - 1) / 4 : 1;
    int compared = 0;
    printf("\n%10s %14s %14s   %s\n", "depth", "reading", "truth", "between boards, and truth");
    for (size_t l = 0; l < count; l += step) {
        const json_t *level = json_array_get(levels, l);
        double depth = member(level, "depth_mm"), slope, sum = 0, squares = 0, first = NAN;
        for (int b = 0; b < boards; b++) {
            json_t *truth = json_load_file(truth_paths[b], 0, NULL);
            double real = true_reading(truth, depth, &slope);
            first = b ? first : real;
            sum += real - first;
            squares += (real - first) * (real - first);
            json_decref(truth);
        }
        double mean = sum / boards;
        printf("%7.4g mm %14.6g %14.6g   %.4g %.4g %s\n", depth, member(level, "reading"),
               first + mean, member(level, "between_sd"),
               sqrt(fmax(0, squares - boards * mean * mean) / (boards - 1)), unit ? unit : "");
        compared++;
    }
    json_decref(file);
    if (compared)
        return 0;
    fprintf(stderr, "wetsweep: %s has no levels\n", revision_path);
    return -1;
}
