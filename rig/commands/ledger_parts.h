/* SPDX-License-Identifier: GPL-3.0-or-later
 * What the subcommands of `wetsweep ledger` share. */
#ifndef RIG_COMMANDS_LEDGER_PARTS_H
#define RIG_COMMANDS_LEDGER_PARTS_H

#include "results/ledger.h"

#include <stdbool.h>

struct ledger_wish {
    const char *verb;   /* "list" */
    const char *ledger; /* --ledger */
    struct ledger_filter filter;
    const char *what; /* the result of trend, the recording of show */
    const char *picture, *as, *out;
    long last; /* 0: all */
    bool json;
    const char *const *folders; /* rebuild */
    size_t folder_count;
};

/* Each returns the exit status. */
int ledger_list_command(const struct ledger_wish *wish);
int ledger_show_command(const struct ledger_wish *wish);
int ledger_trend_command(const struct ledger_wish *wish);
int ledger_export_command(const struct ledger_wish *wish);
int ledger_rebuild_command(const struct ledger_wish *wish);

/* The job on the ledger that the wish means; what happened to the file goes to standard
 * error. */
int ledger_run(const struct ledger_wish *wish, ledger_job *job, void *context, struct rig_err *err);
/* "2026-04-12 08:00" of a start. buffer at least 24; returned. */
const char *ledger_minute(char buffer[24], const char *started);

#endif
