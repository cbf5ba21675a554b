/* SPDX-License-Identifier: GPL-3.0-or-later
 * rig/base/cursor.c: reading one statement, and what people read when it is wrong. */
#include "check.h"

#include "base/statement.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static struct units *units;
static struct statements statements;
static struct rig_err err;

static int open_units(void **state)
{
    (void)state;
    units = units_open(&err);
    return units ? 0 : -1;
}

static int close_units(void **state)
{
    (void)state;
    statements_free(&statements);
    units_close(units);
    return 0;
}

/* A cursor on a line that stands sixth in its file, `at` tokens in. */
static struct cursor cursor_on(const char *line, size_t at)
{
    static const char *const none[] = {NULL};
    static const struct statement_words words = {none, NULL};
    char text[600];
    snprintf(text, sizeof text, "\n\n\n\n\n%s\n", line);
    statements_free(&statements);
    err = (struct rig_err){0};
    if (statements_read(&statements, "cling.profile", text, strlen(text), &words, &err))
        fail_msg("%s", err.text);
    struct cursor cursor = cursor_of(&statements, &statements.list[0], units, &err);
    cursor.at = at;
    return cursor;
}

static void test_a_whole_statement(void **state)
{
    (void)state;
    struct cursor cursor = cursor_on("stairs from 1 cm to 150mm in 14 steps, hold 4 s", 0);
    double from = 0, to = 0, hold = 0;
    int64_t count = 0;
    size_t choice = 9;
    static const char *const directions[] = {"up", "steps", "down"};
    assert_int_equal(cursor_word(&cursor, "stairs"), 0);
    assert_true(cursor_sees(&cursor, "from"));
    assert_true(cursor_takes(&cursor, "from"));
    assert_int_equal(cursor_quantity(&cursor, QUANTITY_LENGTH, "a depth", &from), 0);
    assert_false(cursor_takes(&cursor, "from"));
    assert_int_equal(cursor_word(&cursor, "to"), 0);
    assert_int_equal(cursor_quantity(&cursor, QUANTITY_LENGTH, "a depth", &to), 0);
    assert_int_equal(cursor_word(&cursor, "in"), 0);
    assert_string_equal(cursor_peek(&cursor)->text, "14");
    assert_int_equal(cursor_count(&cursor, "the number of steps", 1, 1000, &count), 0);
    assert_false(cursor_takes_comma(&cursor));
    assert_int_equal(cursor_choice(&cursor, directions, 3, &choice), 0);
    assert_true(cursor_takes_comma(&cursor));
    assert_false(cursor_done(&cursor));
    assert_int_equal(cursor_word(&cursor, "hold"), 0);
    assert_int_equal(cursor_quantity(&cursor, QUANTITY_TIME, "a time", &hold), 0);
    assert_true(cursor_done(&cursor));
    assert_null(cursor_peek(&cursor));
    assert_false(cursor_sees(&cursor, "hold"));
    assert_int_equal(cursor_end(&cursor), 0);
    assert_near(from, 10, 0, "mm");
    assert_near(to, 150, 0, "mm");
    assert_near(hold, 4, 0, "s");
    assert_int_equal(count, 14);
    assert_int_equal(choice, 1);
}

