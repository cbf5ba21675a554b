/* SPDX-License-Identifier: GPL-3.0-or-later
 * Allan deviation against averaging time: its size and its intervals on noise whose
 * deviation is known, the least point, and reasons. Closed forms (NIST SP 1065, table 3): white
 * noise N^2/tau, random walk K^2 tau/3. */
#include "check.h"

#include "results/allan_curve.h"

#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>

static const unsigned long seed = 20260422;
enum { LENGTH = 400, RUNS = 300 };

/* White of standard deviation `white`, and a walk by `walk` a value, tau0 1 s. */
static void make(double y[], double white, double walk, gsl_rng *random)
{
    double place = 0;
    for (size_t i = 0; i < LENGTH; i++) {
        double before = place;
        place += walk > 0 ? gsl_ran_gaussian(random, walk) : 0;
        /* The mean of a walk over a step: half way, and what it wanders by within. */
        y[i] = (before + place) / 2 + (walk > 0 ? gsl_ran_gaussian(random, walk / sqrt(12)) : 0) +
               (white > 0 ? gsl_ran_gaussian(random, white) : 0);
    }
}

static double truth(double white, double walk, double tau_s)
{
    return sqrt(white * white / tau_s + walk * walk * tau_s / 3);
}

/* Every point's interval over many series, for white noise and for a walk. */
static void intervals_are_honest(void **state)
{
    (void)state;
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(random, seed);
    for (int kind = 0; kind < 2; kind++) {
        double white = kind == 0, walk = kind == 1, mean[ALLAN_CURVE_LIMIT] = {0};
        size_t held[ALLAN_CURVE_LIMIT] = {0}, count = 0;
        double tau[ALLAN_CURVE_LIMIT] = {0};
        for (size_t run = 0; run < RUNS; run++) {
            double y[LENGTH];
            struct allan_point points[ALLAN_CURVE_LIMIT];
            struct rig_err err = {0};
            make(y, white, walk, random);
            const struct allan_series series[] = {{y, LENGTH}};
            assert_int_equal(allan_curve_of(points, &count, series, 1, 1, &err), 0);
            for (size_t i = 0; i < count; i++) {
                double exact = truth(white, walk, points[i].tau_s);
                held[i] += points[i].low <= exact && exact <= points[i].high;
                mean[i] += points[i].deviation * points[i].deviation / RUNS;
                tau[i] = points[i].tau_s;
            }
        }
        assert_int_equal(count, 13); /* 1 2 3 4 6 8 12 16 24 32 48 64 96 */
        for (size_t i = 0; i < count; i++) {
            double share = (double)held[i] / RUNS, exact = truth(white, walk, tau[i]);
            if (i == 0 || i == 6 || i + 1 == count)
                print_message("seed %lu, %s, tau %3.0f: mean square %.3f of the exact, %.1f %% "
                              "hold\n",
                              seed, kind ? "walk" : "white", tau[i], mean[i] / exact / exact,
                              100 * share);
            /* The degrees of freedom are approximate, and where the noise is taken for
             * another kind the interval is a little too narrow. */
            assert_near(share, 0.95, 0.06, "");
            assert_near(mean[i] / exact / exact, 1, i < 7 ? 0.05 : 0.2, "");
        }
    }
    gsl_rng_free(random);
}

/* White noise 1 and a walk of 0.2: least at tau = sqrt(3) / 0.2 = 8.7, 0.48. */
static void the_least_is_found(void **state)
{
    (void)state;
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(random, seed);
    size_t held = 0, found = 0;
    double sum = 0, exact = sqrt(2 * 0.2 / sqrt(3));
    for (size_t run = 0; run < RUNS; run++) {
        static double y[4][LENGTH];
        struct allan_point points[ALLAN_CURVE_LIMIT];
        size_t count, least;
        struct rig_err err = {0};
        for (int k = 0; k < 4; k++)
            make(y[k], 1, 0.2, random);
        const struct allan_series series[] = {
            {y[0], LENGTH}, {y[1], LENGTH}, {y[2], LENGTH}, {y[3], LENGTH}};
        assert_int_equal(allan_curve_of(points, &count, series, 4, 1, &err), 0);
        if (allan_curve_least(&least, points, count, "V", &err))
            continue;
        found++;
        held += points[least].low <= exact && exact <= points[least].high;
        sum += points[least].deviation;
        assert_true(points[least].tau_s >= 3 && points[least].tau_s <= 32);
    }
    print_message("seed %lu: least %.4f in the mean, %.4f exact; %zu of %zu hold\n", seed,
                  sum / (double)found, exact, held, found);
    assert_true((double)found > 0.9 * RUNS);
    /* The least of several is a little below what each is in the mean. */
    assert_near(sum / (double)found, exact, 0.05 * exact, "");
    assert_near((double)held / (double)found, 0.95, 0.04, "");
    gsl_rng_free(random);
}

static void reasons(void **state)
{
    (void)state;
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(random, seed);
    double y[LENGTH];
    struct allan_point points[ALLAN_CURVE_LIMIT];
    size_t count, least;
    struct rig_err err = {0};
    make(y, 1, 0, random);
    const struct allan_series series[] = {{y, LENGTH}}, few[] = {{y, 31}};
    assert_int_equal(allan_curve_of(points, &count, series, 1, 1, &err), 0);
    assert_int_equal(allan_curve_least(&least, points, count, "V", &err), RIG_EUNKNOWABLE);
    assert_contains(err.text, "hold longer");
    make(y, 0, 1, random);
    assert_int_equal(allan_curve_of(points, &count, series, 1, 1, &err), 0);
    assert_int_equal(allan_curve_least(&least, points, count, "V", &err), RIG_EUNKNOWABLE);
    assert_contains(err.text, "rises from the shortest");
    assert_int_equal(allan_curve_of(points, &count, few, 1, 1, &err), RIG_EUNKNOWABLE);
    assert_contains(err.text, "there are 31");
    assert_int_equal(allan_curve_of(points, &count, NULL, 0, 1, &err), RIG_EUNKNOWABLE);
    assert_int_equal(allan_curve_least(&least, points, 0, "V", &err), RIG_EUNKNOWABLE);
    y[7] = NAN;
    assert_int_equal(allan_curve_of(points, &count, series, 1, 1, &err), RIG_EINPUT);
    /* A reading that never changes: no deviation, and no trouble. */
    for (size_t i = 0; i < LENGTH; i++)
        y[i] = 3;
    assert_int_equal(allan_curve_of(points, &count, series, 1, 1, &err), 0);
    assert_near(points[3].deviation, 0, 1e-12, "");
    gsl_rng_free(random);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(intervals_are_honest),
        cmocka_unit_test(the_least_is_found),
        cmocka_unit_test(reasons),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
