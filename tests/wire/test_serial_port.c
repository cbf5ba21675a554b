/* SPDX-License-Identifier: GPL-3.0-or-later
 * The path through libserialport, with pseudo-terminals that look like hardware: in a
 * mount namespace of the test's own, /sys has the entry that a USB adapter makes, and its
 * node in /dev is a pseudo-terminal's. modem_lines.c answers for the modem lines, which
 * those lack. Needs root; anybody else skips it. */
#include "check.h"
#include "modem_lines.h"

#include "rig/host_clock.h"
#include "rig/port_list.h"
#include "rig/transport.h"
#include "rig/transport_parts.h"

#include <asm/termbits.h> /* termios2: the line speed as a number */
#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/mount.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <time.h>
#include <unistd.h>

#define NODE "/dev/ttyUSB7"
#define TTY_OF(name) "/sys/devices/pci0000:00/usb1/1-2/1-2:1.0/" name

enum { SKIP = 77, NEW_MOUNTS = 0x00020000 /* CLONE_NEWNS of <sched.h>, which needs more */ };

/* ---- the machine as the test wants it ---- */

static void need(int result, const char *what)
{
    if (result >= 0)
        return;
    print_error("%s: %s\n", what, strerror(errno));
    exit(1);
}

static void folder(const char *path)
{
    char part[300];
    for (const char *at = path + 1;; at++) {
        if (*at != '/' && *at)
            continue;
        snprintf(part, sizeof part, "%.*s", (int)(at - path), path);
        if (mkdir(part, 0755) && errno != EEXIST)
            need(-1, part);
        if (!*at)
            return;
    }
}

static void file(const char *path, const char *text)
{
    int fd = open(path, O_WRONLY | O_CREAT | O_TRUNC, 0644);
    need(fd, path);
    need((int)write(fd, text, strlen(text)), path);
    close(fd);
}

static void bind_to(const char *from, const char *to)
{
    file(to, "");
    need(mount(from, to, NULL, MS_BIND, NULL), to);
}

/* A /dev and a /sys of our own; what is done there, nobody else sees. */
static void own_machine(void)
{
    char place[] = "/tmp/wetsweep-dev-XXXXXX", path[64];
    need((int)syscall(SYS_unshare, NEW_MOUNTS), "a mount namespace of its own");
    need(mount("none", "/", NULL, MS_REC | MS_PRIVATE, NULL), "private mounts");
    need(mkdtemp(place) ? 0 : -1, place);
    need(mount("none", place, "tmpfs", 0, NULL), "an own /dev");
    snprintf(path, sizeof path, "%s/pts", place);
    folder(path);
    need(mount("/dev/pts", path, NULL, MS_BIND, NULL), path);
    snprintf(path, sizeof path, "%s/null", place);
    bind_to("/dev/null", path);
    need(mount(place, "/dev", NULL, MS_MOVE, NULL), "/dev");
    need(rmdir(place), place);
    need(mount("none", "/sys", "tmpfs", 0, NULL), "an own /sys");
    folder("/sys/class/tty");
    folder("/dev/serial/by-id");
}

/* Plugs an adapter in; its other end is returned. */
static int plug_in(void)
{
    int other = open("/dev/pts/ptmx", O_RDWR | O_NOCTTY);
    need(other, "a pseudo-terminal");
    assert_true(!grantpt(other) && !unlockpt(other));
    bind_to(ptsname(other), NODE);
    need(symlink("../../ttyUSB7", "/dev/serial/by-id/usb-Invented_Adapter_7"), "by-id");
    folder(TTY_OF("ttyUSB7/tty/ttyUSB7"));
    need(symlink("../../../ttyUSB7", TTY_OF("ttyUSB7/tty/ttyUSB7/device")), "device");
    need(symlink("../../devices/pci0000:00/usb1/1-2/1-2:1.0/ttyUSB7/tty/ttyUSB7",
                 "/sys/class/tty/ttyUSB7"),
         "class");
    file(TTY_OF("../busnum"), "1\n");
    file(TTY_OF("../devnum"), "12\n");
    file(TTY_OF("../idVendor"), "1209\n");
    file(TTY_OF("../idProduct"), "0001\n");
    file(TTY_OF("../manufacturer"), "Invented\n");
    file(TTY_OF("../product"), "Adapter\n");
    file(TTY_OF("../serial"), "7\n");
    return other;
}

