/* SPDX-License-Identifier: GPL-3.0-or-later
 * The comb on which a held channel's changes sit, from lines that only sample it. */
#include "check.h"

#include "results/update_interval.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static struct update_changes changes, part;

/* A line each line_s, late by up to jitter_s, of a link that takes a new value each interval_s; of
 * its updates a share brings the same value again. */
static void play(double interval_s, double line_s, double jitter_s, double same, double seconds)
{
    double value = 0;
    long long update = -1;
    memset(&changes, 0, sizeof changes);
    srand(7);
    for (long long i = 0; (double)i * line_s < seconds; i++) {
        double t_s = (double)i * line_s;
        long long now = (long long)floor(t_s / interval_s + 0.37);
        for (; update < now; update++)
            value += (double)rand() / RAND_MAX >= same;
        /* Ten seconds of rest after each twenty of motion. */
        if (fmod(t_s, 30) > 20)
            value = floor(t_s / 30) * 1e6;
        t_s += jitter_s * rand() / RAND_MAX;
        update_changes_add(&changes, &t_s, &value, 1);
    }
}

static struct update_interval found(double line_s)
{
    struct update_interval update;
    struct rig_err err = {0};
    if (update_interval_of(&update, &changes, line_s, &err))
        fail_msg("%s", err.text);
    return update;
}

static void the_interval_is_found_within_a_percent(void **state)
{
    (void)state;
    static const struct {
        double interval_s, line_s, jitter_s, same;
        bool each_line;
    } cases[] = {
        {0.1, 0.01, 0, 0, false},          {0.1, 0.01, 0.001, 0.3, false},
        {0.0471, 0.01, 0.0005, 0, false},  {0.0213, 0.01, 0.0005, 0, false},
        {0.0137, 0.01, 0.0005, 0, true},   {0.02, 0.01, 0.0005, 0.4, false},
        {0.1003, 0.01, 0.001, 0.1, false}, {0.01, 0.01, 0.0005, 0.2, true},
        {0.05, 0.001, 0.0002, 0.5, false},
    };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        play(cases[i].interval_s, cases[i].line_s, cases[i].jitter_s, cases[i].same, 300);
        struct update_interval update = found(cases[i].line_s);
        assert_near(update.interval_s.value, cases[i].interval_s, 0.01 * cases[i].interval_s, "s");
        assert_true(fabs(update.interval_s.value - cases[i].interval_s) <
                    4 * update.interval_s.u + 1e-9);
        assert_int_equal(update.each_line, cases[i].each_line);
        if (cases[i].same == 0)
            assert_near(update.repeated_share, 1 - cases[i].line_s / cases[i].interval_s, 0.01,
                        "1");
    }
}

static void what_can_not_be_told_is_refused(void **state)
{
    (void)state;
    struct update_interval update;
    struct rig_err err = {0};
    play(0.0137, 0.01, 0, 0.5, 300); /* which of the two kinds of gap is which? */
    assert_int_equal(update_interval_of(&update, &changes, 0.01, &err), RIG_EUNKNOWABLE);
    assert_contains(err.text, "no multiple of the lines'");
    play(10, 0.01, 0, 0, 100);
    assert_int_equal(update_interval_of(&update, &changes, 0.01, &err), RIG_EUNKNOWABLE);
    assert_contains(err.text, "times only");
    memset(&changes, 0, sizeof changes);
    for (int i = 0; i < 2000; i++) { /* changes at random */
        double t_s = i * 0.001, value = rand() % 9 ? 0 : rand();
        update_changes_add(&changes, &t_s, &value, 1);
    }
    assert_int_equal(update_interval_of(&update, &changes, 0.001, &err), RIG_EUNKNOWABLE);
}

static void parts_give_what_the_whole_gives(void **state)
{
    (void)state;
    enum { ROWS = 4000 };
    static double t_s[ROWS], value[ROWS];
    for (int i = 0; i < ROWS; i++) {
        t_s[i] = i * 0.01;
        value[i] = i % 97 == 0 ? (double)NAN : floor(i / 10.0);
    }
    memset(&changes, 0, sizeof changes);
    update_changes_add(&changes, t_s, value, ROWS);
    struct update_changes *whole = malloc(sizeof *whole);
    assert_non_null(whole);
    *whole = changes;
    memset(&changes, 0, sizeof changes);
    for (int from = 0; from < ROWS; from += 333) {
        int rows = from + 333 < ROWS ? 333 : ROWS - from;
        memset(&part, 0, sizeof part);
        update_changes_add(&part, t_s + from, value + from, (size_t)rows);
        update_changes_merge(&changes, &part);
        assert_int_equal(part.count, 0);
    }
    assert_int_equal(changes.count, whole->count);
    assert_int_equal(changes.rows, whole->rows);
    assert_memory_equal(changes.t_s, whole->t_s, whole->count * sizeof *whole->t_s);
    assert_memory_equal(changes.row, whole->row, whole->count * sizeof *whole->row);
    free(whole);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_interval_is_found_within_a_percent),
        cmocka_unit_test(what_can_not_be_told_is_refused),
        cmocka_unit_test(parts_give_what_the_whole_gives),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
