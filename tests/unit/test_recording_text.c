/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "check.h"
#include "results/recording_parts.h"

#include "base/number.h"

#include <gsl/gsl_rng.h>

#include <float.h>
#include <locale.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const char *text_of(double value)
{
    static char text[CELL_SIZE + 1];
    size_t size = cell_value(text, value);
    assert_true(size < CELL_SIZE);
    text[size] = 0;
    return text;
}

static void values_as_people_write_them(void **state)
{
    (void)state;
    static const struct {
        double value;
        const char *text;
    } cases[] = {{0, "0"},
                 {-0.0, "0"},
                 {1, "1"},
                 {-12, "-12"},
                 {999999999, "999999999"},
                 {0.1, "0.1"},
                 {-2.5, "-2.5"},
                 {1.0 / 3, "0.333333333"},
                 {2.0 / 3, "0.666666667"},
                 {1234567.891, "1234567.89"},
                 {0.00001, "0.00001"},
                 {0.000012345678949, "0.0000123456789"},
                 {0.00000999, "9.99e-6"},
                 {1e15, "1e15"},
                 {123456789012345.0, "123456789000000"},
                 {-1.5e300, "-1.5e300"},
                 {0.9999999999, "1"},
                 {99999.99999999, "100000"},
                 {DBL_MAX, "1.79769313e308"},
                 {DBL_MIN, "2.22507386e-308"},
                 {4294967295.0, "4294967300"},
                 {NAN, ""},
                 {INFINITY, ""}};
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++)
        assert_string_equal(text_of(cases[i].value), cases[i].text);
}

/* Nine digits: off by at most half a unit of the ninth, an ulp or two apart; and what
 * has no more than nine digits comes back as it was. */
static void values_keep_nine_digits(void **state)
{
    (void)state;
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(random, 7);
    for (int i = 0; i < 200000; i++) {
        double value = ldexp(gsl_rng_uniform_pos(random) - 0.5,
                             i % 3 ? (int)gsl_rng_uniform_int(random, 60) - 30
                                   : (int)gsl_rng_uniform_int(random, 2000) - 1000);
        double back;
        const char *text = text_of(value);
        assert_true(rig_number(text, strlen(text), &back, NULL));
        assert_true(fabs(back - value) <= 5.0000001e-9 * fabs(value));
        double decimal = (double)gsl_rng_uniform_int(random, 1000000000) /
                         pow(10, (double)gsl_rng_uniform_int(random, 12));
        text = text_of(decimal);
        assert_true(rig_number(text, strlen(text), &back, NULL));
        assert_near(back, decimal, 0, "");
    }
    for (double value = 5e-324; value < 1e-300; value *= 7) { /* the smallest there are */
        double back;
        const char *text = text_of(value);
        assert_true(rig_number(text, strlen(text), &back, NULL));
        assert_true(fabs(back - value) <= 1e-8 * value + 5e-324);
    }
    gsl_rng_free(random);
}

static void fixed_decimals(void **state)
{
    (void)state;
    static const struct {
        double value;
        unsigned decimals;
        const char *text;
    } cases[] = {{0, 6, "0.000000"},
                 {12345.678901, 6, "12345.678901"},
                 {-0.25, 6, "-0.250000"},
                 {-1e-9, 6, "0.000000"},
                 {0.9999999, 6, "1.000000"},
                 {7, 0, "7"},
                 {1e9, 6, "1000000000.000000"},
                 {NAN, 6, ""},
                 {-INFINITY, 0, ""},
                 {1e12, 6, ""}};
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        char text[CELL_SIZE + 1];
        size_t size = cell_fixed(text, cases[i].value, cases[i].decimals);
        text[size] = 0;
        assert_string_equal(text, cases[i].text);
    }
}

/* Where the locale has a decimal comma the file must not: it would be one cell more. */
static void no_locale_matters(void **state)
{
    (void)state;
    static const char *const names[] = {"de_DE.UTF-8", "de_DE.utf8", "fr_FR.UTF-8", "da_DK.UTF-8"};
    for (size_t i = 0; i < sizeof names / sizeof *names; i++)
        if (setlocale(LC_ALL, names[i]))
            break;
    assert_string_equal(text_of(0.00000999), "9.99e-6");
    assert_string_equal(text_of(2.5), "2.5");
    setlocale(LC_ALL, "C");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(values_as_people_write_them),
        cmocka_unit_test(values_keep_nine_digits),
        cmocka_unit_test(fixed_decimals),
        cmocka_unit_test(no_locale_matters),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
