/* SPDX-License-Identifier: GPL-3.0-or-later
 * A digest of rows holds the sums of those rows: in any order, in two halves, near a
 * clock that runs off, and within the memory it was given. */
#include "check.h"

#include "results/digest.h"
#include "results/fit_points.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const char rig_text[] = "axis\n"
                               "  port axis\n"
                               "  speaks acknowledged-lines\n"
                               "  letter Z\n"
                               "  travel 0 mm to 220 mm\n"
                               "  speed up to 60 mm/s\n"
                               "  acceleration up to 900 mm/s2\n"
                               "  resolution 400 steps/mm\n"
                               "  park at -20 mm\n"
                               "end\n"
                               "water\n"
                               "  datum at stage 30 mm\n"
                               "end\n";
static const char profile_text[] = "start at 20 mm\n"
                                   "hold 2 s\n"
                                   "ramp to 100 mm at 20 mm/s\n"
                                   "hold 10 s\n"
                                   "sine about 60 mm amplitude 5 mm at 0.5 Hz, 4 cycles\n"
                                   "hold 1 s\n";
static const char long_hold[] = "start at 20 mm\nramp to 100 mm at 20 mm/s\nhold 80 s\n";

struct bench {
    struct units *units;
    struct rig rig;
    struct plan *plan;
    struct timeline timeline;
};

/* Host time runs 3 s ahead of the plan's, and 100 ppm faster. */
static void open_bench_of(struct bench *bench, const char *text)
{
    struct rig_err err = {0};
    bench->units = units_open(&err);
    assert_non_null(bench->units);
    if (rig_read(&bench->rig, "b.rig", rig_text, strlen(rig_text), bench->units, &err))
        fail_msg("%s", err.text);
    bench->plan = plan_make(&bench->rig, "d.profile", text, strlen(text), bench->units, NULL, &err);
    if (!bench->plan)
        fail_msg("%s", err.text);
    size_t count = plan_stroke_count(bench->plan);
    bench->timeline =
        (struct timeline){.anchor = ANCHOR_POLLED, .stroke_count = count, .skew = 1e-4};
    bench->timeline.strokes = calloc(count, sizeof *bench->timeline.strokes);
    for (size_t i = 0; i < count; i++) {
        const struct plan_stroke *stroke = &plan_strokes(bench->plan)[i];
        bench->timeline.strokes[i] =
            (struct timeline_stroke){.known = true,
                                     .plan_start_s = stroke->start_s,
                                     .plan_end_s = stroke->end_s,
                                     .host_start_s = 3 + 1.0001 * stroke->start_s,
                                     .host_end_s = 3 + 1.0001 * stroke->end_s};
    }
}

static void open_bench(struct bench *bench)
{
    open_bench_of(bench, profile_text);
}

static void close_bench(struct bench *bench)
{
    free(bench->timeline.strokes);
    plan_free(bench->plan);
    units_close(bench->units);
}

static double host_of(double plan_s)
{
    return 3 + 1.0001 * plan_s;
}

static size_t find_segment(const struct plan *plan, enum segment_kind kind, size_t nth)
{
    for (size_t i = 0; i < plan_segment_count(plan); i++)
        if (plan_segments(plan)[i].kind == kind && nth-- == 0)
            return i;
    fail_msg("no segment of kind %d", kind);
    return 0;
}

/* Rows each 5 ms over the whole plan: channel 0 is the plan's time itself, channel 1 a
 * constant with gaps. */
static void feed(struct digest *digest, const struct plan *plan, int step, int offset)
{
    size_t rows = (size_t)(plan_duration_s(plan) / 0.005);
    for (size_t k = 0; k < rows; k++) {
        size_t r = step > 0 ? k : rows - 1 - k;
        if (offset >= 0 && (r < rows / 3) != (offset == 0))
            continue;
        double plan_s = 0.0025 + 0.005 * (double)r;
        double host_s = host_of(plan_s), clock_s = plan_s, level = r % 3 ? 1000.5 : NAN;
        const double *const channels[] = {&clock_s, &level};
        assert_int_equal(digest_add_rows(digest, &host_s, channels, 1, NULL), 0);
    }
}

