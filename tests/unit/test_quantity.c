/* SPDX-License-Identifier: GPL-3.0-or-later
 * rig/base/quantity.c: what units mean, what they may not mean, and what people read
 * then. Factors of the inch, the foot, the minute, and degrees Fahrenheit: NIST SP 811
 * (2008), appendix B.8. */
#include "check.h"

#include "base/quantity.h"

#include <math.h>
#include <string.h>

static struct units *units;

static int open_units(void **state)
{
    (void)state;
    struct rig_err err = {0};
    units = units_open(&err);
    return units ? 0 : -1;
}

static int close_units(void **state)
{
    (void)state;
    units_close(units);
    units_close(NULL);
    return 0;
}

static int convert(enum quantity_kind kind, double value, const char *unit, double *converted,
                   struct rig_err *err)
{
    return units_convert(units, kind, value, unit, strlen(unit), converted, err);
}

/* Exactly, where `ulps` is 0. */
static void test_converts(void **state)
{
    (void)state;
    static const struct {
        enum quantity_kind kind;
        double value;
        const char *unit;
        double converted, tolerance;
    } cases[] = {
        {QUANTITY_LENGTH, 20, "mm", 20, 0},
        {QUANTITY_LENGTH, 2, "cm", 20, 0},
        {QUANTITY_LENGTH, 2500, "um", 2.5, 0},
        {QUANTITY_LENGTH, 2500, "\xc2\xb5m", 2.5, 0},
        {QUANTITY_LENGTH, 0.3, "m", 300, 0},
        {QUANTITY_LENGTH, 1, "in", 25.4, 1e-14},
        {QUANTITY_LENGTH, 1, "ft", 304.8, 1e-13},
        {QUANTITY_LENGTH, 3, "millimeters", 3, 0},
        {QUANTITY_LENGTH, 3, "metres", 3000, 0},
        {QUANTITY_TIME, 4, "s", 4, 0},
        {QUANTITY_TIME, 9, "h", 32400, 0},
        {QUANTITY_TIME, 1.5, "min", 90, 0},
        {QUANTITY_TIME, 20, "ms", 0.02, 0},
        {QUANTITY_TIME, 20, "us", 2e-5, 0},
        {QUANTITY_TIME, 2, "days", 172800, 0},
        {QUANTITY_SPEED, 2, "cm/s", 20, 0},
        {QUANTITY_SPEED, 1.2, "m/min", 20, 1e-14},
        {QUANTITY_SPEED, 20, "mm.s-1", 20, 0},
        {QUANTITY_SPEED, 20, "mm*s^-1", 20, 0},
        {QUANTITY_ACCELERATION, 0.9, "m/s2", 900, 0},
        {QUANTITY_ACCELERATION, 900, "mm/s^2", 900, 0},
        {QUANTITY_JERK, 9, "m/s3", 9000, 0},
        {QUANTITY_FREQUENCY, 50, "mHz", 0.05, 0},
        {QUANTITY_FREQUENCY, 1.2, "kHz", 1200, 0},
        {QUANTITY_FREQUENCY, 30, "/min", 0.5, 0},
        {QUANTITY_AREA, 900, "cm2", 90000, 0},
        {QUANTITY_AREA, 0.6, "cm^2", 60, 0},
        {QUANTITY_RESOLUTION, 400, "steps/mm", 400, 0},
        {QUANTITY_RESOLUTION, 1, "step/mm", 1, 0},
        {QUANTITY_RESOLUTION, 2, "steps/um", 2000, 1e-12},
        {QUANTITY_BAUD, 115200, "baud", 115200, 0},
        {QUANTITY_BAUD, 9600, "Bd", 9600, 0},
        {QUANTITY_BAUD, 9600, "bps", 9600, 0},
        {QUANTITY_BAUD, 115.2, "kbaud", 115200, 0},
        {QUANTITY_LINE_RATE, 300, "lines/s", 300, 0},
        {QUANTITY_LINE_RATE, 600, "lines/min", 10, 0},
        {QUANTITY_PERCENT, 5, "percent", 5, 0},
        {QUANTITY_PERCENT, 5, "%", 5, 0},
        {QUANTITY_PERCENT, 200, "ppm", 0.02, 1e-17},
        {QUANTITY_PARTS, 20, "ppm", 20, 0},
        {QUANTITY_PARTS, 0.01, "percent", 100, 0},
        {QUANTITY_LENGTH_RATE, 0.3, "mm/h", 0.3, 0},
        {QUANTITY_LENGTH_RATE, 1, "mm/s", 3600, 0},
        {QUANTITY_LENGTH_RATE, 24, "mm/day", 1, 0},
        {QUANTITY_BYTES, 96, "bytes", 96, 0},
        {QUANTITY_BYTES, 2, "kbyte", 2000, 0},
        {QUANTITY_TEMPERATURE, 20, "degC", 20, 0},
        {QUANTITY_TEMPERATURE, 293.15, "K", 20, 1e-12},
        {QUANTITY_TEMPERATURE, 68, "degF", 20, 1e-12},
        {QUANTITY_TEMPERATURE, -40, "degF", -40, 1e-12},
    };
    /* Twice, since the second time comes from what was kept. */
    for (int round = 0; round < 2; round++)
        for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
            struct rig_err err = {0};
            double converted = NAN;
            if (convert(cases[i].kind, cases[i].value, cases[i].unit, &converted, &err))
                fail_msg("%s: %s", cases[i].unit, err.text);
            if (!(fabs(converted - cases[i].converted) <= cases[i].tolerance))
                fail_msg("%.17g %s = %.17g, expected %.17g", cases[i].value, cases[i].unit,
                         converted, cases[i].converted);
        }
}

