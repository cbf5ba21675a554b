/* SPDX-License-Identifier: GPL-3.0-or-later
 * The live page's door: who may ask for what, under which name, and with which token. */
#include "check.h"

#include "rig/live_guard.h"

#include <string.h>

static void test_host_names_that_are_ours(void **state)
{
    (void)state;
    static const char *const ours[] = {
        "127.0.0.1:8737", "127.0.0.1",     "localhost:8737", "LOCALHOST", "[::1]:8737",
        "[::1]",          "192.0.2.17:80", "bench",          "BENCH:9",   "bench.local:8737",
    };
    /* Names that a name server of somebody else's could point here, and odd forms. */
    static const char *const strange[] = {
        "harbour.example",
        "harbour.example:8737",
        "127.0.0.1.harbour.example",
        "bench.example",
        "localhost.example:80",
        "",
        ":8737",
        "[::1",
        "[::1]x",
        "[]:80",
        "127.0.0.1:80:80",
        "127.0.0.1:8o",
        "127.1",
        "0x7f000001",
        "bench.local.example",
        "ben ch",
    };
    for (size_t i = 0; i < sizeof ours / sizeof *ours; i++)
        if (!live_host_known(ours[i], "bench"))
            fail_msg("'%s' was refused", ours[i]);
    for (size_t i = 0; i < sizeof strange / sizeof *strange; i++)
        if (live_host_known(strange[i], "bench"))
            fail_msg("'%s' was let in", strange[i]);
    assert_false(live_host_known(NULL, "bench"));
    assert_false(live_host_known("bench", NULL));
    assert_false(live_host_known("", ""));
    char huge[5000];
    memset(huge, 'a', sizeof huge - 1);
    huge[sizeof huge - 1] = 0;
    assert_false(live_host_known(huge, "bench"));
}

static void test_requests(void **state)
{
    (void)state;
    static const struct {
        struct live_request request;
        unsigned status;
        enum live_what what;
    } cases[] = {
        {{"GET", "/", "localhost:8737", NULL, NULL}, 0, LIVE_PAGE},
        {{"HEAD", "/state", "127.0.0.1", NULL, NULL}, 0, LIVE_STATE},
        {{"GET", "/plan", "[::1]:1", NULL, "0"}, 0, LIVE_PLAN},
        {{"GET", "/", "harbour.example", NULL, NULL}, 421, 0},
        {{"GET", "/", NULL, NULL, NULL}, 421, 0},
        {{"GET", "/../etc/passwd", "localhost", NULL, NULL}, 404, 0},
        {{"GET", "//", "localhost", NULL, NULL}, 404, 0},
        {{"GET", "/state/", "localhost", NULL, NULL}, 404, 0},
        {{"GET", "", "localhost", NULL, NULL}, 404, 0},
        {{"GET", "/live.js%00", "localhost", NULL, NULL}, 404, 0},
        {{"GET", "/stop", "localhost", NULL, NULL}, 405, 0},
        {{"GET", "/", "localhost", NULL, "5"}, 413, 0},
        {{"POST", "/", "localhost", NULL, "0"}, 405, 0},
        {{"POST", "/stop", "localhost:8737", NULL, "32"}, 0, LIVE_STOP},
        {{"POST", "/stop", "localhost:8737", "http://localhost:8737", "32"}, 0, LIVE_STOP},
        {{"POST", "/stop", "localhost:8737", "http://harbour.example", "32"}, 403, 0},
        {{"POST", "/stop", "localhost:8737", "null", "32"}, 403, 0},
        {{"POST", "/stop", "localhost:8737", "http://localhost:8738", "32"}, 403, 0},
        {{"POST", "/stop", "localhost", NULL, NULL}, 411, 0},
        {{"POST", "/stop", "localhost", NULL, "129"}, 413, 0},
        {{"POST", "/stop", "localhost", NULL, "99999999999999999999"}, 400, 0},
        {{"POST", "/stop", "localhost", NULL, "-1"}, 400, 0},
        {{"PUT", "/stop", "localhost", NULL, "1"}, 405, 0},
        {{"DELETE", "/", "localhost", NULL, NULL}, 405, 0},
        {{"OPTIONS", "*", "localhost", NULL, NULL}, 405, 0},
        {{"get", "/", "localhost", NULL, NULL}, 405, 0},
    };
    for (size_t i = 0; i < sizeof cases / sizeof *cases; i++) {
        enum live_what what = LIVE_WHAT_COUNT;
        unsigned status = live_guard(&cases[i].request, "bench", &what);
        if (status != cases[i].status || (!status && what != cases[i].what))
            fail_msg("case %zu: status %u, expected %u", i, status, cases[i].status);
    }
}

static void test_token_opens_once_right(void **state)
{
    (void)state;
    static const char token[] = "0123456789abcdef0123456789abcdef";
    struct live_lock lock = {0}, none = {0};
    memcpy(lock.token, token, sizeof token);
    const int64_t second = 1000000000;
    assert_int_equal(live_lock_try(&none, "", 0, 0), 404);
    assert_int_equal(live_lock_try(&lock, token, 32, second), 0);
    assert_int_equal(live_lock_try(&lock, "  0123456789abcdef0123456789abcdef\r\n", 36, second), 0);
    assert_int_equal(live_lock_try(&lock, "", 0, second), 403);
    assert_int_equal(live_lock_try(&lock, token, 31, second), 403);
    assert_int_equal(live_lock_try(&lock, "0123456789abcdef0123456789abcdef0", 33, second), 403);
    assert_int_equal(live_lock_try(&lock, "0123456789abcdef\0\0", 18, second), 403);
    assert_int_equal(live_lock_try(&lock, "\0", 1, second), 403);
    /* Five wrong: now the right one is not looked at either, until a minute is over. */
    assert_int_equal(live_lock_try(&lock, token, 32, 2 * second), 429);
    assert_int_equal(live_lock_try(&lock, token, 32, 60 * second), 429);
    assert_int_equal(live_lock_try(&lock, token, 32, 61 * second), 0);
}

static void test_addresses(void **state)
{
    (void)state;
    static const struct {
        const char *text, *address;
        unsigned port;
    } good[] = {
        {"8737", "127.0.0.1", 8737},         {":80", "127.0.0.1", 80},
        {"127.0.0.1:0", "127.0.0.1", 0},     {"localhost:8737", "127.0.0.1", 8737},
        {"0.0.0.0:65535", "0.0.0.0", 65535}, {"[::1]:8737", "::1", 8737},
        {"192.0.2.1:81", "192.0.2.1", 81},
    };
    static const char *const bad[] = {
        "",
        "127.0.0.1",
        "127.0.0.1:",
        "127.0.0.1:65536",
        "bench:80",
        "::1:80",
        "[::1]",
        "dip.profile",
        "a:b",
        "127.0.0.1:80 ",
        "127.0.0.1:-1",
        "1:2:3",
        "[127.0.0.1",
        "http://127.0.0.1:80",
    };
    char address[64];
    uint16_t port;
    for (size_t i = 0; i < sizeof good / sizeof *good; i++) {
        if (!live_address(good[i].text, address, &port))
            fail_msg("'%s' was refused", good[i].text);
        assert_string_equal(address, good[i].address);
        assert_int_equal(port, good[i].port);
    }
    for (size_t i = 0; i < sizeof bad / sizeof *bad; i++)
        if (live_address(bad[i], address, &port))
            fail_msg("'%s' was taken for %s port %u", bad[i], address, port);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_host_names_that_are_ours),
        cmocka_unit_test(test_requests),
        cmocka_unit_test(test_token_opens_once_right),
        cmocka_unit_test(test_addresses),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