/* 80 s: bins that grow to 80/256 s, then as many of that width as the rest takes. */
static void test_a_long_hold_ends_in_even_bins(void **state)
{
    (void)state;
    struct bench bench;
    struct rig_err err;
    open_bench_of(&bench, long_hold);
    struct digest *digest = digest_open(bench.plan, &bench.timeline, 2, 0.005, 0, 1 << 24, &err);
    feed(digest, bench.plan, 1, -1);
    size_t index = find_segment(bench.plan, SEGMENT_HOLD, 0);
    const struct plan_segment *segment = &plan_segments(bench.plan)[index];
    assert_near(segment->duration_s, 80, 1e-9, "s");
    struct digest_point *points = calloc(digest_bin_count(digest, index), sizeof *points);
    size_t count = digest_points(digest, index, 0, points), even = 0;
    double rows = 0, width_s = 80.0 / DIGEST_EVEN_BINS;
    for (size_t i = 0; i < count; i++) {
        rows += points[i].n;
        assert_true(points[i].width_s <= width_s * (1 + 1e-9));
        if (fabs(points[i].width_s / width_s - 1) > 1e-6)
            continue;
        even++;
        if (i + 1 < count) {
            assert_near(points[i].n, width_s / 0.005, 1, "rows");
            assert_near(points[i + 1].t_s - points[i].t_s, i + 2 < count ? width_s : width_s / 2,
                        i + 2 < count ? 0.006 : width_s, "s");
        }
    }
    print_message("%zu bins, %zu of them even\n", count, even);
    assert_true(even > 200 && even < DIGEST_EVEN_BINS && count < DIGEST_HOLD_BINS);
    assert_near(rows, 80 / 0.005, 1.5, "rows");
    free(points);
    digest_free(digest);
    close_bench(&bench);
}

static void test_bins_hold_the_means_of_their_rows(void **state)
{
    (void)state;
    struct bench bench;
    struct rig_err err;
    open_bench(&bench);
    struct digest *digest = digest_open(bench.plan, &bench.timeline, 2, 0.005, 0, 1 << 24, &err);
    feed(digest, bench.plan, 1, -1);
    assert_int_equal(digest_rows_used(digest) + digest_rows_unused(digest),
                     (uint64_t)(plan_duration_s(bench.plan) / 0.005));
    static const enum segment_kind kinds[] = {SEGMENT_RAMP, SEGMENT_HOLD};
    for (size_t k = 0; k < 2; k++) {
        size_t index = find_segment(bench.plan, kinds[k], k); /* the hold of 10 s */
        const struct plan_segment *segment = &plan_segments(bench.plan)[index];
        struct digest_point *points = calloc(digest_bin_count(digest, index), sizeof *points);
        size_t count = digest_points(digest, index, 0, points);
        assert_true(count > 20);
        double rows = 0;
        for (size_t i = 0; i < count; i++) {
            /* The channel is plan time, so its mean is the mean time of the rows. */
            assert_near(points[i].mean, segment->start_s + points[i].t_s, 1e-6, "s");
            assert_true(i == 0 || points[i].t_s > points[i - 1].t_s);
            rows += points[i].n;
        }
        assert_near(rows, segment->duration_s / 0.005, 1.5, "rows");
        count = digest_points(digest, index, 1, points);
        for (size_t i = 0; i < count; i++) {
            assert_near(points[i].mean, 1000.5, 1e-9, "");
            assert_near(points[i].variance, 0, 1e-9, "");
        }
        free(points);
    }
    digest_free(digest);
    close_bench(&bench);
}

static void test_order_and_halves_make_no_difference(void **state)
{
    (void)state;
    struct bench bench;
    struct rig_err err;
    open_bench(&bench);
    struct digest *whole = digest_open(bench.plan, &bench.timeline, 2, 0.005, 0, 1 << 24, &err);
    struct digest *back = digest_open(bench.plan, &bench.timeline, 2, 0.005, 0, 1 << 24, &err);
    struct digest *first = digest_open(bench.plan, &bench.timeline, 2, 0.005, 0, 1 << 24, &err);
    struct digest *second = digest_open(bench.plan, &bench.timeline, 2, 0.005, 0, 1 << 24, &err);
    feed(whole, bench.plan, 1, -1);
    feed(back, bench.plan, -1, -1);
    feed(first, bench.plan, 1, 0);
    feed(second, bench.plan, 1, 1);
    digest_merge(first, second);
    for (size_t index = 0; index < plan_segment_count(bench.plan); index++) {
        size_t room = digest_bin_count(whole, index) + 1;
        struct digest_point *a = calloc(room, sizeof *a), *b = calloc(room, sizeof *b),
                            *c = calloc(room, sizeof *c);
        size_t count = digest_points(whole, index, 0, a);
        assert_int_equal(digest_points(back, index, 0, b), count);
        assert_int_equal(digest_points(first, index, 0, c), count);
        for (size_t i = 0; i < count; i++) {
            assert_near(b[i].n, a[i].n, 0, "rows");
            assert_near(c[i].n, a[i].n, 0, "rows");
            assert_near(b[i].mean, a[i].mean, 1e-9, "s");
            assert_near(c[i].mean, a[i].mean, 1e-9, "s");
            assert_near(c[i].variance, a[i].variance, 1e-9, "s2");
        }
        free(a);
        free(b);
        free(c);
    }
    digest_free(whole);
    digest_free(back);
    digest_free(first);
    digest_free(second);
    close_bench(&bench);
}

