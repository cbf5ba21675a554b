/* SPDX-License-Identifier: GPL-3.0-or-later
 * The fewest segments: against a search of all lines on 1,000 random bands, against a bound
 * that no line can beat on curves of true size, and the table's arithmetic both ways. */
#include "check.h"
#include "results/segments.h"

#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { SMALL = 40, SMALL_DEPTHS = 140, LARGE = 6000 };

struct test_band {
    int32_t low[LARGE], high[LARGE];
    struct segments_band band;
};

static void band_of(struct test_band *test, size_t n, int direction)
{
    test->band = (struct segments_band){
        .first = -7, .n = n, .low = test->low, .high = test->high, .direction = direction};
}

/* By the definition, in other words than the library's: between two knots, rounded halves up. */
static int64_t rounded(int64_t x, int64_t x0, int64_t y0, int64_t x1, int64_t y1)
{
    long double exact = (long double)y0 + (long double)(y1 - y0) * (x - x0) / (x1 - x0);
    return (int64_t)floorl(exact + 0.5L);
}

static bool stays(const struct segments_band *band, int64_t x0, int64_t y0, int64_t x1, int64_t y1)
{
    if (band->direction * (y1 - y0) <= 0)
        return false;
    for (int64_t x = x0; x <= x1; x++) {
        int64_t depth = rounded(x, x0, y0, x1, y1);
        if (depth < band->low[x] || depth > band->high[x])
            return false;
    }
    return true;
}

/* Least number of segments by trying every pair of knots. 0: there is no line. */
static size_t by_search(const struct segments_band *band)
{
    static int fewest[SMALL][SMALL_DEPTHS];
    int32_t base = INT32_MAX;
    for (size_t x = 0; x < band->n; x++)
        base = band->low[x] < base ? band->low[x] : base;
    int best = 0;
    for (size_t x = 0; x < band->n; x++)
        for (int32_t y = band->low[x]; y <= band->high[x]; y++) {
            assert_in_range(y - base, 0, SMALL_DEPTHS - 1);
            int *here = &fewest[x][y - base];
            *here = x == 0 ? 0 : INT32_MAX;
            for (size_t x0 = 0; x0 < x; x0++)
                for (int32_t y0 = band->low[x0]; y0 <= band->high[x0]; y0++)
                    if (fewest[x0][y0 - base] < *here - 1 &&
                        stays(band, (int64_t)x0, y0, (int64_t)x, y))
                        *here = fewest[x0][y0 - base] + 1;
            if (x + 1 == band->n && *here < INT32_MAX && (!best || *here < best))
                best = *here;
        }
    return (size_t)best;
}

/* The line found is one, and stays within the band at every reading. */
static void check_line(const struct segments *segments, const struct segments_band *band)
{
    const struct segments_knot *knot = segments->knots;
    assert_true(segments->count >= 2);
    assert_int_equal(knot[0].reading, band->first);
    assert_int_equal(knot[segments->count - 1].reading, band->first + (int32_t)band->n - 1);
    for (size_t k = 1; k < segments->count; k++) {
        assert_true(knot[k].reading > knot[k - 1].reading);
        assert_true(band->direction * (knot[k].depth - knot[k - 1].depth) > 0);
        for (int32_t x = knot[k - 1].reading; x <= knot[k].reading; x++) {
            int64_t depth =
                rounded(x, knot[k - 1].reading, knot[k - 1].depth, knot[k].reading, knot[k].depth);
            assert_int_equal(segments_depth(segments, x), depth);
            assert_in_range(depth - band->low[x - band->first], 0,
                            band->high[x - band->first] - band->low[x - band->first]);
        }
    }
}

/* A random wandering band that grows or falls, sometimes with bends and sometimes so tight
 * that nothing fits. */
