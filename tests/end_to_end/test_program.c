/* SPDX-License-Identifier: GPL-3.0-or-later
 * The program before any subcommand has its say: help, version, wrong use. */
#include "check.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* Runs; each part is a substring of what it prints, "" for nothing at all. */
static void expect(const char *arguments, int status, const char *said, const char *complained)
{
    char *output, *errors;
    assert_int_equal(run_program(arguments, &output, &errors), status);
    if (*said)
        assert_contains(output, said);
    else
        assert_string_equal(output, "");
    if (*complained)
        assert_contains(errors, complained);
    else
        assert_string_equal(errors, "");
    free(output);
    free(errors);
}

static void test_help(void **state)
{
    (void)state;
    char *by_option, *by_command;
    expect("--help", 0, "usage: wetsweep COMMAND", "");
    expect("-h", 0, "usage: wetsweep COMMAND", "");
    expect("--help", 0, "  help ", "");
    expect("help help", 0, "usage: wetsweep help [COMMAND]", "");
    assert_int_equal(run_program("--help", &by_option, NULL), 0);
    assert_int_equal(run_program("help", &by_command, NULL), 0);
    assert_string_equal(by_option, by_command);
    free(by_option);
    free(by_command);
}

/* Every command that the help lists explains itself on standard output. */
static void test_every_command_has_help(void **state)
{
    (void)state;
    char *output;
    int commands = 0;
    assert_int_equal(run_program("--help", &output, NULL), 0);
    for (char *line = strtok(output, "\n"); line; line = strtok(NULL, "\n")) {
        char name[32], arguments[80], start[80];
        if (strncmp(line, "  ", 2) != 0 || line[2] == ' ' || sscanf(line, "  %31[a-z] ", name) != 1)
            continue;
        commands++;
        snprintf(start, sizeof start, "usage: wetsweep %s", name);
        snprintf(arguments, sizeof arguments, "%s --help", name);
        expect(arguments, 0, start, "");
        snprintf(arguments, sizeof arguments, "help %s", name);
        expect(arguments, 0, start, "");
    }
    assert_true(commands >= 1);
    free(output);
}

static void test_wrong_use(void **state)
{
    (void)state;
    expect("", 2, "", "wetsweep: a command is missing; try 'wetsweep --help'\n");
    expect("hlep", 2, "", "wetsweep: 'hlep' is not a command; did you mean 'help'?\n");
    expect("xyzzy", 2, "", "wetsweep: 'xyzzy' is not a command; try 'wetsweep --help'\n");
    expect("--hlep", 2, "", "wetsweep: '--hlep' is not an option here; try 'wetsweep --help'\n");
    expect("help a b", 2, "",
           "wetsweep: one command is explained at a time; try 'wetsweep help "
           "--help'\n");
    expect("help xyzzy", 2, "", "wetsweep: 'xyzzy' is not a command");
}

static void test_version(void **state)
{
    (void)state;
    expect("--version", 0, "wetsweep " WETSWEEP_VERSION "\n", "");
}

/* Output that could not be written is no success. */
static void test_full_disk(void **state)
{
    (void)state;
    char command[4200];
    const char *program = getenv("WETSWEEP");
    assert_non_null(program);
    snprintf(command, sizeof command, "'%s' --help >/dev/full 2>/dev/null", program);
    int status = system(command);
    assert_int_equal(status, 1 << 8);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_help),      cmocka_unit_test(test_every_command_has_help),
        cmocka_unit_test(test_wrong_use), cmocka_unit_test(test_version),
        cmocka_unit_test(test_full_disk),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
