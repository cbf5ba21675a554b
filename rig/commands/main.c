/* SPDX-License-Identifier: GPL-3.0-or-later
 * wetsweep: finds the subcommand and reports how it ended. The locale is never set:
 * what the program reads and writes is the same everywhere. */
#include "commands.h"

#include "base/statement.h"

#include <gsl/gsl_errno.h>

#include <errno.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

static const struct {
    const char *name, *summary;
    int (*run)(int argc, char **argv);
} commands[] = {
#define X(name, summary) {#name, summary, command_##name},
    COMMANDS(X)
#undef X
};
enum { COMMAND_COUNT = sizeof commands / sizeof commands[0] };

int command_error(const struct rig_err *err)
{
    fprintf(stderr, "wetsweep: %s\n", err->text);
    return rig_code_exit_status(err->code);
}

int command_usage(const char *command, const char *format, ...)
{
    va_list arguments;
    va_start(arguments, format);
    fputs("wetsweep: ", stderr);
    vfprintf(stderr, format, arguments);
    va_end(arguments);
    fprintf(stderr, "; try 'wetsweep %s --help'\n", command);
    return 2;
}

static int print_help(void)
{
    puts("usage: wetsweep COMMAND [ARGUMENT]...\n"
         "       wetsweep --help | --version\n\n"
         "Moves a water-level board through an immersion profile, records every channel on\n"
         "one clock, and says how the board reads, how straight, and how late.\n");
    for (int i = 0; i < COMMAND_COUNT; i++)
        printf("  %-10s %s\n", commands[i].name, commands[i].summary);
    puts("\nexample: wetsweep demo\n\n"
         "status: 0 done, 1 failed, 2 wrong use or bad input, 3 judged and failed,\n"
         "        4 stopped by the user, 5 stopped by a fault with the board parked");
    return 0;
}

static int unknown_command(const char *name)
{
    const char *names[COMMAND_COUNT];
    for (int i = 0; i < COMMAND_COUNT; i++)
        names[i] = commands[i].name;
    const char *nearest = nearest_word(name, names, COMMAND_COUNT);
    if (name[0] == '-')
        fprintf(stderr, "wetsweep: '%s' is not an option here; try 'wetsweep --help'\n", name);
    else if (nearest)
        fprintf(stderr, "wetsweep: '%s' is not a command; did you mean '%s'?\n", name, nearest);
    else
        fprintf(stderr, "wetsweep: '%s' is not a command; try 'wetsweep --help'\n", name);
    return 2;
}

int command_dispatch(int argc, char **argv)
{
    if (strcmp(argv[0], "--help") == 0 || strcmp(argv[0], "-h") == 0)
        return print_help();
    if (strcmp(argv[0], "--version") == 0) {
        puts("wetsweep " WETSWEEP_VERSION);
        return 0;
    }
    for (int i = 0; i < COMMAND_COUNT; i++)
        if (strcmp(argv[0], commands[i].name) == 0)
            return commands[i].run(argc, argv);
    return unknown_command(argv[0]);
}

int main(int argc, char **argv)
{
    /* By default the library aborts the program on a number it dislikes, and the axis
     * would go on moving. Its results are checked instead. */
    gsl_set_error_handler_off();
    if (argc < 2) {
        fputs("wetsweep: a command is missing; try 'wetsweep --help'\n", stderr);
        return 2;
    }
    int status = command_dispatch(argc - 1, argv + 1);
    /* Output that was lost, to a full disk say, is no success. */
    errno = 0;
    if (fflush(stdout) || ferror(stdout)) {
        struct rig_err err;
        rig_fail_os(&err, errno ? errno : EIO, "standard output can't be written");
        int lost = command_error(&err);
        return status ? status : lost;
    }
    return status;
}
