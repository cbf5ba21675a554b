/* SPDX-License-Identifier: GPL-3.0-or-later
 * The list of serial ports: what is said of made-up ports, links to devices, and the
 * shipped command. */
#include "check.h"

#include "rig/port_list.h"

#include <jansson.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static const struct port_info made_up[] = {
    {.name = "/dev/ttyACM0",
     .by_id = "/dev/serial/by-id/usb-staff-board-if00",
     .description = "Wave staff (invented)",
     .manufacturer = "Harbour lab",
     .serial = "17",
     .usb_vendor = 0x12ab,
     .usb_product = 0x00cd,
     .group = "dialout",
     .may_open = true},
    {.name = "/dev/ttyS0", .usb_vendor = -1, .usb_product = -1, .group = "dialout"},
};

static void test_text_says_what_to_write_and_what_to_do(void **state)
{
    (void)state;
    struct text text = {0};
    port_list_text(made_up, 2, &text);
    assert_contains(text.bytes, "usb       12ab:00cd, serial 17\n");
    assert_contains(text.bytes, "rig file  port /dev/serial/by-id/usb-staff-board-if00\n");
    assert_contains(text.bytes, "you may open it");
    assert_contains(text.bytes, "rig file  port /dev/ttyS0\n");
    assert_contains(text.bytes, "only for group 'dialout': sudo adduser YOU dialout");
    text_free(&text);
    port_list_text(NULL, 0, &text);
    assert_contains(text.bytes, "no serial ports");
    text_free(&text);
}

static void test_json_has_null_for_what_is_not_known(void **state)
{
    (void)state;
    char *text = port_list_json(made_up, 2);
    assert_non_null(text);
    json_t *whole = json_loads(text, 0, NULL), *ports = json_object_get(whole, "ports");
    assert_int_equal(json_array_size(ports), 2);
    json_t *usb = json_array_get(ports, 0), *plain = json_array_get(ports, 1);
    assert_int_equal(json_integer_value(json_object_get(usb, "usb_vendor")), 0x12ab);
    assert_true(json_is_true(json_object_get(usb, "may_open")));
    assert_string_equal(json_string_value(json_object_get(usb, "path")), made_up[0].by_id);
    assert_true(json_is_null(json_object_get(plain, "usb_vendor")));
    assert_true(json_is_null(json_object_get(plain, "description")));
    assert_true(json_is_false(json_object_get(plain, "may_open")));
    assert_string_equal(json_string_value(json_object_get(plain, "path")), "/dev/ttyS0");
    json_decref(whole);
    free(text);
}

static void test_link_to_a_device_is_found(void **state)
{
    (void)state;
    char folder[] = "/tmp/wetsweep-links-XXXXXX", link[300], path[64];
    assert_non_null(mkdtemp(folder));
    assert_false(port_find_link(folder, "/dev/null", link, sizeof link));
    snprintf(path, sizeof path, "%s/usb-nothing", folder);
    assert_int_equal(symlink("/dev/null", path), 0);
    assert_true(port_find_link(folder, "/dev/null", link, sizeof link));
    assert_string_equal(link, path);
    assert_false(port_find_link(folder, "/dev/zero", link, sizeof link));
    assert_false(port_find_link(folder, "/dev/null", link, 10));
    assert_false(port_find_link("/nowhere", "/dev/null", link, sizeof link));
    unlink(path);
    rmdir(folder);
}

static void test_shipped_command(void **state)
{
    (void)state;
    char *output, *errors;
    assert_int_equal(run_program("ports --json", &output, &errors), 0);
    json_t *whole = json_loads(output, 0, NULL);
    assert_true(json_is_array(json_object_get(whole, "ports")));
    json_decref(whole);
    free(output);
    free(errors);
    assert_int_equal(run_program("ports", &output, &errors), 0);
    assert_true(strstr(output, "/dev/") || strstr(output, "no serial ports"));
    free(output);
    free(errors);
    assert_int_equal(run_program("ports --everything", &output, &errors), 2);
    assert_contains(errors, "'--everything' is not an option");
    free(output);
    free(errors);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_text_says_what_to_write_and_what_to_do),
        cmocka_unit_test(test_json_has_null_for_what_is_not_known),
        cmocka_unit_test(test_link_to_a_device_is_found),
        cmocka_unit_test(test_shipped_command),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
