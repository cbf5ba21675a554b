/* SPDX-License-Identifier: GPL-3.0-or-later
 * The next 07:00, also over a change of clocks. The dates of change are those of the
 * European Union (Directive 2000/84/EC: last Sundays of March and October, 01:00 UTC). */
#include "check.h"
#include "rig/until.h"

#include <stdlib.h>

static time_t utc(int year, int month, int day, int hour, int minute)
{
    struct tm then = {.tm_year = year - 1900,
                      .tm_mon = month - 1,
                      .tm_mday = day,
                      .tm_hour = hour,
                      .tm_min = minute};
    return timegm(&then);
}

static void the_next_occurrence(void **state)
{
    (void)state;
    static const struct {
        int day, hour, minute;
        const char *text;
        int next_day, next_hour, next_minute; /* UTC, in winter an hour behind */
    } cases[] = {
        {10, 21, 0, "07:00", 11, 6, 0},    {10, 5, 59, "07:00", 10, 6, 0},
        {10, 6, 0, "07:00", 11, 6, 0},     {10, 23, 30, "00:00", 11, 23, 0},
        {10, 22, 58, "23:59", 10, 22, 59},
    };
    setenv("TZ", "CET-1CEST,M3.5.0,M10.5.0/3", 1);
    tzset();
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        time_t at = 0;
        assert_int_equal(until_next(cases[i].text,
                                    utc(2026, 2, cases[i].day, cases[i].hour, cases[i].minute), &at,
                                    NULL),
                         0);
        assert_int_equal(at,
                         utc(2026, 2, cases[i].next_day, cases[i].next_hour, cases[i].next_minute));
    }
    time_t at = 0;
    /* 23:00 before the night of 29 March 2026 to 07:00 summer time: 7 h. */
    assert_int_equal(until_next("07:00", utc(2026, 3, 28, 22, 0), &at, NULL), 0);
    assert_int_equal(at, utc(2026, 3, 29, 5, 0));
    /* And in autumn, 25 October 2026: 9 h. */
    assert_int_equal(until_next("07:00", utc(2026, 10, 24, 21, 0), &at, NULL), 0);
    assert_int_equal(at, utc(2026, 10, 25, 6, 0));
}

static void what_is_no_time_of_day(void **state)
{
    (void)state;
    static const char *const wrong[] = {"",      "7",     "7:00",     "24:00",
                                        "07:60", "07.00", "07:00:00", "aa:bb"};
    for (size_t i = 0; i < sizeof wrong / sizeof *wrong; i++) {
        struct rig_err err = {0};
        time_t at;
        assert_int_equal(until_next(wrong[i], 0, &at, &err), RIG_EINPUT);
        assert_contains(err.text, "is not a time of day; write hours and minutes, such as 07:00");
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(the_next_occurrence),
                                       cmocka_unit_test(what_is_no_time_of_day)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
