/* SPDX-License-Identifier: GPL-3.0-or-later
 * wetsweep help COMMAND: the same as wetsweep COMMAND --help. */
#include "commands.h"

#include <stdio.h>
#include <string.h>

int command_help(int argc, char **argv)
{
    if (argc > 1 && (strcmp(argv[1], "--help") == 0 || strcmp(argv[1], "help") == 0)) {
        puts("usage: wetsweep help [COMMAND]\n\n"
             "Says how a command is used; without one, which there are.\n\n"
             "example: wetsweep help help");
        return 0;
    }
    if (argc > 2)
        return command_usage(argv[0], "one command is explained at a time");
    char option[] = "--help";
    char *forwarded[] = {argc > 1 ? argv[1] : option, argc > 1 ? option : NULL, NULL};
    return command_dispatch(argc > 1 ? 2 : 1, forwarded);
}
