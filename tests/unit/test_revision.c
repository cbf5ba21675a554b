/* SPDX-License-Identifier: GPL-3.0-or-later
 * Boards of a revision: what each trim takes away, spreads, boards that stand apart. */
#include "check.h"

#include "results/moments.h"
#include "results/revision.h"
#include "results/significance.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { LEVELS = 8, CYCLES = 3 };

/* reading = zero + gain f(d), f bent a little; noise of the cycles by a fixed pattern. */
static double reading_of(double depth, double zero, double gain)
{
    return zero + gain * (0.021 * depth - 9.5e-6 * depth * depth);
}

static struct fit fit_of(double zero, double gain, double scatter)
{
    static const double pattern[CYCLES] = {-1, 0, 1};
    double depth[LEVELS * CYCLES], reading[LEVELS * CYCLES];
    struct fit fit = {.low_mm = 10, .high_mm = 150};
    fit.passes = calloc(LEVELS * CYCLES, sizeof *fit.passes);
    assert_non_null(fit.passes);
    for (size_t c = 0; c < CYCLES; c++)
        for (size_t l = 0; l < LEVELS; l++) {
            size_t i = fit.pass_count++;
            depth[i] = 10 + 20 * (double)l;
            reading[i] = reading_of(depth[i], zero, gain) + scatter * pattern[(c + l) % CYCLES];
            fit.passes[i] = (struct fit_pass){
                .kind = FIT_PASS_LEVEL, .segment = c, .x = depth[i], .value = reading[i]};
        }
    struct rig_err err = {0};
    const struct curve_points points = {.n = fit.pass_count, .depth = depth, .reading = reading};
    const struct curve_options options = {.kind = CURVE_POLYNOMIAL, .degree = 2};
    if (curve_fit(&fit.curve, &points, &options, &err))
        fail_msg("%s", err.text);
    return fit;
}

static struct revision made(const double zero[], const double gain[], size_t boards, double scatter)
{
    static const char *const names[] = {"WS-B-0001", "WS-B-0002", "WS-B-0003", "WS-B-0004",
                                        "WS-B-0005", "WS-B-0006", "WS-B-0007", "WS-B-0008"};
    struct fit fits[8];
    const struct fit *each[8];
    struct revision_board board[8];
    for (size_t b = 0; b < boards; b++) {
        fits[b] = fit_of(zero[b], gain[b], scatter);
        each[b] = &fits[b];
        board[b] = (struct revision_board){.board = names[b], .fits = &each[b], .count = 1};
    }
    struct revision revision;
    struct rig_err err = {0};
    if (revision_make(&revision, board, boards, 2, 0.5, &err))
        fail_msg("%s", err.text);
    for (size_t b = 0; b < boards; b++)
        fit_free(&fits[b]);
    return revision;
}

static void each_trim_takes_away_what_it_should(void **state)
{
    (void)state;
    static const double none[4] = {0.35, 0.35, 0.35, 0.35}, zero[4] = {0.35, 0.37, 0.33, 0.36};
    static const double one[4] = {1, 1, 1, 1}, gain[4] = {1, 1.01, 0.99, 1.005};
    struct revision same = made(none, one, 4, 0), shifted = made(zero, one, 4, 0),
                    both = made(zero, gain, 4, 0);
    for (int way = 0; way < REVISION_WAY_COUNT; way++)
        assert_near(same.ways[way].worst_mm, 0, 1e-6, "mm");
    assert_int_equal(same.advice, REVISION_SHARED);
    assert_true(shifted.ways[REVISION_SHARED].worst_mm > 1);
    assert_near(shifted.ways[REVISION_ZERO].worst_mm, 0, 1e-6, "mm");
    assert_int_equal(shifted.advice, REVISION_ZERO);
    /* Mean 0.3525: the third board is 0.0225 low, and the curve is flattest at 150 mm. */
    assert_near(shifted.ways[REVISION_SHARED].worst_mm, 0.0225 / (0.021 - 2 * 9.5e-6 * 150), 0.02,
                "mm");
    assert_int_equal(shifted.ways[REVISION_SHARED].board, 2);
    assert_near(shifted.ways[REVISION_SHARED].at_mm, 150, 1e-9, "mm");
    assert_true(both.ways[REVISION_ZERO].worst_mm > 0.5);
    assert_near(both.ways[REVISION_SPAN].worst_mm, 0, 1e-6, "mm");
    assert_near(both.ways[REVISION_OWN].worst_mm, 0, 1e-6, "mm");
    assert_int_equal(both.advice, REVISION_SPAN);
    assert_true(both.kept);
    revision_free(&same);
    revision_free(&shifted);
    revision_free(&both);
}

