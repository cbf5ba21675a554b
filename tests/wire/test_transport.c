/* SPDX-License-Identifier: GPL-3.0-or-later
 * Ports over the real thing: a pseudo-terminal, a socket on loopback, a logged stream. */
#include "check.h"

#include "rig/host_clock.h"
#include "rig/transport.h"
#include "rig/transport_log.h"

#include <arpa/inet.h>
#include <fcntl.h>
#include <netinet/in.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/wait.h>
#include <unistd.h>

/* Waits up to two seconds for a read that gives something or is final. */
static long read_soon(struct transport *port, char *bytes, size_t room, struct rig_err *err)
{
    long got = 0;
    for (int tries = 0; tries < 200 && got == 0; tries++) {
        got = port->read(port->context, bytes, room, err);
        if (got == 0)
            poll(NULL, 0, 10);
    }
    return got;
}

static void exchange_and_hang_up(struct transport *port, int other)
{
    struct rig_err err;
    char bytes[64];
    assert_int_equal(port->read(port->context, bytes, sizeof bytes, &err), 0);
    assert_int_equal(write(other, "ok\n\x11\xff", 5), 5);
    assert_int_equal(read_soon(port, bytes, sizeof bytes, &err), 5);
    assert_memory_equal(bytes, "ok\n\x11\xff", 5);
    assert_int_equal(port->write(port->context, "G1\r\n", 4, &err), 4);
    poll(NULL, 0, 20);
    assert_int_equal(read(other, bytes, sizeof bytes), 4);
    assert_memory_equal(bytes, "G1\r\n", 4);
    assert_true(port->fd(port->context) >= 0);
    close(other);
    poll(NULL, 0, 20);
    for (int i = 0; i < 2; i++) /* into the void, and no signal comes of it */
        port->write(port->context, "x", 1, &err);
    assert_true(read_soon(port, bytes, sizeof bytes, &err) < 0);
    assert_int_equal(err.code, RIG_EUNPLUGGED);
}

static void test_pseudo_terminal(void **state)
{
    (void)state;
    struct rig_err err;
    struct rig_clock clock = host_clock();
    int other = posix_openpt(O_RDWR | O_NOCTTY);
    assert_true(other >= 0 && !grantpt(other) && !unlockpt(other));
    char name[100];
    snprintf(name, sizeof name, "%s", ptsname(other));
    struct transport port;
    assert_int_equal(transport_open(&port, name, 115200, &clock, &err), 0);
    exchange_and_hang_up(&port, other);
    transport_close(&port);
}

static void test_socket(void **state)
{
    (void)state;
    struct rig_err err;
    struct rig_clock clock = host_clock();
    int server = socket(AF_INET, SOCK_STREAM, 0);
    struct sockaddr_in here = {.sin_family = AF_INET, .sin_addr.s_addr = htonl(INADDR_LOOPBACK)};
    socklen_t size = sizeof here;
    assert_int_equal(bind(server, (struct sockaddr *)&here, size), 0);
    assert_int_equal(listen(server, 1), 0);
    assert_int_equal(getsockname(server, (struct sockaddr *)&here, &size), 0);
    char name[64];
    snprintf(name, sizeof name, "tcp:127.0.0.1:%d", ntohs(here.sin_port));
    struct transport port;
    assert_int_equal(transport_open(&port, name, 0, &clock, &err), 0);
    int other = accept(server, NULL, NULL);
    assert_true(other >= 0);
    exchange_and_hang_up(&port, other);
    transport_close(&port);
    close(server);
    assert_int_equal(transport_open(&port, name, 0, &clock, &err), RIG_EUNPLUGGED);
    assert_contains(err.text, "can't be reached");
}

static void test_ports_that_can_not_be_opened(void **state)
{
    (void)state;
    struct rig_err err;
    struct rig_clock clock = host_clock();
    struct transport port;
    assert_int_equal(transport_open(&port, "/dev/ttyNOT0", 115200, &clock, &err), RIG_EUNPLUGGED);
    assert_contains(err.text, "wetsweep ports");
    assert_true(transport_open(&port, "/dev/null", 115200, &clock, &err) != 0);
    assert_contains(err.text, "no serial port");
    assert_int_equal(transport_open(&port, "tcp:nothing", 0, &clock, &err), RIG_EINPUT);
}

static void test_second_opener_is_told_that_the_port_is_busy(void **state)
{
    (void)state;
    struct rig_err err;
    struct rig_clock clock = host_clock();
    int other = posix_openpt(O_RDWR | O_NOCTTY);
    assert_true(other >= 0 && !grantpt(other) && !unlockpt(other));
    struct transport first, second;
    assert_int_equal(transport_open(&first, ptsname(other), 0, &clock, &err), 0);
    assert_int_equal(transport_open(&second, ptsname(other), 0, &clock, &err), RIG_EOS);
    assert_contains(err.text, "in use by another program"); /* this one does not name itself */
    transport_close(&first);
    close(other);
}

static int64_t set_ns(void *context)
{
    return *(int64_t *)context;
}