static void random_band(struct test_band *test, gsl_rng *rng)
{
    size_t n = 2 + gsl_rng_uniform_int(rng, SMALL - 1);
    int direction = gsl_rng_uniform(rng) < 0.5 ? 1 : -1;
    double slope = gsl_ran_flat(rng, 0.3, 2.5), bend = gsl_ran_flat(rng, -0.12, 0.12);
    double tolerance = gsl_ran_flat(rng, 0, 3), depth = gsl_ran_flat(rng, -20, 20);
    double jitter = gsl_rng_uniform(rng) < 0.5 ? 0 : gsl_ran_flat(rng, 0, 1.5);
    for (size_t x = 0; x < n; x++) {
        double middle = depth + gsl_ran_flat(rng, -jitter, jitter);
        test->low[x] = (int32_t)ceil(middle - tolerance);
        test->high[x] = (int32_t)floor(middle + tolerance);
        if (test->low[x] > test->high[x])
            test->low[x] = test->high[x] = (int32_t)lround(middle);
        slope += bend;
        bend = gsl_rng_uniform(rng) < 0.05 ? -bend : bend;
        depth += direction * fmin(fmax(slope, 0.02), 3);
    }
    band_of(test, n, direction);
}

static void test_against_search(void **state)
{
    (void)state;
    static struct test_band test;
    enum { seed = 20260412, curves = 1000 };
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(rng, seed);
    print_message("seed %d\n", seed);
    size_t none = 0, counts[SMALL] = {0};
    for (int i = 0; i < curves; i++) {
        random_band(&test, rng);
        struct segments segments = {0};
        struct rig_err err = {0};
        size_t fewest = by_search(&test.band);
        int code = segments_fewest(&segments, &test.band, 0, &err);
        if (fewest == 0) {
            assert_int_equal(code, RIG_EUNKNOWABLE);
            none++;
            continue;
        }
        assert_int_equal(code, RIG_OK);
        if (segments.count - 1 != fewest)
            fail_msg("curve %d: %zu segments, the search finds %zu", i, segments.count - 1, fewest);
        check_line(&segments, &test.band);
        counts[fewest]++;
        segments_free(&segments);
    }
    print_message("no line in %zu; with 1, 2, 3, 4, 5 segments: %zu, %zu, %zu, %zu, %zu\n", none,
                  counts[1], counts[2], counts[3], counts[4], counts[5]);
    assert_true(none > 10 && counts[1] > 50 && counts[2] > 50 && counts[3] > 50);
    gsl_rng_free(rng);
}

/* A curve of a board: depth in micrometres over n readings, with bends, either way. */
static void board_band(struct test_band *test, gsl_rng *rng, size_t n, double error)
{
    int direction = gsl_rng_uniform(rng) < 0.5 ? 1 : -1;
    double square = gsl_ran_flat(rng, -0.3, 0.3), cube = gsl_ran_flat(rng, -0.2, 0.2);
    double knee = gsl_ran_flat(rng, 0, 0.05);
    for (size_t x = 0; x < n; x++) {
        double t = (double)x / (double)(n - 1);
        double shape =
            t + square * t * (1 - t) + cube * t * (1 - t) * (1 - 2 * t) + knee * sin(2 * M_PI * t);
        double depth = direction * 140000 * shape;
        test->low[x] = (int32_t)ceil(depth - error);
        test->high[x] = (int32_t)floor(depth + error);
    }
    band_of(test, n, direction);
}

/* Straight pieces that need not join, each as long as can be: never more than any line that
 * joins needs. Real numbers, from the definition. */
static size_t loose_pieces(const struct segments_band *band)
{
    size_t pieces = 0;
    for (size_t from = 0; from < band->n; pieces++) {
        size_t end = from + 1;
        for (bool fits = true; fits && end < band->n; end += fits) {
            /* A line through all gaps from..end: some slope makes the highest lower end less
             * slope x no higher than the lowest upper end. Convex in the slope: ternary. */
            double low = -1e4, high = 1e4;
            fits = false;
            for (int step = 0; step < 60 && !fits; step++) {
                double slope[2] = {low + (high - low) / 3, high - (high - low) / 3}, over[2];
                for (int side = 0; side < 2; side++) {
                    double floor_at = -INFINITY, ceiling = INFINITY;
                    for (size_t x = from; x <= end; x++) {
                        floor_at = fmax(floor_at, band->low[x] - 0.5 - slope[side] * (double)x);
                        ceiling = fmin(ceiling, band->high[x] + 0.5 - slope[side] * (double)x);
                    }
                    over[side] = floor_at - ceiling;
                    fits = fits || over[side] <= 1e-6;
                }
                *(over[0] > over[1] ? &low : &high) = slope[over[0] > over[1] ? 0 : 1];
            }
        }
        from = end;
    }
    return pieces;
}

