/* SPDX-License-Identifier: GPL-3.0-or-later
 * Calls at events: what the program gets, and that nobody ever waits for it. */
#include "check.h"
#include "rig/notifier.h"

#include "base/file.h"
#include "rig/host_clock.h"

#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static char folder[] = "/tmp/wetsweep-call-XXXXXX";
static char command[400], heard[64];

static int set_up(void **state)
{
    (void)state;
    snprintf(heard, sizeof heard, "%s/heard", folder);
    unlink(heard);
    return 0;
}

static int make_folder(void **state)
{
    (void)state;
    return mkdtemp(folder) ? 0 : -1;
}

static int remove_folder(void **state)
{
    (void)state;
    char text[80];
    snprintf(text, sizeof text, "rm -r %s", folder);
    return system(text);
}

static double now_s(void)
{
    const struct rig_clock clock = host_clock();
    return rig_ns_to_s(rig_clock_now(&clock));
}

static struct notifier *open_notifier(double limit_s)
{
    struct rig_err err = {0};
    struct notifier *notifier = notifier_open(command, "x.recording", "WS-B-0007", limit_s, &err);
    if (!notifier)
        fail_msg("%s", err.text);
    return notifier;
}

static void check_heard(const char *expected)
{
    char *bytes;
    size_t size;
    struct rig_err err = {0};
    if (file_read(heard, 1 << 20, &bytes, &size, &err))
        fail_msg("%s", err.text);
    assert_string_equal(bytes, expected);
    free(bytes);
}

static void the_event_is_in_the_environment(void **state)
{
    (void)state;
    struct notifier_tally tally;
    setenv("WETSWEEP_EVENT", "from outside", 1);
    snprintf(command, sizeof command,
             "echo \"$WETSWEEP_EVENT|$WETSWEEP_T_S|$WETSWEEP_TEXT|$WETSWEEP_RECORDING|"
             "$WETSWEEP_BOARD\" >>%s",
             heard);
    struct notifier *notifier = open_notifier(10);
    notifier_tell(notifier, "unplugged", 12.3456, "source 'board' is gone; `$HOME` \"it\" is");
    notifier_tell(notifier, "complete", 99, "over");
    notifier_close(notifier, &tally);
    unsetenv("WETSWEEP_EVENT");
    check_heard("unplugged|12.346|source 'board' is gone; `$HOME` \"it\" is|x.recording|WS-B-0007\n"
                "complete|99.000|over|x.recording|WS-B-0007\n");
    assert_int_equal(tally.told, 2);
    assert_int_equal(tally.failed + tally.cut + tally.dropped, 0);
}

static void signals_are_those_of_a_fresh_program(void **state)
{
    (void)state;
    struct notifier_tally tally;
    sigset_t blocked, before;
    sigemptyset(&blocked);
    sigaddset(&blocked, SIGTERM);
    assert_int_equal(sigprocmask(SIG_BLOCK, &blocked, &before), 0);
    signal(SIGPIPE, SIG_IGN);
    /* The low 28 signals; the two that the C library keeps for itself are above them. */
    snprintf(command, sizeof command,
             "sed -nE 's/^(SigBlk|SigIgn):.*(.{7})$/\\1 \\2/p' /proc/self/status >%s", heard);
    struct notifier *notifier = open_notifier(10);
    notifier_tell(notifier, "complete", 1, "over");
    notifier_close(notifier, &tally);
    assert_int_equal(sigprocmask(SIG_SETMASK, &before, NULL), 0);
    signal(SIGPIPE, SIG_DFL);
    assert_int_equal(tally.failed, 0);
    check_heard("SigBlk 0000000\nSigIgn 0000000\n");
}

static void a_call_that_fails_is_counted(void **state)
{
    (void)state;
    struct notifier_tally tally;
    snprintf(command, sizeof command, "exit 3");
    struct notifier *notifier = open_notifier(10);
    notifier_tell(notifier, "silent", 1, "text");
    notifier_close(notifier, &tally);
    assert_int_equal(tally.failed, 1);
}

static void a_call_that_hangs_is_ended_with_its_children(void **state)
{
    (void)state;
    struct notifier_tally tally;
    snprintf(command, sizeof command, "(sleep 1; echo alive >%s) & wait", heard);
    struct notifier *notifier = open_notifier(0.2);
    double begun_s = now_s();
    notifier_tell(notifier, "silent", 1, "text");
    double told_s = now_s() - begun_s;
    notifier_close(notifier, &tally);
    assert_true(told_s < 0.1);
    assert_true(now_s() - begun_s < 0.9);
    assert_int_equal(tally.cut, 1);
    const struct rig_clock clock = host_clock();
    rig_clock_now(&clock);
    clock.sleep_until_ns(clock.context, rig_s_to_ns(begun_s + 1.3));
    assert_int_equal(access(heard, F_OK), -1);
}

/* More events than calls can be made for: the newest are kept, and the end comes. */
static void a_flood_of_events(void **state)
{
    (void)state;
    struct notifier_tally tally;
    char text[32];
    snprintf(command, sizeof command, "sleep 0.05; echo $WETSWEEP_TEXT >%s", heard);
    struct notifier *notifier = open_notifier(0.5);
    double begun_s = now_s();
    for (int i = 0; i < 1000; i++) {
        snprintf(text, sizeof text, "%d", i);
        notifier_tell(notifier, "silent", i, text);
    }
    assert_true(now_s() - begun_s < 0.2);
    notifier_close(notifier, &tally);
    assert_true(now_s() - begun_s < 3);
    assert_int_equal(tally.told, 1000);
    assert_true(tally.dropped >= 1000 - NOTIFIER_QUEUE - 2);
}

static void nobody_to_tell(void **state)
{
    (void)state;
    struct notifier_tally tally = {.told = 5};
    notifier_tell(NULL, "silent", 1, "text");
    notifier_close(NULL, &tally);
    assert_int_equal(tally.told, 0);
}

int main(void)
{
#define CASE(name) cmocka_unit_test_setup(name, set_up)
    const struct CMUnitTest tests[] = {
        CASE(the_event_is_in_the_environment),
        CASE(signals_are_those_of_a_fresh_program),
        CASE(a_call_that_fails_is_counted),
        CASE(a_call_that_hangs_is_ended_with_its_children),
        CASE(a_flood_of_events),
        CASE(nobody_to_tell),
    };
    return cmocka_run_group_tests(tests, make_folder, remove_folder);
}
