/* SPDX-License-Identifier: GPL-3.0-or-later
 * Dead band from reversals: known ones come back with an honest interval, and where no
 * reversal is small enough there is a reason with what is known. */
#include "check.h"
#include "montecarlo.h"

#include "results/dead_band.h"

#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>

static const unsigned long seed = 20260421;
static const double backs[] = {0.05, 0.1, 0.2, 0.4, 0.8, 1.6};

static size_t make(struct reversal reversals[], double band, double noise, gsl_rng *random)
{
    size_t n = 0;
    for (size_t i = 0; i < 6; i++)
        for (size_t k = 0; k < 3; k++)
            reversals[n++] = (struct reversal){
                backs[i], fmax(0, backs[i] - band) + (random ? gsl_ran_gaussian(random, noise) : 0),
                noise};
    return n;
}

static void known_ones_come_back(void **state)
{
    (void)state;
    const double bands[] = {0.45, 0.3, 0.15, 0.9};
    for (size_t k = 0; k < 4; k++) {
        struct reversal reversals[18];
        struct dead_band band;
        struct rig_err err = {0};
        size_t n = make(reversals, bands[k], 0.005, NULL);
        assert_int_equal(dead_band_of(&band, reversals, n, &err), 0);
        assert_near(band.mm, bands[k], 1e-3, "mm");
        assert_true(band.stuck > 0 && band.stuck < band.small);
    }
}

static void intervals_are_honest(void **state)
{
    (void)state;
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(random, seed);
    struct tally tally = {.what = "dead band, mm"};
    for (size_t run = 0; run < 400; run++) {
        struct reversal reversals[18];
        struct dead_band band;
        struct rig_err err = {0};
        /* Where two of the steps lie about it, so that it isn't a bracket alone. */
        double truth = 0.42 + 0.3 * gsl_rng_uniform(random);
        size_t n = make(reversals, truth, 0.01, random);
        assert_int_equal(dead_band_of(&band, reversals, n, &err), 0);
        tally_add(&tally, band.mm, band.u_mm, band.dof, truth);
    }
    assert_honest(&tally);
    gsl_rng_free(random);
}

/* Steps that jump over the dead band leave a bracket. */
static void a_bracket(void **state)
{
    (void)state;
    const struct reversal reversals[] = {{0.1, 0.001, 0.01}, {0.3, -0.002, 0.01}, {2, 1.55, 0.01}};
    struct dead_band band;
    struct rig_err err = {0};
    assert_int_equal(dead_band_of(&band, reversals, 3, &err), 0);
    assert_near(band.mm, 1.15, 1e-9, "mm");
    assert_near(band.u_mm, 1.7 / sqrt(12), 1e-9, "mm");
    assert_int_equal(band.stuck, 2);
}

static void reasons(void **state)
{
    (void)state;
    struct dead_band band;
    struct rig_err err = {0};
    assert_int_equal(dead_band_of(&band, NULL, 0, &err), RIG_EUNKNOWABLE);
    assert_contains(err.text, "no hold follows a turn");
    const struct reversal large[] = {{20, 19.6, 0.01}, {10, 9.6, 0.01}};
    assert_int_equal(dead_band_of(&band, large, 2, &err), RIG_EUNKNOWABLE);
    assert_contains(err.text, "the smallest reversal, 10 mm");
    assert_contains(err.text, "0.42 mm at most");
    const struct reversal stuck[] = {{0.1, 0, 0.01}, {0.2, 0.001, 0.01}};
    assert_int_equal(dead_band_of(&band, stuck, 2, &err), RIG_EUNKNOWABLE);
    assert_contains(err.text, "up to 0.2 mm");
    const struct reversal bad[] = {{0.1, NAN, 0.01}};
    assert_int_equal(dead_band_of(&band, bad, 1, &err), RIG_EINPUT);
    const struct reversal free_of_noise[] = {{0.1, 0.05, 0}};
    assert_int_equal(dead_band_of(&band, free_of_noise, 1, &err), RIG_EINPUT);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(known_ones_come_back),
        cmocka_unit_test(intervals_are_honest),
        cmocka_unit_test(a_bracket),
        cmocka_unit_test(reasons),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