/* Pulls it out while it is open, as the kernel does: the line hangs up, all entries go. */
static void pull_out(int other)
{
    close(other);
    need(umount2(NODE, MNT_DETACH), "unplugging");
    need(unlink(NODE), NODE);
    need(unlink("/dev/serial/by-id/usb-Invented_Adapter_7"), "by-id");
    need(unlink("/sys/class/tty/ttyUSB7"), "class");
    need(unlink(TTY_OF("ttyUSB7/tty/ttyUSB7/device")), "device");
    need(rmdir(TTY_OF("ttyUSB7/tty/ttyUSB7")), "tty");
}

/* ---- tests ---- */

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

static void exchange(struct transport *port, int other)
{
    struct rig_err err;
    char bytes[64];
    assert_int_equal(port->read(port->context, bytes, sizeof bytes, &err), 0);
    assert_int_equal(write(other, "ok\n\x11\x13\xff\0", 7), 7); /* no flow control, no parity */
    assert_int_equal(read_soon(port, bytes, sizeof bytes, &err), 7);
    assert_memory_equal(bytes, "ok\n\x11\x13\xff\0", 7);
    assert_int_equal(port->write(port->context, "G1\r\n", 4, &err), 4);
    struct pollfd look = {.fd = other, .events = POLLIN};
    assert_int_equal(poll(&look, 1, 2000), 1);
    assert_int_equal(read(other, bytes, sizeof bytes), 4);
    assert_memory_equal(bytes, "G1\r\n", 4);
}

static void test_the_list_has_the_adapter(void **state)
{
    (void)state;
    int other = plug_in();
    struct port_info *ports;
    size_t count;
    struct rig_err err;
    assert_int_equal(port_list(&ports, &count, &err), 0);
    assert_int_equal(count, 1);
    assert_string_equal(ports[0].name, NODE);
    assert_string_equal(ports[0].by_id, "/dev/serial/by-id/usb-Invented_Adapter_7");
    assert_int_equal(ports[0].usb_vendor, 0x1209);
    assert_int_equal(ports[0].usb_product, 0x0001);
    assert_string_equal(ports[0].manufacturer, "Invented");
    assert_string_equal(ports[0].product, "Adapter");
    assert_string_equal(ports[0].serial, "7");
    assert_true(ports[0].may_open);
    free(ports);
    pull_out(other);
    assert_int_equal(port_list(&ports, &count, &err), 0);
    assert_int_equal(count, 0);
    free(ports);
}

static void test_speeds_and_exchange(void **state)
{
    (void)state;
    struct rig_clock clock = host_clock();
    /* 250000 is no speed that POSIX has a name for. */
    static const int speeds[] = {115200, 250000, 9600};
    int other = plug_in();
    for (size_t i = 0; i < sizeof speeds / sizeof speeds[0]; i++) {
        struct rig_err err = {0};
        struct transport port;
        const char *path = i == 1 ? "/dev/serial/by-id/usb-Invented_Adapter_7" : NODE;
        modem_calls = 0;
        if (transport_open(&port, path, speeds[i], &clock, &err))
            fail_msg("%s", err.text);
        assert_true(modem_calls > 0); /* it went through libserialport, not past it */
        struct termios2 set;
        assert_int_equal(ioctl(port.fd(port.context), TCGETS2, &set), 0);
        assert_int_equal(set.c_ospeed, speeds[i]);
        assert_int_equal(set.c_ispeed, speeds[i]);
        assert_int_equal(set.c_cflag & (CSIZE | PARENB | CSTOPB | CRTSCTS), CS8);
        assert_int_equal(set.c_lflag & (ICANON | ECHO | ISIG), 0);
        assert_int_equal(set.c_iflag & (IXON | IXOFF | ICRNL | INLCR | ISTRIP), 0);
        assert_int_equal(set.c_oflag & OPOST, 0);
        exchange(&port, other);
        transport_close(&port);
    }
    pull_out(other);
}