/* Of a further board: t with 3 degrees of freedom, 3.182446 (JCGM 100 table G.2: 3.18). */
static void a_further_board_may_be_worse(void **state)
{
    (void)state;
    static const double zero[4] = {0.35, 0.37, 0.33, 0.36}, one[4] = {1, 1, 1, 1};
    struct revision revision = made(zero, one, 4, 0);
    size_t last = LEVELS - 1;
    double errors[4];
    for (size_t b = 0; b < 4; b++)
        errors[b] = revision_error_mm(&revision, b, last, REVISION_SHARED);
    struct moments all = moments_of(errors, 4);
    assert_near(revision.ways[REVISION_SHARED].next_mm,
                fabs(all.mean) + 3.182446 * all.sd * sqrt(1.25), 1e-5, "mm");
    revision_free(&revision);
    struct revision two = made(zero, one, 2, 0);
    assert_true(isnan(two.ways[REVISION_SHARED].next_mm));
    revision_free(&two);
}

static void spreads_are_told_apart(void **state)
{
    (void)state;
    static const double zero[4] = {0.35, 0.37, 0.33, 0.36}, one[4] = {1, 1, 1, 1};
    struct revision revision = made(zero, one, 4, 0.001);
    for (size_t l = 0; l < LEVELS; l++) {
        const struct revision_level *level = &revision.levels[l];
        assert_near(level->within_sd, 0.001, 1e-9, "V");
        struct moments boards = moments_of(zero, 4);
        /* Variance of the boards' means less a third of that within. */
        assert_near(level->between_sd, sqrt(boards.sd * boards.sd - 1e-6 / CYCLES), 1e-9, "V");
        assert_true(level->p < 1e-6);
        assert_near(level->between_mm, level->between_sd / (0.021 - 2 * 9.5e-6 * level->depth_mm),
                    1e-6, "mm");
    }
    revision_free(&revision);
}

static void a_board_that_stands_apart_is_named(void **state)
{
    (void)state;
    static const double zero[7] = {0.350, 0.352, 0.349, 0.351, 0.350, 0.420, 0.3505};
    static const double one[7] = {1, 1.001, 0.999, 1.0005, 1, 1.0002, 0.9995};
    struct revision revision = made(zero, one, 7, 0.0002);
    assert_int_equal(revision.outlier_count, 1);
    assert_int_equal(revision.outliers[0].board, 5);
    assert_int_equal(revision.outliers[0].feature, REVISION_ZERO_OFF);
    assert_true(revision.outliers[0].p < 0.01);
    revision_free(&revision);
}

/* NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.17.1 (from memory): G = 2.4687643 of
 * eight, above 2.032, the critical value to one side at 5 %. ISO 5725-2:1994, table 5 (from
 * memory): 2.290 at 5 % and 2.482 at 1 % to either side for ten. */
static void grubbs_has_its_critical_values(void **state)
{
    (void)state;
    static const double nist[8] = {199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57};
    size_t which;
    struct moments all = moments_of(nist, 8);
    assert_near((245.57 - all.mean) / all.sd, 2.4687643, 5e-7, "1");
    assert_true(grubbs_p(nist, 8, &which) < 1e-6);
    assert_int_equal(which, 7);
    /* Nine values alike but for sign make any G: one at G, others at +-x about -G/9. */
    static const struct {
        double g, p;
    } table[] = {{2.290, 0.05}, {2.482, 0.01}};
    for (size_t i = 0; i < 2; i++) {
        double ten[10], g = table[i].g;
        /* Sum of squares about the mean is 9 for sd 1: g^2 + 9 (g/9)^2 + 8 x^2 = 9. */
        double x = sqrt((9 - g * g * (1 + 1.0 / 9)) / 8);
        ten[9] = g;
        for (size_t k = 0; k < 9; k++)
            ten[k] = -g / 9 + (k == 8 ? 0 : k % 2 ? x : -x);
        assert_near(grubbs_p(ten, 10, &which), table[i].p, table[i].p * 0.01, "1");
        assert_int_equal(which, 9);
    }
    assert_true(isnan(grubbs_p(nist, 2, &which)));
}

static void what_does_not_fit_together_is_refused(void **state)
{
    (void)state;
    struct fit fit = fit_of(0.35, 1, 0), other = fit_of(0.35, 1, 0);
    for (size_t i = 0; i < other.pass_count; i++)
        other.passes[i].x += 7;
    const struct fit *first[] = {&fit}, *second[] = {&other};
    const struct revision_board boards[] = {{"WS-B-0001", first, 1}, {"WS-B-0002", second, 1}};
    struct revision revision;
    struct rig_err err = {0};
    assert_int_equal(revision_make(&revision, boards, 2, 0, 0.5, &err), RIG_EINPUT);
    assert_contains(err.text, "0 depths in common");
    other.low_mm = NAN;
    assert_int_equal(revision_make(&revision, boards, 2, 0, 0.5, &err), RIG_EINPUT);
    assert_contains(err.text, "WS-B-0002");
    assert_int_equal(revision_make(&revision, boards, 0, 0, 0.5, &err), RIG_EINPUT);
    fit_free(&fit);
    fit_free(&other);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(each_trim_takes_away_what_it_should),
        cmocka_unit_test(a_further_board_may_be_worse),
        cmocka_unit_test(spreads_are_told_apart),
        cmocka_unit_test(a_board_that_stands_apart_is_named),
        cmocka_unit_test(grubbs_has_its_critical_values),
        cmocka_unit_test(what_does_not_fit_together_is_refused),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