/* Every example and unit of the list is of its own kind. */
static void test_examples(void **state)
{
    (void)state;
    for (int kind = 0; kind < QUANTITY_KIND_COUNT; kind++) {
        const char *example = quantity_example((enum quantity_kind)kind);
        const char *unit = strchr(example, ' ') + 1;
        struct rig_err err = {0};
        double converted;
        if (convert((enum quantity_kind)kind, 1, unit, &converted, &err))
            fail_msg("%s: %s", example, err.text);
        assert_int_equal(convert((enum quantity_kind)kind, 3,
                                 quantity_unit((enum quantity_kind)kind), &converted, &err),
                         0);
        assert_near(converted, 3, 0, quantity_unit((enum quantity_kind)kind));
        assert_true(strncmp(quantity_name((enum quantity_kind)kind), "a", 1) == 0);
    }
}

static void test_refuses(void **state)
{
    (void)state;
    static const struct {
        enum quantity_kind kind;
        const char *unit, *text;
    } cases[] = {
        {QUANTITY_SPEED, "mm",
         "20 mm is a length where a speed belongs; write it as, for example, 20 mm/s"},
        {QUANTITY_BAUD, "Hz",
         "20 Hz is a frequency where a line speed belongs; write it as, for example, 115200 baud"},
        {QUANTITY_FREQUENCY, "baud",
         "20 baud is a line speed where a frequency belongs; write it as, for example, 0.5 Hz"},
        {QUANTITY_FREQUENCY, "lines/s",
         "20 lines/s is a rate of lines where a frequency belongs; write it as, for example, "
         "0.5 Hz"},
        {QUANTITY_LINE_RATE, "Hz",
         "20 Hz is a frequency where a rate of lines belongs; write it as, for example, "
         "300 lines/s"},
        /* 30 rpm would be 3.14 Hz to UDUNITS-2, where an angle is a plain number. */
        {QUANTITY_FREQUENCY, "rpm", "20 rpm is not a frequency; write it as, for example, 0.5 Hz"},
        {QUANTITY_PERCENT, "mm",
         "20 mm is a length where a share belongs; write it as, for example, 5 percent"},
        {QUANTITY_PERCENT, "counts",
         "20 counts is not a share; write it as, for example, 5 percent"},
        {QUANTITY_PERCENT, "degrees",
         "20 degrees is not a share; write it as, for example, 5 percent"},
        {QUANTITY_BYTES, "counts", "20 counts is not a size; write it as, for example, 96 bytes"},
        {QUANTITY_BYTES, "bits", "20 bits is not a size; write it as, for example, 96 bytes"},
        {QUANTITY_RESOLUTION, "mm",
         "20 mm is a length where a resolution belongs; write it as, for example, 400 steps/mm"},
        {QUANTITY_RESOLUTION, "/mm",
         "20 /mm is not a resolution; write it as, for example, 400 steps/mm"},
        {QUANTITY_SPEED, "furlong-ish",
         "'furlong-ish' is not a unit; a speed belongs here, such as 20 mm/s"},
        {QUANTITY_SPEED, "mmm/s",
         "'mmm/s' is not a known unit; a speed belongs here, such as 20 mm/s"},
        {QUANTITY_LENGTH, "", "'' is not a unit; a length belongs here, such as 20 mm"},
        {QUANTITY_LENGTH, "m@5", "'m@5' is not a unit; a length belongs here, such as 20 mm"},
        {QUANTITY_LENGTH, "m^99999",
         "'m^99999' is not a unit; a length belongs here, such as 20 mm"},
        {QUANTITY_LENGTH, "m m", "'m m' is not a unit; a length belongs here, such as 20 mm"},
        {QUANTITY_LENGTH,
         "aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa",
         "'aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa' is not a unit; a length belongs here, such as "
         "20 mm"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct rig_err err = {0};
        double converted = 99;
        assert_int_equal(convert(cases[i].kind, 20, cases[i].unit, &converted, &err), RIG_EINPUT);
        assert_string_equal(err.text, cases[i].text);
        assert_near(converted, 99, 0, "1");
    }
    double converted = 99;
    struct rig_err err = {0};
    assert_int_equal(convert(QUANTITY_LENGTH, 1e308, "km", &converted, &err), RIG_EINPUT);
    assert_string_equal(err.text, "the value is too large for a length in mm");
    assert_int_equal(convert(QUANTITY_LENGTH, 1, "km", &converted, NULL), 0);
    assert_int_equal(convert(QUANTITY_LENGTH, 1, "s", &converted, NULL), RIG_EINPUT);
}

static void test_kind_of(void **state)
{
    (void)state;
    static const struct {
        const char *unit;
        enum quantity_kind kind;
    } cases[] = {
        {"mm/s", QUANTITY_SPEED},         {"cm", QUANTITY_LENGTH},
        {"Hz", QUANTITY_FREQUENCY},       {"baud", QUANTITY_BAUD},
        {"mm/h", QUANTITY_SPEED},         {"s", QUANTITY_TIME},
        {"lines/s", QUANTITY_LINE_RATE},  {"percent", QUANTITY_PERCENT},
        {"degC", QUANTITY_TEMPERATURE},   {"bytes", QUANTITY_BYTES},
        {"mm/s2", QUANTITY_ACCELERATION},
    };
    struct rig_err err = {0};
    enum quantity_kind kind;
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        assert_int_equal(units_kind_of(units, cases[i].unit, strlen(cases[i].unit), &kind, &err),
                         0);
        assert_int_equal(kind, cases[i].kind);
    }
    assert_int_equal(units_kind_of(units, "volts", 5, &kind, &err), RIG_EINPUT);
    assert_contains(err.text, "'volts' is a unit of nothing that is set here");
    assert_int_equal(units_kind_of(units, "volx", 4, &kind, &err), RIG_EINPUT);
    assert_contains(err.text, "'volx' is not a known unit");
    assert_int_equal(units_kind_of(units, "mm/sXXX", 4, &kind, &err), 0); /* size is obeyed */
    assert_int_equal(kind, QUANTITY_SPEED);
}

