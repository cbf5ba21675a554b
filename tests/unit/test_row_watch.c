/* SPDX-License-Identifier: GPL-3.0-or-later
 * Rows that are missing or come twice, told from their times; the same in parts as in one. */
#include "check.h"

#include "results/row_watch.h"

#include <math.h>
#include <string.h>

enum { ROWS = 600 };

/* Rows 10 ms apart, with 1 s missing behind row 99, 3 s behind row 299, none behind row 399 (0.2 s
 * is a hitch), and rows 450 to 459 at the time of row 450. */
static void make(double host_s[ROWS])
{
    double t_s = 5;
    for (int r = 0; r < ROWS; r++) {
        host_s[r] = t_s;
        t_s += r == 99 ? 1.01 : r == 299 ? 3.01 : r == 399 ? 0.2 : r >= 450 && r < 459 ? 0 : 0.01;
    }
}

static void check_found(const struct row_watch *watch)
{
    assert_int_equal(watch->rows, ROWS);
    assert_int_equal(watch->gap_count, 2);
    assert_near(watch->missing_s, 4, 1e-9, "s");
    assert_near(watch->longest.missing_s, 3, 1e-9, "s");
    assert_near(watch->gaps[0].from_s, 5.99, 1e-9, "s");
    assert_near(watch->gaps[0].to_s, 7, 1e-9, "s");
    assert_near(watch->gaps[1].from_s, 8.99, 1e-9, "s");
    assert_int_equal(watch->repeated, 9);
    assert_near(watch->first_host_s, 5, 0, "s");
}

static void gaps_and_repeats(void **state)
{
    (void)state;
    double host_s[ROWS];
    make(host_s);
    static struct row_watch whole, part;
    row_watch_begin(&whole, 0.01, false);
    row_watch_add(&whole, host_s, NULL, ROWS);
    check_found(&whole);
    assert_near(whole.last_host_s, host_s[ROWS - 1], 0, "s");
    for (size_t size = 1; size < 400; size = size * 3 / 2 + 1) {
        row_watch_begin(&whole, 0.01, false);
        row_watch_begin(&part, 0.01, false);
        for (size_t from = 0; from < ROWS; from += size) {
            size_t n = ROWS - from < size ? ROWS - from : size;
            row_watch_add(&part, host_s + from, NULL, n / 2);
            row_watch_add(&part, host_s + from + n / 2, NULL, n - n / 2);
            row_watch_merge(&whole, &part);
            assert_int_equal(part.rows, 0);
        }
        check_found(&whole);
        assert_near(whole.last_host_s, host_s[ROWS - 1], 0, "s");
    }
}

/* Rows that come late, in one go, are not missing by the board's clock; rows without a time count
 * as none; without a usual distance nothing is a gap; time that steps back is none either. */
static void what_is_no_gap(void **state)
{
    (void)state;
    double host_s[ROWS], clock_s[ROWS];
    static struct row_watch watch;
    for (int r = 0; r < ROWS; r++) {
        clock_s[r] = 100 + 0.01 * r;
        host_s[r] = r < 200 || r >= 500 ? 0.01 * r : 5 + 1e-5 * r;
    }
    row_watch_begin(&watch, 0.01, true);
    row_watch_add(&watch, host_s, clock_s, ROWS);
    assert_int_equal(watch.gap_count, 0);
    assert_int_equal(watch.repeated, 0);
    row_watch_begin(&watch, 0.01, false);
    row_watch_add(&watch, host_s, NULL, ROWS);
    assert_int_equal(watch.gap_count, 1);
    make(host_s);
    row_watch_begin(&watch, NAN, false);
    row_watch_add(&watch, host_s, NULL, ROWS);
    assert_int_equal(watch.gap_count, 0);
    host_s[0] = host_s[1] = host_s[300] = host_s[ROWS - 1] = NAN;
    host_s[500] -= 4;
    row_watch_begin(&watch, 0.01, false);
    row_watch_add(&watch, host_s, NULL, ROWS);
    assert_near(watch.first_host_s, 5.02, 1e-9, "s");
    assert_near(watch.last_host_s, host_s[ROWS - 2], 0, "s");
    assert_int_equal(watch.gap_count, 3); /* the third on the way back from row 500 */
    row_watch_begin(&watch, 0.01, false);
    row_watch_add(&watch, host_s, NULL, 0);
    assert_true(isnan(watch.first_s) && watch.rows == 0);
}

/* More gaps than are kept are counted all the same. */
static void many_gaps(void **state)
{
    (void)state;
    double host_s[ROWS];
    static struct row_watch watch;
    for (int r = 0; r < ROWS; r++)
        host_s[r] = r + (r >= 400);
    row_watch_begin(&watch, 0.01, false);
    row_watch_add(&watch, host_s, NULL, ROWS);
    assert_int_equal(watch.gap_count, ROWS - 1);
    assert_near(watch.missing_s, 0.99 * (ROWS - 1) + 1, 1e-9, "s");
    assert_near(watch.longest.from_s, 399, 0, "s");
    assert_near(watch.gaps[ROW_WATCH_GAPS - 1].from_s, ROW_WATCH_GAPS - 1, 0, "s");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(gaps_and_repeats),
        cmocka_unit_test(what_is_no_gap),
        cmocka_unit_test(many_gaps),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
