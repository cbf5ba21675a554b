/* SPDX-License-Identifier: GPL-3.0-or-later
 * rig/base/text.c */
#include "check.h"

#include "base/text.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static void test_grows(void **state)
{
    (void)state;
    struct text text = {0};
    char expected[20001] = "";
    for (int i = 0; i < 2000; i++) {
        text_add(&text, "0123456789");
        memcpy(expected + 10 * i, "0123456789", 11);
    }
    assert_false(text_failed(&text));
    assert_int_equal(text.size, 20000);
    assert_string_equal(text.bytes, expected);
    char *taken = text_take(&text);
    assert_string_equal(taken, expected);
    assert_null(text.bytes);
    assert_int_equal(text.size, 0);
    free(taken);
}

static void test_empty(void **state)
{
    (void)state;
    struct text text = {0};
    char *taken = text_take(&text);
    assert_non_null(taken);
    assert_string_equal(taken, "");
    free(taken);
    text_free(&text);
    text_free(NULL);
}

static void test_bytes(void **state)
{
    (void)state;
    struct text text = {0};
    text_add_bytes(&text, "a\0b", 3);
    text_add_bytes(&text, NULL, 0);
    assert_int_equal(text.size, 3);
    assert_memory_equal(text.bytes, "a\0b", 4);
    text_free(&text);
    assert_null(text.bytes);
    char many[10001];
    memset(many, 'x', sizeof many - 1);
    many[sizeof many - 1] = 0;
    text_add(&text, many); /* more than doubling once makes room for */
    assert_true(text.room > 10000);
    assert_string_equal(text.bytes, many);
    text_free(&text);
}

static void test_format(void **state)
{
    (void)state;
    struct text text = {0};
    text_format(&text, "%d mm, ", 12);
    /* Around the size of the buffer that formatting tries first. */
    for (int width = 250; width < 260; width++)
        text_format(&text, "%*d", width, 7);
    text_format(&text, "%s", "");
    size_t expected = strlen("12 mm, ");
    for (int width = 250; width < 260; width++) {
        expected += (size_t)width;
        assert_int_equal(text.bytes[expected - 1], '7');
    }
    assert_int_equal(text.size, expected);
    assert_int_equal(strlen(text.bytes), expected);
    text_free(&text);
}

static void test_escaped(void **state)
{
    (void)state;
    struct text text = {0};
    text_add_escaped(&text, "<a href=\"x\">rock & 'roll'</a>");
    assert_string_equal(text.bytes,
                        "&lt;a href=&quot;x&quot;&gt;rock &amp; &#39;roll&#39;&lt;/a&gt;");
    text_free(&text);
    text_add_escaped(&text, "plain \xc3\xa9");
    assert_string_equal(text.bytes, "plain \xc3\xa9");
    text_free(&text);
}

/* An addition that can't be had is remembered, and what follows it is left out. */
static void test_failure_is_remembered(void **state)
{
    (void)state;
    struct text text = {0};
    text_add(&text, "before");
    text_add_bytes(&text, "x", SIZE_MAX / 2);
    assert_true(text_failed(&text));
    text_add(&text, "after");
    text_format(&text, "%d", 1);
    assert_string_equal(text.bytes, "before");
    assert_null(text_take(&text));
    assert_false(text_failed(&text));
}

static void test_duration(void **state)
{
    (void)state;
    static const struct {
        double seconds;
        const char *text;
    } cases[] = {
        {0, "0 s"},
        {-0.0, "0 s"},
        {0.25, "0.25 s"},
        {0.00012, "0.00012 s"},
        {0.9996, "1 s"},
        {4, "4 s"},
        {4.25, "4.2 s"},
        {59.9, "59.9 s"},
        {59.96, "1 min 0 s"},
        {-4, "-4 s"},
        {725, "12 min 5 s"},
        {3599.4, "59 min 59 s"},
        {3599.6, "1 h 0 min"},
        {32580, "9 h 3 min"},
        {172800, "2 d 0 h"},
        {172769, "47 h 59 min"},
        {266400, "3 d 2 h"},
        {-32580, "-9 h 3 min"},
        {1e13, "for ever"},
        {INFINITY, "for ever"},
        {NAN, "unknown"},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        char buffer[32];
        assert_string_equal(text_duration(buffer, cases[i].seconds), cases[i].text);
    }
    char buffer[32];
    assert_true(strlen(text_duration(buffer, -1e12)) < 32);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_grows),    cmocka_unit_test(test_empty),
        cmocka_unit_test(test_bytes),    cmocka_unit_test(test_format),
        cmocka_unit_test(test_escaped),  cmocka_unit_test(test_failure_is_remembered),
        cmocka_unit_test(test_duration),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
