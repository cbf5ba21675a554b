/* SPDX-License-Identifier: GPL-3.0-or-later
 * rig/base/err.c: the one list of codes, and the texts. */
#include "check.h"

#include "base/err.h"

#include <errno.h>
#include <string.h>

/* The exit statuses are the contract with scripts (DESIGN, "the program"); written out
 * here a second time on purpose. */
static void test_codes(void **state)
{
    (void)state;
    static const struct {
        int code;
        const char *name;
        int status;
    } expected[] = {
        {RIG_OK, "RIG_OK", 0},
        {RIG_EBUG, "RIG_EBUG", 1},
        {RIG_EINPUT, "RIG_EINPUT", 2},
        {RIG_EOS, "RIG_EOS", 1},
        {RIG_ETIMEOUT, "RIG_ETIMEOUT", 5},
        {RIG_EUNPLUGGED, "RIG_EUNPLUGGED", 5},
        {RIG_EDEVICE, "RIG_EDEVICE", 5},
        {RIG_ELIMIT, "RIG_ELIMIT", 2},
        {RIG_EMEMORY, "RIG_EMEMORY", 1},
        {RIG_ESTOPPED, "RIG_ESTOPPED", 4},
        {RIG_EUNKNOWABLE, "RIG_EUNKNOWABLE", 1},
    };
    assert_int_equal(sizeof expected / sizeof expected[0], RIG_CODE_COUNT);
    for (int i = 0; i < RIG_CODE_COUNT; i++) {
        assert_int_equal(expected[i].code, i);
        assert_string_equal(rig_code_name(i), expected[i].name);
        assert_int_equal(rig_code_exit_status(i), expected[i].status);
        assert_true(strlen(rig_code_actor(i)) > 5);
    }
}

static void test_codes_out_of_range(void **state)
{
    (void)state;
    const int codes[] = {-1, RIG_CODE_COUNT, 1000};
    for (size_t i = 0; i < 3; i++) {
        assert_string_equal(rig_code_name(codes[i]), "?");
        assert_string_equal(rig_code_actor(codes[i]), "?");
        assert_int_equal(rig_code_exit_status(codes[i]), 1);
    }
}

static void test_fail(void **state)
{
    (void)state;
    struct rig_err err = {.os_errno = 99};
    assert_int_equal(rig_fail(&err, RIG_ELIMIT, "depth %d mm", 612), RIG_ELIMIT);
    assert_int_equal(err.code, RIG_ELIMIT);
    assert_int_equal(err.os_errno, 0);
    assert_string_equal(err.text, "depth 612 mm");
    assert_int_equal(rig_fail(NULL, RIG_EBUG, "nobody listens"), RIG_EBUG);
}

static void test_long_text_is_cut(void **state)
{
    (void)state;
    struct {
        struct rig_err err;
        char guard[8];
    } here;
    char text[2000];
    memset(text, 'x', sizeof text - 1);
    text[sizeof text - 1] = 0;
    strcpy(here.guard, "guard");
    rig_fail(&here.err, RIG_EINPUT, "%s", text);
    assert_int_equal(strlen(here.err.text), sizeof here.err.text - 1);
    rig_fail_os(&here.err, EIO, "%s", text);
    assert_int_equal(strlen(here.err.text), sizeof here.err.text - 1);
    assert_string_equal(here.guard, "guard");
}

static void test_fail_os(void **state)
{
    (void)state;
    struct rig_err err;
    assert_int_equal(rig_fail_os(&err, ENOSPC, "%s: can't be written", "board.csv"), RIG_EOS);
    assert_int_equal(err.os_errno, ENOSPC);
    assert_string_equal(err.text, "board.csv: can't be written: No space left on device");
    assert_int_equal(rig_fail_os(&err, ENOMEM, "reading"), RIG_EMEMORY);
    assert_int_equal(err.code, RIG_EMEMORY);
    assert_int_equal(rig_fail_os(NULL, ENOMEM, "reading"), RIG_EMEMORY);
    assert_int_equal(rig_fail_memory(&err, "a plan"), RIG_EMEMORY);
    assert_string_equal(err.text, "no memory left for a plan");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_codes),   cmocka_unit_test(test_codes_out_of_range),
        cmocka_unit_test(test_fail),    cmocka_unit_test(test_long_text_is_cut),
        cmocka_unit_test(test_fail_os),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
