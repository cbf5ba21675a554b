/* SPDX-License-Identifier: GPL-3.0-or-later
 * The program's subcommands: one file each, named like it, and one line here. */
#ifndef RIG_COMMANDS_H
#define RIG_COMMANDS_H

#include "base/err.h"

/* Name, and one line for `wetsweep --help`. command_NAME(argc, argv) gets its own name
 * as argv[0], prints its help on --help, and returns the exit status. */
#define COMMANDS(X)                                                                                \
    X(run, "home the axis, carry out a profile, record, park the board")                           \
    X(fit, "turn a recording into results and a report")                                           \
    X(compare, "before and after: what changed, and by how much")                                  \
    X(curve, "a calibration curve, and the table of it for a board's firmware")                    \
    X(demo, "the whole job on the simulated bench")                                                \
    X(help, "say how a command is used")                                                           \
    X(judge, "pass or fail: a recording against a limits file")                                    \
    X(ledger, "what was measured when, on which board, and how results moved")                     \
    X(ports, "list the serial ports and what is known of each")                                    \
    X(plan, "check a profile against a rig, without hardware")                                     \
    X(sync, "measure an axis' start delay, play and clock, for later runs")                        \
    X(simulate, "play the hardware of a bench on pseudo-terminals")                                \
    X(watch, "show a recording that grows, or a finished one, as a page")

#define X(name, summary) int command_##name(int argc, char **argv);
COMMANDS(X)
#undef X

/* The named command with its arguments, argv[0]; a name that is none gives an error
 * and status 2. */
int command_dispatch(int argc, char **argv);

/* Prints "wetsweep: TEXT" to stderr and returns the exit status of the error's code. */
int command_error(const struct rig_err *err);

/* Wrong use of argv[0] = command: "wetsweep: TEXT; try 'wetsweep COMMAND --help'".
 * Returns 2. */
int command_usage(const char *command, const char *format, ...)
    __attribute__((format(printf, 2, 3)));

#endif
