/* SPDX-License-Identifier: GPL-3.0-or-later
 * rig/base/number.c against the C library's strtod and against cases that are known
 * to be hard. */
#include "check.h"

#include "base/number.h"

#include <float.h>
#include <locale.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static bool read(const char *text, double *value)
{
    return rig_number(text, strlen(text), value, NULL);
}

static uint64_t bits(double value)
{
    uint64_t all;
    memcpy(&all, &value, sizeof all);
    return all;
}

#define assert_same_bits(a, b) check_bits((a), (b), #a, __FILE__, __LINE__)
static void check_bits(double a, double b, const char *what, const char *file, int line)
{
    if (bits(a) == bits(b))
        return;
    print_error("%s = %.17g, expected %.17g\n", what, a, b);
    _fail(file, line);
}

static void test_accepts(void **state)
{
    (void)state;
    static const struct {
        const char *text;
        double value;
    } cases[] = {
        {"0", 0},
        {"-0", -0.0},
        {"+0.0", 0},
        {"1", 1},
        {"+1", 1},
        {"-1.5", -1.5},
        {".5", 0.5},
        {"5.", 5},
        {"-.5e1", -5},
        {"1e0", 1},
        {"1E+2", 100},
        {"12.5e-1", 1.25},
        {"0e999999999999999999999", 0},
        {"1e-999999999999999999999", 0},
        {"-1e-400", -0.0},
        {"0.0000000000000000000000000000000000000000000000000000000001e58", 1},
        {"1000000000000000000000000000000000000000000000000000000000000e-60", 1},
        {"1.7976931348623157e308", DBL_MAX},
        {"2.2250738585072014e-308", DBL_MIN},
        {"4.9e-324", 4.9406564584124654e-324},
        {"00000000000000000000000000000000000000000012", 12},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        double value = 99;
        if (!read(cases[i].text, &value))
            fail_msg("'%s' was refused", cases[i].text);
        assert_same_bits(value, cases[i].value);
    }
}

