/* SPDX-License-Identifier: GPL-3.0-or-later
 * Two runs never share an axis: whoever comes second reads who was first; a holder that
 * is killed holds nothing. */
#include "check.h"
#include "rig/axis_lock.h"

#include <errno.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <unistd.h>

static char folder[] = "/tmp/wetsweep-lock-XXXXXX";
static char device[64], by_name[64];

static int set_up(void **state)
{
    (void)state;
    assert_non_null(mkdtemp(folder));
    snprintf(device, sizeof device, "%s/ttyUSB0", folder);
    snprintf(by_name, sizeof by_name, "%s/the-axis", folder);
    FILE *file = fopen(device, "w");
    assert_non_null(file);
    assert_int_equal(fclose(file), 0);
    assert_int_equal(symlink(device, by_name), 0);
    return 0;
}

static int tear_down(void **state)
{
    (void)state;
    char command[80];
    snprintf(command, sizeof command, "rm -r %s", folder);
    return system(command);
}

static void the_second_reads_who_was_first(void **state)
{
    (void)state;
    struct rig_err err = {0};
    char pid[32];
    int first = axis_lock_take(folder, device, "board WS-B-0007, recording x", &err);
    assert_true(first >= 0);
    /* The same device by another name; a lock of one descriptor keeps out another one of
     * the same process too. */
    assert_int_equal(axis_lock_take(folder, by_name, "board WS-B-0008", &err), -1);
    assert_int_equal(err.code, RIG_EOS);
    snprintf(pid, sizeof pid, "process %ld", (long)getpid());
    assert_contains(err.text, pid);
    assert_contains(err.text, "board WS-B-0007, recording x, since 20");
    /* Another axis is free. */
    int other = axis_lock_take(folder, "tcp:server:4001", "board", &err);
    assert_true(other >= 0);
    close(other);
    close(first);
    first = axis_lock_take(folder, by_name, "board WS-B-0008", &err);
    assert_true(first >= 0);
    close(first);
}

static void a_killed_holder_holds_nothing(void **state)
{
    (void)state;
    struct rig_err err = {0};
    int ready[2], status;
    char byte;
    assert_int_equal(pipe(ready), 0);
    pid_t child = fork();
    assert_true(child >= 0);
    if (child == 0) {
        if (axis_lock_take(folder, device, "a long text that is left behind", &err) < 0 ||
            write(ready[1], "x", 1) != 1)
            _exit(1);
        for (;;)
            pause();
    }
    assert_int_equal(read(ready[0], &byte, 1), 1);
    assert_int_equal(axis_lock_take(folder, device, "b", &err), -1);
    assert_int_equal(kill(child, SIGKILL), 0);
    assert_int_equal(waitpid(child, &status, 0), child);
    int fd = axis_lock_take(folder, device, "b", &err);
    assert_true(fd >= 0);
    assert_int_equal(axis_lock_take(folder, device, "c", &err), -1);
    assert_null(strstr(err.text, "left behind"));
    close(fd);
    close(ready[0]);
    close(ready[1]);
}

static void a_link_in_the_lock_s_place_is_not_followed(void **state)
{
    (void)state;
    struct rig_err err = {0};
    char lock[128], target[96];
    snprintf(lock, sizeof lock, "%s/wetsweep-tcp-trap-1.lock", folder);
    snprintf(target, sizeof target, "%s/precious", folder);
    assert_int_equal(symlink(target, lock), 0);
    assert_int_equal(axis_lock_take(folder, "tcp:trap:1", "b", &err), -1);
    assert_contains(err.text, "can't be locked against a second run");
    assert_int_equal(access(target, F_OK), -1);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_second_reads_who_was_first),
        cmocka_unit_test(a_killed_holder_holds_nothing),
        cmocka_unit_test(a_link_in_the_lock_s_place_is_not_followed),
    };
    return cmocka_run_group_tests(tests, set_up, tear_down);
}