static void test_channel_units(void **state)
{
    (void)state;
    static const char *const good[] = {"volts",   "V",  "us",      "degC", "1",   "counts",
                                       "percent", "mm", "degrees", "kPa",  "rpm", "mV"};
    struct rig_err err = {0};
    for (size_t i = 0; i < sizeof good / sizeof good[0]; i++)
        if (units_check(units, good[i], strlen(good[i]), &err))
            fail_msg("%s", err.text);
    assert_int_equal(units_check(units, "blub", 4, &err), RIG_EINPUT);
    assert_string_equal(err.text,
                        "'blub' is not a known unit; write, for example, volts, us, degC, "
                        "or counts for plain numbers");
}

static void test_factor(void **state)
{
    (void)state;
    struct rig_err err = {0};
    double factor = 0, offset = 99;
    assert_int_equal(units_factor(units, "ms", "s", &factor, &offset, &err), 0);
    assert_near(factor, 1e-3, 0, "s");
    assert_near(offset, 0, 0, "s");
    assert_int_equal(units_factor(units, "us", "s", &factor, &offset, &err), 0);
    assert_near(factor, 1e-6, 0, "s");
    assert_int_equal(units_factor(units, "degF", "degC", &factor, &offset, &err), 0);
    assert_near(factor, 5.0 / 9, 1e-15, "degC");
    assert_near(offset, -160.0 / 9, 1e-12, "degC");
    assert_int_equal(units_factor(units, "degC", "K", &factor, &offset, &err), 0);
    assert_near(factor, 1, 0, "K");
    assert_near(offset, 273.15, 0, "K");
    assert_int_equal(units_factor(units, "mm", "s", &factor, &offset, &err), RIG_EINPUT);
    assert_string_equal(err.text, "'mm' can't be converted to s");
    assert_int_equal(units_factor(units, "rpm", "Hz", &factor, &offset, &err), RIG_EINPUT);
    assert_int_equal(units_factor(units, "blub", "s", &factor, &offset, &err), RIG_EINPUT);
}

/* Two systems at once don't disturb one another, and closing one leaves the other. */
static void test_two(void **state)
{
    (void)state;
    struct rig_err err = {0};
    struct units *other = units_open(&err);
    assert_non_null(other);
    double converted = 0;
    assert_int_equal(units_convert(other, QUANTITY_RESOLUTION, 2, "steps/cm", 8, &converted, &err),
                     0);
    assert_near(converted, 0.2, 1e-16, "step/mm");
    units_close(other);
    assert_int_equal(convert(QUANTITY_SPEED, 3, "dm/s", &converted, &err), 0);
    assert_near(converted, 300, 0, "mm/s");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_converts),      cmocka_unit_test(test_examples),
        cmocka_unit_test(test_refuses),       cmocka_unit_test(test_kind_of),
        cmocka_unit_test(test_channel_units), cmocka_unit_test(test_factor),
        cmocka_unit_test(test_two),
    };
    return cmocka_run_group_tests(tests, open_units, close_units);
}