static void test_refuses(void **state)
{
    (void)state;
    static const struct {
        const char *text, *why;
    } cases[] = {
        {"", "is empty"},
        {" 1", "is not a number"},
        {"1 ", "is not a number"},
        {"1,5", "is not a number"},
        {"nan", "is not a number"},
        {"inf", "is not a number"},
        {"-infinity", "is not a number"},
        {"0x10", "is not a number"},
        {"1p3", "is not a number"},
        {"12abc", "is not a number"},
        {"1.2.3", "is not a number"},
        {".", "is not a number"},
        {"-", "is not a number"},
        {"+-1", "is not a number"},
        {"--1", "is not a number"},
        {"e5", "is not a number"},
        {".e5", "is not a number"},
        {"1e", "is not a number"},
        {"1e+", "is not a number"},
        {"1e1.5", "is not a number"},
        {"1d5", "is not a number"},
        {"1'000", "is not a number"},
        {"1e400", "is too large for a number"},
        {"-1e400", "is too large for a number"},
        {"1.7976931348623159e308", "is too large for a number"}, /* past the halfway point */
        {"1e99999999999999999999", "is too large for a number"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        double value = 99;
        const char *why = NULL;
        if (rig_number(cases[i].text, strlen(cases[i].text), &value, &why))
            fail_msg("'%s' was taken as %g", cases[i].text, value);
        assert_string_equal(why, cases[i].why);
        assert_near(value, 99, 0, "1");
        assert_false(rig_number(cases[i].text, strlen(cases[i].text), &value, NULL));
    }
    double value = 99;
    assert_false(rig_number("1\0", 2, &value, NULL));
    assert_true(rig_number("12345", 2, &value, NULL)); /* no more than it was given */
    assert_near(value, 12, 0, "1");
}

/* Halfway points between neighbours, and a digit far behind that decides. Values:
 * 2^53 + 1 lies between 2^53 and 2^53 + 2 and rounds to even; half the least subnormal
 * number, 2^-1075, has 751 digits (from the definition of IEEE 754 binary64). */
static void test_halfway(void **state)
{
    (void)state;
    double value;
    assert_true(read("9007199254740993", &value));
    assert_same_bits(value, 9007199254740992.0);
    assert_true(read("9007199254740995", &value));
    assert_same_bits(value, 9007199254740996.0);
    char text[3000];
    memset(text, '0', sizeof text);
    memcpy(text, "9007199254740993.", 17);
    assert_true(rig_number(text, 2000, &value, NULL));
    assert_same_bits(value, 9007199254740992.0);
    text[1999] = '1';
    assert_true(rig_number(text, 2000, &value, NULL));
    assert_same_bits(value, 9007199254740994.0);

    int length = snprintf(text, sizeof text, "%.1080f", ldexp(1, -1074));
    /* The half of 2^-1074 by halving its decimal digits. */
    int carry = 0;
    for (int i = 2; i < length; i++) {
        int digit = text[i] - '0' + 10 * carry;
        text[i] = (char)('0' + digit / 2);
        carry = digit % 2;
    }
    assert_int_equal(carry, 0);
    assert_true(rig_number(text, (size_t)length, &value, NULL));
    assert_same_bits(value, 0.0); /* ties to even */
    text[length++] = '0';
    text[length++] = '1';
    assert_true(rig_number(text, (size_t)length, &value, NULL));
    assert_same_bits(value, ldexp(1, -1074));
}

/* A text of a million digits is read in time that is linear in them. */
static void test_very_long(void **state)
{
    (void)state;
    size_t size = 4000000;
    char *text = malloc(size);
    assert_non_null(text);
    memset(text, '3', size);
    text[1] = '.';
    double value;
    assert_true(rig_number(text, size, &value, NULL));
    assert_same_bits(value, 10.0 / 3);
    memset(text, '0', size);
    memcpy(text + size - 8, "e4000400", 8); /* zeros only */
    assert_true(rig_number(text, size, &value, NULL));
    assert_same_bits(value, 0.0);
    text[0] = '.';
    text[size - 9] = '1'; /* 10^-3999991 * 10^4000400 */
    const char *why = NULL;
    assert_false(rig_number(text, size, &value, &why));
    assert_string_equal(why, "is too large for a number");
    memcpy(text + size - 8, "e3999991", 8);
    assert_true(rig_number(text, size, &value, NULL));
    assert_same_bits(value, 1.0);
    free(text);
}

/* xorshift64*, with the seed in sight (Vigna 2016, "An experimental exploration of
 * Marsaglia's xorshift generators, scrambled"). */
static uint64_t next_random(uint64_t *random)
{
    *random ^= *random >> 12;
    *random ^= *random << 25;
    *random ^= *random >> 27;
    return *random * 2685821657736338717u;
}

static void check_against_strtod(const char *text)
{
    double value = 99, expected = strtod(text, NULL);
    bool read_it = read(text, &value);
    if (read_it != (isfinite(expected) != 0) || (read_it && bits(value) != bits(expected)))
        fail_msg("'%s' gives %.17g, strtod %.17g", text, value, expected);
}

static void test_random_against_strtod(void **state)
{
    (void)state;
    uint64_t random = 20240501;
    print_message("seed %llu\n", (unsigned long long)random);
    for (int i = 0; i < 100000; i++) {
        uint64_t raw = next_random(&random), shape = next_random(&random);
        double value;
        char text[64], back[32];
        memcpy(&value, &raw, sizeof value);
        if (isfinite(value)) {
            snprintf(text, sizeof text, "%.*e", (int)(shape % 20), value);
            check_against_strtod(text);
            size_t length = rig_number_text(back, value);
            assert_true(length < sizeof back && back[length] == 0 && strlen(back) == length);
            double again;
            assert_true(read(back, &again));
            assert_same_bits(again, value);
        }
        /* What sensors and people write: few digits, small exponents. */
        snprintf(text, sizeof text, "%s%llu.%0*llu%s", shape & 1 ? "-" : "",
                 (unsigned long long)(raw >> (24 + shape % 40)), (int)(shape % 9 + 1),
                 (unsigned long long)(raw % 1000), shape & 2 ? "e-7" : "");
        check_against_strtod(text);
        snprintf(text, sizeof text, "%llue%d", (unsigned long long)raw, (int)(shape % 80) - 40);
        check_against_strtod(text);
    }
}

static void test_text(void **state)
{
    (void)state;
    static const struct {
        double value;
        const char *text;
    } cases[] = {
        {0, "0"},
        {-0.0, "-0"},
        {1, "1"},
        {-17, "-17"},
        {0.1, "0.1"},
        {-0.25, "-0.25"},
        {1.0 / 3, "0.3333333333333333"},
        {2.0 / 3, "0.6666666666666666"},
        {123456.789, "123456.789"},
        {0.00001, "0.00001"},
        {0.000001, "1e-6"},
        {1.25e-7, "1.25e-7"},
        {999999999999999, "999999999999999"},
        {1e15, "1000000000000000"},
        {9007199254740993.0, "9007199254740992"},
        {1e16, "10000000000000000"},
        {1e17, "1e17"},
        {1e23, "1e23"},
        {5e-324, "5e-324"},
        {DBL_MAX, "1.7976931348623157e308"},
        {-DBL_MIN, "-2.2250738585072014e-308"},
        {1e22, "1e22"},
        {NAN, "nan"},
        {INFINITY, "inf"},
        {-INFINITY, "-inf"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        char buffer[32];
        assert_int_equal(rig_number_text(buffer, cases[i].value), strlen(cases[i].text));
        assert_string_equal(buffer, cases[i].text);
    }
}

static void write_file(const char *folder, const char *name, const char *text)
{
    char path[200];
    snprintf(path, sizeof path, "%s/%s", folder, name);
    FILE *file = fopen(path, "w");
    assert_non_null(file);
    assert_true(fputs(text, file) >= 0);
    assert_int_equal(fclose(file), 0);
}

/* Makes a locale with a decimal comma, since a machine may have none, and sets it. */
static void set_comma_locale(const char *folder)
{
    char command[600];
    write_file(folder, "comma.source",
               "comment_char %\nescape_char /\nLC_NUMERIC\n"
               "decimal_point \"<U002C>\"\nthousands_sep \"<U002E>\"\n"
               "grouping 3;3\nEND LC_NUMERIC\n");
    write_file(folder, "tiny.map",
               "<code_set_name> ANSI_X3.4-1968\n<comment_char> %\n"
               "<escape_char> /\nCHARMAP\n<U0000> /x00 NUL\n"
               "<U002C> /x2c COMMA\n<U002E> /x2e FULL STOP\nEND CHARMAP\n");
    /* It warns that most of a locale is missing, and says so by its status. */
    snprintf(command, sizeof command,
             "cd %s && localedef -c -f ./tiny.map -i ./comma.source ./comma >/dev/null 2>&1",
             folder);
    (void)!system(command);
    assert_int_equal(setenv("LOCPATH", folder, 1), 0);
    assert_non_null(setlocale(LC_NUMERIC, "comma"));
}

/* A locale with a decimal comma changes strtod and printf; here it must change nothing. */
static void test_locale(void **state)
{
    (void)state;
    char folder[] = "/tmp/wetsweep-locale-XXXXXX", buffer[32], printed[32], command[80];
    assert_non_null(mkdtemp(folder));
    set_comma_locale(folder);
    double value = 99;
    bool read_it = read("3.14159265358979323846e0", &value);
    bool comma = read("3,5", &(double){0});
    rig_number_text(buffer, 0.1234567890123456);
    snprintf(printed, sizeof printed, "%.1f", 3.5);
    double by_library = strtod("3,5", NULL);
    setlocale(LC_ALL, "C");
    snprintf(command, sizeof command, "rm -r %s", folder);
    assert_int_equal(system(command), 0);
    assert_near(by_library, 3.5, 0, "1"); /* else the locale would test nothing */
    assert_string_equal(printed, "3,5");
    assert_true(read_it);
    assert_false(comma);
    assert_same_bits(value, 3.14159265358979323846);
    assert_string_equal(buffer, "0.1234567890123456");
}

static void test_whole(void **state)
{
    (void)state;
    static const struct {
        const char *text;
        int64_t low, high, value;
        const char *why;
    } cases[] = {
        {"0", 0, 10, 0, NULL},
        {"10", 0, 10, 10, NULL},
        {"+7", 0, 10, 7, NULL},
        {"-7", -7, 10, -7, NULL},
        {"007", 0, 10, 7, NULL},
        {"9223372036854775807", INT64_MIN, INT64_MAX, INT64_MAX, NULL},
        {"-9223372036854775808", INT64_MIN, INT64_MAX, INT64_MIN, NULL},
        {"9223372036854775808", INT64_MIN, INT64_MAX, 0, "is too large"},
        {"-9223372036854775809", INT64_MIN, INT64_MAX, 0, "is too small"},
        {"99999999999999999999999999", INT64_MIN, INT64_MAX, 0, "is too large"},
        {"-99999999999999999999999999", INT64_MIN, INT64_MAX, 0, "is too small"},
        {"11", 0, 10, 0, "is too large"},
        {"-1", 0, 10, 0, "is too small"},
        {"", 0, 10, 0, "is empty"},
        {"-", 0, 10, 0, "is not a whole number"},
        {"1.0", 0, 10, 0, "is not a whole number"},
        {"1e1", 0, 10, 0, "is not a whole number"},
        {" 1", 0, 10, 0, "is not a whole number"},
        {"0x1", 0, 10, 0, "is not a whole number"},
        {"99999999999999999999999999x", 0, 10, 0, "is not a whole number"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        int64_t value = 99;
        const char *why = NULL;
        bool good = rig_whole_number(cases[i].text, strlen(cases[i].text), cases[i].low,
                                     cases[i].high, &value, &why);
        if (good != !cases[i].why)
            fail_msg("'%s': %s", cases[i].text, why ? why : "taken");
        if (good)
            assert_int_equal(value, cases[i].value);
        else
            assert_string_equal(why, cases[i].why);
        if (!good)
            assert_int_equal(value, 99);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_accepts),
        cmocka_unit_test(test_refuses),
        cmocka_unit_test(test_halfway),
        cmocka_unit_test(test_very_long),
        cmocka_unit_test(test_random_against_strtod),
        cmocka_unit_test(test_text),
        cmocka_unit_test(test_locale),
        cmocka_unit_test(test_whole),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
