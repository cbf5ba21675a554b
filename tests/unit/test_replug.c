/* SPDX-License-Identifier: GPL-3.0-or-later
 * A port that is opened by a thread: it comes once it is there, and nobody waits. */
#include "check.h"
#include "rig/host_clock.h"
#include "rig/replug.h"

#include <fcntl.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static struct rig_clock the_clock;

static int ask_until_known(struct replug *replug, const char *path, struct transport *port,
                           struct rig_err *err)
{
    for (int i = 0; i < 2000; i++) {
        int code = replug_open(replug, path, 0, &the_clock, port, err);
        if (code != REPLUG_OPENING)
            return code;
        poll(NULL, 0, 5);
    }
    fail_msg("never known");
    return -1;
}

static void a_port_that_comes_back(void **state)
{
    (void)state;
    struct replug replug = {0};
    struct transport port = {0};
    struct rig_err err = {0};
    char folder[] = "/tmp/wetsweep-replug-XXXXXX", link[64], bytes[8] = "";
    assert_non_null(mkdtemp(folder));
    snprintf(link, sizeof link, "%s/board", folder);
    assert_int_equal(ask_until_known(&replug, link, &port, &err), RIG_EUNPLUGGED);
    assert_contains(err.text, "is not there");
    int device = posix_openpt(O_RDWR | O_NOCTTY);
    assert_true(device >= 0);
    assert_int_equal(grantpt(device), 0);
    assert_int_equal(unlockpt(device), 0);
    assert_int_equal(symlink(ptsname(device), link), 0);
    err = (struct rig_err){0};
    assert_int_equal(ask_until_known(&replug, link, &port, &err), 0);
    assert_int_equal(write(device, "1,2\n", 4), 4);
    struct pollfd ready = {.fd = port.fd(port.context), .events = POLLIN};
    assert_int_equal(poll(&ready, 1, 2000), 1);
    assert_int_equal(port.read(port.context, bytes, sizeof bytes, &err), 4);
    assert_memory_equal(bytes, "1,2\n", 4);
    transport_close(&port);
    replug_end(&replug);
    /* One that nobody fetched is closed at the end: the next can have it for itself. */
    assert_int_equal(replug_open(&replug, link, 0, &the_clock, &port, &err), REPLUG_OPENING);
    replug_end(&replug);
    assert_int_equal(ask_until_known(&replug, link, &port, &err), 0);
    transport_close(&port);
    close(device);
    unlink(link);
    rmdir(folder);
}

static void a_path_that_is_too_long(void **state)
{
    (void)state;
    static char path[3000];
    struct replug replug = {0};
    struct transport port = {0};
    struct rig_err err = {0};
    memset(path, 'x', sizeof path - 1);
    assert_int_equal(replug_open(&replug, path, 0, &the_clock, &port, &err), RIG_EINPUT);
    replug_end(&replug);
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(a_port_that_comes_back),
                                       cmocka_unit_test(a_path_that_is_too_long)};
    the_clock = host_clock();
    return cmocka_run_group_tests(tests, NULL, NULL);
}