static void test_board_curves(void **state)
{
    (void)state;
    static struct test_band test;
    enum { seed = 7, curves = 60, n = 500 };
    gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(rng, seed);
    print_message("seed %d\n", seed);
    size_t as_few = 0;
    for (int i = 0; i < curves; i++) {
        struct segments segments = {0};
        struct rig_err err = {0};
        board_band(&test, rng, n, pow(10, gsl_ran_flat(rng, 2, 3.3)));
        assert_int_equal(segments_fewest(&segments, &test.band, 0, &err), 0);
        check_line(&segments, &test.band);
        size_t loose = loose_pieces(&test.band);
        assert_true(segments.count - 1 >= loose);
        as_few += segments.count - 1 == loose;
        /* One fewer is refused; as many are allowed. */
        struct segments limited = {0};
        assert_int_equal(segments_fewest(&limited, &test.band, segments.count - 1, &err), 0);
        assert_int_equal(limited.count, segments.count);
        segments_free(&limited);
        if (segments.count > 2)
            assert_int_equal(segments_fewest(&limited, &test.band, segments.count - 2, &err),
                             RIG_EUNKNOWABLE);
        segments_free(&segments);
    }
    print_message("as few as pieces that need not join: %zu of %d\n", as_few, curves);
    assert_true(as_few > curves / 2);
    gsl_rng_free(rng);
}

static void test_straight(void **state)
{
    (void)state;
    static struct test_band test;
    struct segments segments = {0};
    struct rig_err err = {0};
    for (int direction = -1; direction <= 1; direction += 2) {
        for (int32_t x = 0; x < LARGE; x++)
            test.low[x] = test.high[x] = direction * 25 * x;
        band_of(&test, LARGE, direction);
        assert_int_equal(segments_fewest(&segments, &test.band, 0, &err), 0);
        assert_int_equal(segments.count, 2);
        check_line(&segments, &test.band);
        /* Both ways, and beyond the ends. */
        for (int32_t x = -20; x < LARGE + 20; x++) {
            int32_t reading = x < -7 ? -7 : x > LARGE - 8 ? LARGE - 8 : x;
            assert_int_equal(segments_depth(&segments, x), direction * 25 * (reading + 7));
            assert_int_equal(segments_reading(&segments, direction * 25 * (x + 7) + 12 * direction),
                             reading);
        }
        segments_free(&segments);
    }
}

/* The largest numbers that are allowed, where products are largest. */
static void test_extremes(void **state)
{
    (void)state;
    static int32_t low[SEGMENTS_READING_LIMIT], high[SEGMENTS_READING_LIMIT];
    struct segments segments = {0};
    struct rig_err err = {0};
    struct segments_band band = {
        .first = -(1 << 30), .n = SEGMENTS_READING_LIMIT, .low = low, .high = high, .direction = 1};
    for (int64_t x = 0; x < SEGMENTS_READING_LIMIT; x++) {
        int64_t depth = -SEGMENTS_DEPTH_LIMIT + 2 * x * SEGMENTS_DEPTH_LIMIT / band.n;
        low[x] = (int32_t)depth - (x > 0);
        high[x] = (int32_t)depth + 1;
    }
    low[0] = -SEGMENTS_DEPTH_LIMIT;
    assert_int_equal(segments_fewest(&segments, &band, 0, &err), 0);
    assert_int_equal(segments.count, 2);
    check_line(&segments, &band);
    segments_free(&segments);
    low[9] = high[9] + 1;
    assert_int_equal(segments_fewest(&segments, &band, 0, &err), RIG_EUNKNOWABLE);
    assert_contains(err.text, "at reading -1073741815");
    low[9] = -SEGMENTS_DEPTH_LIMIT - 1;
    assert_int_equal(segments_fewest(&segments, &band, 0, &err), RIG_EINPUT);
    band.n = 1;
    assert_int_equal(segments_fewest(&segments, &band, 0, &err), RIG_EINPUT);
    band.n = SEGMENTS_READING_LIMIT + 1;
    assert_int_equal(segments_fewest(&segments, &band, 0, &err), RIG_EINPUT);
    band.n = 2;
    band.first = (1 << 30) + 1;
    assert_int_equal(segments_fewest(&segments, &band, 0, &err), RIG_EINPUT);
    assert_null(segments.knots);
    segments_free(NULL);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_against_search),
        cmocka_unit_test(test_board_curves),
        cmocka_unit_test(test_straight),
        cmocka_unit_test(test_extremes),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