static void test_quantity_errors(void **state)
{
    (void)state;
    static const struct {
        const char *line;
        size_t at;
        enum quantity_kind kind;
        const char *error;
    } cases[] = {
        {"ramp at     20 mm", 2, QUANTITY_SPEED,
         "6:13: 20 mm is a length where a speed belongs; write it as, for example, 20 mm/s"},
        {"ramp at 14", 2, QUANTITY_SPEED,
         "6:9: '14' has no unit; a speed belongs here, such as 20 mm/s"},
        {"ramp at 0, 5 mm/s", 2, QUANTITY_SPEED,
         "6:9: '0' has no unit; a speed belongs here, such as 20 mm/s"},
        {"ramp at 14 \"mm/s\"", 2, QUANTITY_SPEED,
         "6:9: '14' has no unit; a speed belongs here, such as 20 mm/s"},
        {"ramp to 20 at 5 mm/s", 2, QUANTITY_LENGTH,
         "6:9: '20' has no unit; a length belongs here, such as 20 mm"},
        {"stairs to 150 in 14 steps", 2, QUANTITY_LENGTH,
         "6:11: '150' has no unit; a length belongs here, such as 20 mm"},
        {"ramp to 20 slowly", 2, QUANTITY_LENGTH,
         "6:9: 'slowly' is not a known unit; a length belongs here, such as 20 mm"},
        {"hold 12abc", 1, QUANTITY_TIME,
         "6:6: 'abc' is not a known unit; a time belongs here, such as 4 s"},
        {"hold 0x10 s", 1, QUANTITY_TIME,
         "6:6: 'x10' is not a known unit; a time belongs here, such as 4 s"},
        {"ramp at fast", 2, QUANTITY_SPEED,
         "6:9: 'fast' stands where the speed of the ramp belongs; write it as, for example, "
         "20 mm/s"},
        {"ramp at \"fast\"", 2, QUANTITY_SPEED,
         "6:9: \"fast\" stands where the speed of the ramp belongs; write it as, for example, "
         "20 mm/s"},
        {"ramp at", 2, QUANTITY_SPEED,
         "6:8: the speed of the ramp is missing; write it as, for example, 20 mm/s"},
        {"ramp at \"a\\\"b\"   ", 3, QUANTITY_SPEED, /* past the quotes and the escape */
         "6:15: the speed of the ramp is missing; write it as, for example, 20 mm/s"},
        {"ramp at 1e308 km/s", 2, QUANTITY_SPEED,
         "6:9: the value is too large for a speed in mm/s"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct cursor cursor = cursor_on(cases[i].line, cases[i].at);
        char expected[400];
        double value = 99;
        snprintf(expected, sizeof expected, "cling.profile:%s", cases[i].error);
        assert_int_equal(cursor_quantity(&cursor, cases[i].kind, "the speed of the ramp", &value),
                         RIG_EINPUT);
        assert_string_equal(err.text, expected);
        assert_near(value, 99, 0, "1");
        assert_int_equal(cursor.at, cases[i].at);
    }
    struct cursor cursor = cursor_on("ramp to 6 in in 14 steps", 2);
    double value;
    assert_int_equal(cursor_quantity(&cursor, QUANTITY_LENGTH, "a depth", &value), 0);
    assert_near(value, 152.4, 1e-12, "mm");
}

static void test_word_errors(void **state)
{
    (void)state;
    struct cursor cursor = cursor_on("ramp ot 20 mm", 1);
    assert_int_equal(cursor_word(&cursor, "to"), RIG_EINPUT);
    assert_string_equal(err.text, "cling.profile:6:6: 'ot' is not expected here; write 'to'");
    cursor.at = 4;
    assert_int_equal(cursor_word(&cursor, "at"), RIG_EINPUT);
    assert_string_equal(err.text,
                        "cling.profile:6:14: the statement is cut short; 'at' belongs here");
    cursor.at = 2;
    assert_int_equal(cursor_end(&cursor), RIG_EINPUT);
    assert_string_equal(err.text,
                        "cling.profile:6:9: '20' is one too many; the statement ends before it");
}

static void test_choice_errors(void **state)
{
    (void)state;
    static const char *const words[] = {"csv", "pairs"};
    static const char *const one[] = {"reversed"};
    size_t index = 9;
    struct cursor cursor = cursor_on("line piars", 1);
    assert_int_equal(cursor_choice(&cursor, words, 2, &index), RIG_EINPUT);
    assert_string_equal(err.text, "cling.profile:6:6: 'piars' is not known here; did you mean "
                                  "'pairs'? (there is csv or pairs)");
    cursor = cursor_on("line json", 1);
    assert_int_equal(cursor_choice(&cursor, words, 2, &index), RIG_EINPUT);
    assert_string_equal(err.text,
                        "cling.profile:6:6: 'json' is not known here; write csv or pairs");
    cursor = cursor_on("line \"csv\"", 1);
    assert_int_equal(cursor_choice(&cursor, words, 2, &index), RIG_EINPUT);
    assert_string_equal(err.text,
                        "cling.profile:6:6: \"csv\" is not known here; write csv or pairs");
    cursor = cursor_on("line", 1);
    assert_int_equal(cursor_choice(&cursor, words, 2, &index), RIG_EINPUT);
    assert_string_equal(err.text, "cling.profile:6:5: the statement is cut short; csv or pairs "
                                  "belongs here");
    cursor = cursor_on("letter Z revresed", 2);
    assert_int_equal(cursor_choice(&cursor, one, 1, &index), RIG_EINPUT);
    assert_string_equal(err.text, "cling.profile:6:10: 'revresed' is not known here; did you mean "
                                  "'reversed'?");
    assert_int_equal(index, 9);
    assert_int_equal(cursor.at, 2);
}

static void test_texts(void **state)
{
    (void)state;
    struct cursor cursor = cursor_on("port /dev/ttyS0 \"a b\" 5", 1);
    const char *text = NULL;
    assert_int_equal(cursor_any_word(&cursor, "a port", &text), 0);
    assert_string_equal(text, "/dev/ttyS0");
    assert_int_equal(cursor_any_word(&cursor, "a port", &text), RIG_EINPUT);
    assert_string_equal(err.text,
                        "cling.profile:6:17: \"a b\" stands where a port belongs; write a "
                        "word");
    assert_int_equal(cursor_string(&cursor, "a text", &text), 0);
    assert_string_equal(text, "a b");
    assert_int_equal(cursor_text(&cursor, "a text", &text), RIG_EINPUT);
    assert_string_equal(err.text, "cling.profile:6:23: '5' stands where a text belongs; write a "
                                  "word, or a text in quotes: \"...\"");
    cursor.at = 1;
    assert_int_equal(cursor_string(&cursor, "a text", &text), RIG_EINPUT);
    assert_string_equal(err.text, "cling.profile:6:6: '/dev/ttyS0' stands where a text belongs; "
                                  "write it in quotes: \"...\"");
    assert_int_equal(cursor_text(&cursor, "a text", &text), 0);
    assert_int_equal(cursor_text(&cursor, "a text", &text), 0);
    assert_string_equal(text, "a b");
    cursor.at = 4;
    assert_int_equal(cursor_text(&cursor, "a text", &text), RIG_EINPUT);
    assert_string_equal(err.text, "cling.profile:6:24: a text is missing; write a word, or a text "
                                  "in quotes: \"...\"");
}

static void test_plain(void **state)
{
    (void)state;
    double value = 99;
    struct cursor cursor = cursor_on("cycles 8 each", 1);
    assert_int_equal(cursor_plain(&cursor, "the cycles", 1, 100, &value), 0);
    assert_near(value, 8, 0, "1");
    static const struct {
        const char *line;
        double low, high;
        const char *error;
    } cases[] = {
        {"cycles 0.5", 1, 100,
         "6:8: '0.5' is too small for the cycles; write a number from 1 to 100"},
        {"cycles 101", 1, 100,
         "6:8: '101' is too large for the cycles; write a number from 1 to 100"},
        {"cycles -1", 0, INFINITY,
         "6:8: '-1' is too small for the cycles; write a number of 0 or more"},
        {"cycles 9", -INFINITY, 5, "6:8: '9' is too large for the cycles; write a number up to 5"},
        {"cycles 8mm", 1, 100,
         "6:8: the cycles is a number without a unit, and 'mm' touches it; write a number from 1 "
         "to "
         "100"},
        {"cycles many", 1, 100,
         "6:8: 'many' stands where the cycles belongs; write a number from 1 to 100"},
        {"cycles", -INFINITY, INFINITY, "6:7: the cycles is missing; write a number such as 12.5"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        char expected[300];
        cursor = cursor_on(cases[i].line, 1);
        value = 99;
        snprintf(expected, sizeof expected, "cling.profile:%s", cases[i].error);
        assert_int_equal(cursor_plain(&cursor, "the cycles", cases[i].low, cases[i].high, &value),
                         RIG_EINPUT);
        assert_string_equal(err.text, expected);
        assert_near(value, 99, 0, "1");
        assert_int_equal(cursor.at, 1);
    }
}

static void test_count(void **state)
{
    (void)state;
    int64_t value = 99;
    static const struct {
        const char *line;
        int64_t low, high;
        const char *error;
    } cases[] = {
        {"repeat 0", 1, 1000,
         "6:8: '0' is too small for the repeats; write a whole number from 1 to 1000"},
        {"repeat 1001", 1, 1000,
         "6:8: '1001' is too large for the repeats; write a whole number from 1 to 1000"},
        {"repeat 2.5", 1, 1000,
         "6:8: '2.5' is not a whole number for the repeats; write a whole number from 1 to 1000"},
        {"repeat 99999999999999999999", 1, INT64_MAX,
         "6:8: '99999999999999999999' is too large for the repeats; write a whole number of 1 or "
         "more"},
        {"repeat 1e300", 1, INT64_MAX,
         "6:8: '1e300' is too large for the repeats; write a whole number of 1 or more"},
        {"repeat", 1, INT64_MAX, "6:7: the repeats is missing; write a whole number of 1 or more"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        char expected[300];
        struct cursor cursor = cursor_on(cases[i].line, 1);
        snprintf(expected, sizeof expected, "cling.profile:%s", cases[i].error);
        assert_int_equal(cursor_count(&cursor, "the repeats", cases[i].low, cases[i].high, &value),
                         RIG_EINPUT);
        assert_string_equal(err.text, expected);
        assert_int_equal(value, 99);
    }
    struct cursor cursor = cursor_on("wraps 2^32", 1);
    assert_int_equal(cursor_count(&cursor, "the wrap", 1, INT64_MAX, &value), 0);
    assert_int_equal(value, 4294967296);
    cursor = cursor_on("lines 1e6 9007199254740993 -3.0 -0.0", 1);
    const int64_t expected[] = {1000000, 9007199254740993, -3, 0};
    for (size_t i = 0; i < 4; i++) {
        assert_int_equal(cursor_count(&cursor, "the lines", -10, INT64_MAX, &value), 0);
        assert_int_equal(value, expected[i]);
    }
}

static void test_fail_at(void **state)
{
    (void)state;
    struct cursor cursor = cursor_on("ramp to 612 mm", 4);
    assert_int_equal(cursor_fail_at(&cursor, 2, RIG_ELIMIT, "depth %d mm is too deep", 612),
                     RIG_ELIMIT);
    assert_string_equal(err.text, "cling.profile:6:9: depth 612 mm is too deep");
    assert_int_equal(err.code, RIG_ELIMIT);
    assert_int_equal(cursor_fail(&cursor, "something is missing"), RIG_EINPUT);
    assert_string_equal(err.text, "cling.profile:6:15: something is missing");
    cursor.err = NULL;
    assert_int_equal(cursor_fail(&cursor, "nobody listens"), RIG_EINPUT);
}

/* What a text brings along is cut to a size that leaves room for the remedy. */
static void test_long_words(void **state)
{
    (void)state;
    struct cursor cursor =
        cursor_on("ramp aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa\xc3\xa4"
                  "aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa",
                  1);
    assert_int_equal(cursor_word(&cursor, "to"), RIG_EINPUT);
    assert_string_equal(err.text, "cling.profile:6:6: 'aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa"
                                  "...' is not expected here; write 'to'");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_a_whole_statement),
        cmocka_unit_test(test_quantity_errors),
        cmocka_unit_test(test_word_errors),
        cmocka_unit_test(test_choice_errors),
        cmocka_unit_test(test_texts),
        cmocka_unit_test(test_plain),
        cmocka_unit_test(test_count),
        cmocka_unit_test(test_fail_at),
        cmocka_unit_test(test_long_words),
    };
    return cmocka_run_group_tests(tests, open_units, close_units);
}