static void test_what_waited_from_before_is_dropped(void **state)
{
    (void)state;
    struct rig_clock clock = host_clock();
    struct rig_err err = {0};
    struct transport port;
    char bytes[64];
    int other = plug_in();
    /* Somebody else had it open before: what came then is not ours. */
    int before = open(NODE, O_RDWR | O_NOCTTY);
    assert_true(before >= 0);
    assert_int_equal(write(other, "old\n", 4), 4);
    poll(NULL, 0, 20);
    assert_int_equal(transport_open(&port, NODE, 115200, &clock, &err), 0);
    close(before);
    assert_int_equal(write(other, "new\n", 4), 4);
    assert_int_equal(read_soon(&port, bytes, sizeof bytes, &err), 4);
    assert_memory_equal(bytes, "new\n", 4);
    transport_close(&port);
    pull_out(other);
}

static void test_second_opener_is_told(void **state)
{
    (void)state;
    struct rig_clock clock = host_clock();
    struct rig_err err = {0};
    struct transport first, second;
    int other = plug_in();
    assert_int_equal(transport_open(&first, NODE, 115200, &clock, &err), 0);
    assert_int_equal(transport_open(&second, NODE, 250000, &clock, &err), RIG_EOS);
    assert_contains(err.text, "in use by");
    struct termios2 set; /* and the first one's speed was left alone */
    assert_int_equal(ioctl(first.fd(first.context), TCGETS2, &set), 0);
    assert_int_equal(set.c_ospeed, 115200);
    exchange(&first, other);
    transport_close(&first);
    pull_out(other);
}

static double cpu_s(void)
{
    struct timespec now;
    clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &now);
    return (double)now.tv_sec + 1e-9 * (double)now.tv_nsec;
}

static void test_unplugged_and_plugged_in_again(void **state)
{
    (void)state;
    struct rig_clock clock = host_clock();
    struct rig_err err = {0};
    struct transport port;
    char bytes[64];
    int other = plug_in();
    assert_int_equal(transport_open(&port, NODE, 115200, &clock, &err), 0);
    exchange(&port, other);
    assert_int_equal(write(other, "last", 4), 4);
    pull_out(other);
    /* A poll wakes at once, what had come is still there, then it is final: never 0 bytes
     * for ever at full CPU. */
    struct pollfd look = {.fd = port.fd(port.context), .events = POLLIN};
    double before_s = cpu_s();
    assert_int_equal(poll(&look, 1, 2000), 1);
    long got = port.read(port.context, bytes, sizeof bytes, &err), rounds = 0;
    while (got >= 0 && ++rounds < 100)
        got = port.read(port.context, bytes, sizeof bytes, &err);
    assert_true(got < 0);
    assert_int_equal(err.code, RIG_EUNPLUGGED);
    assert_contains(err.text, "was it unplugged?");
    assert_true(cpu_s() - before_s < 0.5);
    assert_true(port.write(port.context, "x", 1, &err) < 0);
    assert_int_equal(err.code, RIG_EUNPLUGGED);
    transport_close(&port);
    /* libserialport calls a missing port a bad argument; a person is told more. */
    assert_int_equal(transport_open(&port, NODE, 115200, &clock, &err), RIG_EUNPLUGGED);
    assert_contains(err.text, "is not there; plug the device in");
    assert_int_equal(transport_open_serial(&port, NODE, 115200, &err), RIG_EUNPLUGGED);
    assert_contains(err.text, "is not there; plug the device in");
    other = plug_in();
    assert_int_equal(
        transport_open(&port, "/dev/serial/by-id/usb-Invented_Adapter_7", 115200, &clock, &err), 0);
    exchange(&port, other);
    transport_close(&port);
    pull_out(other);
}

static void test_node_that_is_no_port(void **state)
{
    (void)state;
    struct rig_err err = {0};
    struct transport port;
    int other = plug_in();
    need(umount2(NODE, MNT_DETACH), NODE);
    need(mount("/dev/null", NODE, NULL, MS_BIND, NULL), NODE);
    assert_true(transport_open_serial(&port, NODE, 115200, &err) != 0);
    assert_contains(err.text, NODE);
    pull_out(other);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_the_list_has_the_adapter),
        cmocka_unit_test(test_speeds_and_exchange),
        cmocka_unit_test(test_what_waited_from_before_is_dropped),
        cmocka_unit_test(test_second_opener_is_told),
        cmocka_unit_test(test_unplugged_and_plugged_in_again),
        cmocka_unit_test(test_node_that_is_no_port),
    };
    if (geteuid() != 0) {
        printf("skipped: only root may have a mount namespace of its own\n");
        return SKIP;
    }
    own_machine();
    return cmocka_run_group_tests(tests, NULL, NULL);
}