static void test_sine_is_folded_without_its_first_cycle(void **state)
{
    (void)state;
    struct bench bench;
    struct rig_err err;
    open_bench(&bench);
    struct digest *digest = digest_open(bench.plan, &bench.timeline, 2, 0.005, 0, 1 << 24, &err);
    feed(digest, bench.plan, 1, -1);
    size_t index = find_segment(bench.plan, SEGMENT_SINE, 0);
    const struct plan_segment *segment = &plan_segments(bench.plan)[index];
    double period_s = 1 / plan_families(bench.plan)[segment->family].frequency_hz;
    struct digest_point points[3 * DIGEST_SINE_BINS];
    size_t count = digest_points(digest, index, 0, points);
    double rows = 0;
    assert_int_equal(digest_bin_count(digest, index), 3 * DIGEST_SINE_BINS);
    assert_int_equal(count, 3 * DIGEST_SINE_BINS);
    for (size_t i = 0; i < count; i++) {
        rows += points[i].n;
        assert_true(points[i].t_s >= 0 && points[i].t_s < period_s);
        /* Cycles 2 to 4, each a group of its own. */
        double cycle_s = (double)(1 + i / DIGEST_SINE_BINS) * period_s;
        assert_near(points[i].cycle_s, cycle_s, 1e-9, "s");
        assert_near(points[i].mean, segment->start_s + cycle_s + points[i].t_s, 0.01 * period_s,
                    "s");
    }
    assert_near(rows, 3 * period_s / 0.005, 3, "rows");
    digest_free(digest);
    close_bench(&bench);
}

static void test_windows_are_the_way_back_of_plan_time(void **state)
{
    (void)state;
    struct bench bench;
    open_bench(&bench);
    bench.timeline.plan_duration_s = plan_duration_s(bench.plan);
    bench.timeline.last_known = bench.timeline.stroke_count - 1;
    size_t hint = 0;
    for (size_t i = 0; i < plan_segment_count(bench.plan); i++) {
        const struct plan_segment *segment = &plan_segments(bench.plan)[i];
        double start_s, end_s;
        assert_true(timeline_window(&bench.timeline, segment, &start_s, &end_s));
        double middle = start_s + 0.5 * (end_s - start_s);
        assert_near(timeline_plan_s(&bench.timeline, middle, NULL, &hint),
                    segment->start_s + 0.5 * segment->duration_s, 1e-6, "s");
    }
    close_bench(&bench);
}

static void test_memory_is_kept_by_coarser_bins(void **state)
{
    (void)state;
    struct bench bench;
    struct rig_err err;
    open_bench(&bench);
    struct digest *fine = digest_open(bench.plan, &bench.timeline, 2, 0.005, 0, 1 << 24, &err);
    struct digest *coarse = digest_open(bench.plan, &bench.timeline, 2, 0.005, 0, 6000, &err);
    size_t fine_bins = 0, coarse_bins = 0;
    for (size_t i = 0; i < plan_segment_count(bench.plan); i++) {
        fine_bins += digest_bin_count(fine, i);
        coarse_bins += digest_bin_count(coarse, i);
    }
    assert_true(coarse_bins * 60 <= 6000 && coarse_bins < fine_bins);
    feed(coarse, bench.plan, 1, -1);
    assert_true(digest_rows_used(coarse) > 1000);
    digest_free(fine);
    digest_free(coarse);
    close_bench(&bench);
}

static void test_dwell_counts_from_where_it_has_settled(void **state)
{
    (void)state;
    struct digest_point points[200];
    struct settled settled;
    /* e-folds in 0.3 s; the dwell takes 4 s; noise of a bin's mean 1e-3, alternating. */
    for (size_t i = 0; i < 200; i++) {
        double t_s = 0.02 * (double)i;
        points[i] = (struct digest_point){.t_s = t_s,
                                          .n = 10,
                                          .variance = 1e-5,
                                          .mean = 5 - exp(-t_s / 0.3) + (i % 2 ? 1e-3 : -1e-3)};
    }
    assert_true(fit_settled_mean(&settled, points, 200, 4));
    assert_true(settled.settled);
    assert_near(settled.mean, 5, 2e-3, "V");
    /* One that still creeps at its end is said to do so. */
    for (size_t i = 0; i < 200; i++)
        points[i].mean = 5 - exp(-points[i].t_s / 3);
    assert_true(fit_settled_mean(&settled, points, 200, 4));
    assert_false(settled.settled);
    assert_false(fit_settled_mean(&settled, points, 2, 4));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_bins_hold_the_means_of_their_rows),
        cmocka_unit_test(test_a_long_hold_ends_in_even_bins),
        cmocka_unit_test(test_order_and_halves_make_no_difference),
        cmocka_unit_test(test_sine_is_folded_without_its_first_cycle),
        cmocka_unit_test(test_windows_are_the_way_back_of_plan_time),
        cmocka_unit_test(test_memory_is_kept_by_coarser_bins),
        cmocka_unit_test(test_dwell_counts_from_where_it_has_settled),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