static void test_busy_port_names_the_process_that_has_it(void **state)
{
    (void)state;
    struct rig_err err;
    struct rig_clock clock = host_clock();
    int other = posix_openpt(O_RDWR | O_NOCTTY), told[2];
    assert_true(other >= 0 && !grantpt(other) && !unlockpt(other) && !pipe(told));
    char name[100], byte = 0, holder[40];
    snprintf(name, sizeof name, "%s", ptsname(other));
    pid_t child = fork();
    if (child == 0) {
        struct transport held;
        byte = transport_open(&held, name, 0, &clock, NULL) ? 'n' : 'y';
        if (write(told[1], &byte, 1) == 1)
            pause();
        _exit(1);
    }
    assert_int_equal(read(told[0], &byte, 1), 1);
    assert_int_equal(byte, 'y');
    struct transport port;
    int code = transport_open(&port, name, 0, &clock, &err);
    kill(child, SIGKILL);
    waitpid(child, NULL, 0);
    assert_int_equal(code, RIG_EOS);
    snprintf(holder, sizeof holder, "in use by process %ld (", (long)child);
    assert_contains(err.text, holder);
    close(other);
}

static void test_log_of_a_session_can_be_replayed(void **state)
{
    (void)state;
    struct rig_err err;
    struct rig_clock clock = host_clock();
    int other = posix_openpt(O_RDWR | O_NOCTTY);
    assert_true(other >= 0 && !grantpt(other) && !unlockpt(other));
    char folder[] = "/tmp/wetsweep-log-XXXXXX", path[64], name[80], bytes[300], sent[200];
    assert_non_null(mkdtemp(folder));
    snprintf(path, sizeof path, "%s/session", folder);
    snprintf(name, sizeof name, "replay:%s", path);
    struct transport port;
    assert_int_equal(transport_open(&port, ptsname(other), 0, &clock, &err), 0);
    assert_int_equal(transport_log(&port, path, &clock, &err), 0);
    assert_true(port.fd(port.context) >= 0);
    for (size_t i = 0; i < sizeof sent; i++)
        sent[i] = (char)(i + 100); /* newlines, NULs and bytes beyond ASCII too */
    assert_int_equal(port.write(port.context, "M114\n", 5, &err), 5);
    assert_int_equal(write(other, sent, sizeof sent), (ssize_t)sizeof sent);
    size_t got = 0;
    while (got < sizeof sent) {
        long size = read_soon(&port, bytes, sizeof bytes, &err);
        assert_true(size > 0);
        got += (size_t)size;
    }
    transport_close(&port);
    close(other);
    struct transport untouched = {0};
    assert_int_equal(transport_log(&untouched, path, &clock, &err), RIG_EINPUT); /* is there */
    int64_t now = 0;
    struct rig_clock set = {.now_ns = set_ns, .context = &now};
    assert_int_equal(transport_open(&port, name, 0, &set, &err), 0);
    now = 60 * INT64_C(1000000000);
    got = 0;
    for (long size; (size = port.read(port.context, bytes + got, sizeof bytes - got, &err)) > 0;)
        got += (size_t)size;
    assert_int_equal(got, sizeof sent);
    assert_memory_equal(bytes, sent, sizeof sent);
    transport_close(&port);
    unlink(path);
    rmdir(folder);
}

static void test_logged_stream_plays_at_its_own_times(void **state)
{
    (void)state;
    struct rig_err err;
    int64_t now = 1000;
    struct rig_clock clock = {.now_ns = set_ns, .context = &now};
    char path[] = "/tmp/wetsweep-log-XXXXXX", name[64], bytes[8];
    int fd = mkstemp(path);
    const char log[] = "# a log\n0.5 < 6f6b0a\n0.6 > 4731\n1.0 < 41\n";
    assert_int_equal(write(fd, log, sizeof log - 1), (ssize_t)sizeof log - 1);
    close(fd);
    snprintf(name, sizeof name, "replay:%s", path);
    struct transport port;
    assert_int_equal(transport_open(&port, name, 0, &clock, &err), 0);
    assert_int_equal(port.read(port.context, bytes, sizeof bytes, &err), 0);
    now += 500000000;
    assert_int_equal(port.read(port.context, bytes, 2, &err), 2);
    assert_int_equal(port.read(port.context, bytes, 8, &err), 1);
    assert_int_equal(bytes[0], '\n');
    assert_int_equal(port.read(port.context, bytes, 8, &err), 0);
    now += 500000000;
    assert_int_equal(port.read(port.context, bytes, 8, &err), 1);
    assert_true(port.read(port.context, bytes, 8, &err) < 0);
    transport_close(&port);
    FILE *broken = fopen(path, "w");
    fputs("0.5 < 6f6b0\n", broken);
    fclose(broken);
    assert_int_equal(transport_open(&port, name, 0, &clock, &err), RIG_EINPUT);
    assert_contains(err.text, ":1:1: no line of a log");
    unlink(path);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_pseudo_terminal),
        cmocka_unit_test(test_socket),
        cmocka_unit_test(test_ports_that_can_not_be_opened),
        cmocka_unit_test(test_second_opener_is_told_that_the_port_is_busy),
        cmocka_unit_test(test_busy_port_names_the_process_that_has_it),
        cmocka_unit_test(test_log_of_a_session_can_be_replayed),
        cmocka_unit_test(test_logged_stream_plays_at_its_own_times),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
