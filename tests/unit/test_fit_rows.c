/* SPDX-License-Identifier: GPL-3.0-or-later
 * The fit's one pass over the rows: the same results to the last bit with any number of
 * threads, and within the memory it is given. */
#include "check.h"
#include "recordings.h"

#include "results/fit.h"
#include "results/result_json.h"

#include <gsl/gsl_rng.h>

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const char profile[] = "start at 10 mm\n"
                              "stairs from 10 mm to 130 mm in 4 steps, hold 4 s, up and down\n"
                              "each speed 10, 20, 40 mm/s\n"
                              "  ramp to 130 mm at speed\n"
                              "  hold 3 s\n"
                              "  ramp to 10 mm at speed\n"
                              "  hold 5 s\n"
                              "end\n"
                              "step to 100 mm\n"
                              "hold 6 s\n"
                              "step to 20 mm\n"
                              "hold 6 s\n"
                              "sine about 70 mm amplitude 5 mm at 0.5 Hz, 8 cycles\n";

static struct recording_bench bench;

/* Rows at 1 kHz of an invented board: a bent curve, a lag of 0.1 s, noise, gaps, and a time
 * that once steps back. Returns how many. */
static size_t write_rows(struct recording_writer *writer)
{
    struct rig_err err = {0};
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    double depth_mm = 10;
    size_t rows = (size_t)((plan_duration_s(bench.plan) + 2) * 1000);
    for (size_t r = 0; r < rows; r++) {
        double t_s = (double)r * 1e-3 - (r == 50000 ? 3 : 0);
        depth_mm += 0.01 * (plan_depth_mm(bench.plan, t_s - 1) - depth_mm);
        double wet_mm = fmax(depth_mm, 0), noise = gsl_rng_uniform(random) - 0.5;
        const double values[] = {0.35 + (0.021 - 9.5e-6 * wet_mm) * wet_mm + 0.004 * noise,
                                 r % 7000 < 50 ? NAN : 1000 + (double)(r / 100 % 300)};
        assert_int_equal(
            recording_row(writer, 0, t_s + 1e-4 * gsl_rng_uniform(random), t_s, values, &err), 0);
    }
    for (size_t i = 0; i < plan_stroke_count(bench.plan); i++) {
        const struct plan_stroke *stroke = &plan_strokes(bench.plan)[i];
        assert_int_equal(recording_stroke(writer, i, stroke->start_s, 1 + stroke->start_s,
                                          1.001 + stroke->start_s, 1.002 + stroke->end_s, &err),
                         0);
    }
    gsl_rng_free(random);
    return rows;
}

static char *results_of(const struct recording *recording, const struct fit_options *options,
                        size_t rows)
{
    struct rig_err err = {0};
    struct fit fit = {0};
    if (fit_recording(&fit, recording, options, &err))
        fail_msg("%s", err.text);
    assert_int_equal(fit.rows, rows);
    char *json = result_list_json(&fit.results, NULL, &err);
    assert_non_null(json);
    fit_free(&fit);
    return json;
}

static void threads_make_no_difference(void **state)
{
    (void)state;
    struct rig_err err = {0};
    recording_bench_open(&bench, profile, NULL);
    struct recording_writer *writer = recording_bench_create(&bench);
    size_t rows = write_rows(writer);
    assert_int_equal(recording_close(writer, RUN_COMPLETE, "", &err), 0);
    struct recording *recording = recording_bench_reopen(&bench);
    struct fit_options options = {.degree = -1, .threads = 1};
    char *one = results_of(recording, &options, rows);
    assert_contains(one, "step_lag_rising");
    assert_contains(one, "hysteresis_at_rest");
    for (options.threads = 2; options.threads <= 8; options.threads *= 2) {
        char *several = results_of(recording, &options, rows);
        assert_string_equal(several, one);
        free(several);
    }
    free(one);
    recording_free(recording);
    recording_bench_close(&bench);
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(threads_make_no_difference)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
