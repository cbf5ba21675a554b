/* SPDX-License-Identifier: GPL-3.0-or-later
 * wetsweep ledger: what was measured when, on which board, and how results moved. */
#include "commands.h"
#include "ledger_parts.h"

#include "base/number.h"
#include "base/statement.h"
#include "rig/ledger_place.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const char usage[] =
    "usage: wetsweep ledger list    [FILTER]... [--last N]\n"
    "       wetsweep ledger show    RECORDING|NUMBER\n"
    "       wetsweep ledger trend   RESULT [FILTER]... [--picture FILE.svg] [--json]\n"
    "       wetsweep ledger export  --as csv|json [FILTER]... [--out FILE]\n"
    "       wetsweep ledger rebuild FOLDER...\n"
    "\n"
    "The ledger knows what was measured when, on which board, with every result and its\n"
    "95 % interval. 'wetsweep fit' fills it; 'rebuild' makes it anew from the recordings in\n"
    "folders, at any depth. The recordings stay the truth: a damaged ledger is reported,\n"
    "moved aside and made anew.\n"
    "\n"
    "  --board ID       only this board        --coating TEXT   only this coating\n"
    "  --revision R     only this revision     --since, --until DATE\n"
    "                                          2026, 2026-04, 2026-04-12, both inclusive, UTC\n"
    "  --last N         the N newest only\n"
    "  --picture FILE   draw the trend (SVG)\n"
    "  --ledger FILE    another ledger than wetsweep.ledger here; the environment variable\n"
    "                   WETSWEEP_LEDGER does the same for all commands\n"
    "  --out FILE       where the export goes (default: standard output)\n"
    "  --json           the trend as one JSON object\n"
    "\n"
    "example: wetsweep ledger trend hysteresis_at_rest --board WS-B-0007 --picture trend.svg\n"
    "status: 0 done, 1 failed, 2 wrong use or bad input\n";

static const struct {
    const char *name;
    int (*run)(const struct ledger_wish *wish);
    bool filter; /* takes --board and the like */
} verbs[] = {{"list", ledger_list_command, true},
             {"show", ledger_show_command, false},
             {"trend", ledger_trend_command, true},
             {"export", ledger_export_command, true},
             {"rebuild", ledger_rebuild_command, false}};
enum { VERB_COUNT = sizeof verbs / sizeof *verbs };

int ledger_run(const struct ledger_wish *wish, ledger_job *job, void *context, struct rig_err *err)
{
    struct text notice = {0};
    char *path = ledger_place(wish->ledger, "");
    if (!path)
        return rig_fail_memory(err, "the ledger");
    int code = ledger_use(path, LEDGER_READ, job, context, &notice, err);
    if (notice.size)
        fprintf(stderr, "wetsweep: %s", notice.bytes);
    text_free(&notice);
    free(path);
    return code;
}

const char *ledger_minute(char buffer[24], const char *started)
{
    snprintf(buffer, 24, "%.16s", started);
    char *t = strchr(buffer, 'T');
    if (t)
        *t = ' ';
    return buffer;
}

static int take_last(const char *text, long *last)
{
    int64_t number;
    const char *why;
    if (!rig_whole_number(text, strlen(text), 1, 1000000000, &number, &why))
        return command_usage("ledger", "--last: '%s' %s", text, why);
    *last = (long)number;
    return 0;
}

/* An option that takes what follows it: 0, a status, or -1 when it is none of this verb. */
static int take_option(struct ledger_wish *wish, bool filter, const char *option, const char *value)
{
    const bool list = strcmp(wish->verb, "list") == 0, trend = strcmp(wish->verb, "trend") == 0,
               export = strcmp(wish->verb, "export") == 0;
    const struct {
        const char *name;
        const char **to;
        bool here;
    } options[] = {{"--ledger", &wish->ledger, true},
                   {"--board", &wish->filter.board, filter},
                   {"--revision", &wish->filter.revision, filter},
                   {"--coating", &wish->filter.coating, filter},
                   {"--since", &wish->filter.since, filter},
                   {"--until", &wish->filter.until, filter},
                   {"--picture", &wish->picture, trend},
                   {"--as", &wish->as, export},
                   {"--out", &wish->out, export},
                   {"--last", NULL, list}};
    for (size_t i = 0; i < sizeof options / sizeof *options; i++) {
        if (!options[i].here || strcmp(option, options[i].name) != 0)
            continue;
        if (!value)
            return command_usage("ledger", "%s needs a value after it", option);
        if (!options[i].to)
            return take_last(value, &wish->last);
        *options[i].to = value;
        return 0;
    }
    return -1;
}

/* 0 or a status. Words without a dash are gathered at the front of argv, from 1. */
static int read_arguments(struct ledger_wish *wish, bool filter, int argc, char **argv)
{
    int words = 1;
    for (int i = 1; i < argc; i++) {
        char *argument = argv[i];
        if (strcmp(argument, "--json") == 0 && strcmp(wish->verb, "trend") == 0) {
            wish->json = true;
        } else if (argument[0] != '-') {
            argv[words++] = argument;
        } else {
            int status = take_option(wish, filter, argument, i + 1 < argc ? argv[i + 1] : NULL);
            if (status < 0)
                return command_usage("ledger", "'%s' is no option of 'ledger %s'", argument,
                                     wish->verb);
            if (status)
                return status;
            i++;
        }
    }
    wish->folders = (const char *const *)argv + 1;
    wish->folder_count = (size_t)(words - 1);
    wish->what = words > 1 ? argv[1] : NULL;
    return 0;
}

static int check(const struct ledger_wish *wish)
{
    const bool many = strcmp(wish->verb, "rebuild") == 0;
    const bool none = strcmp(wish->verb, "list") == 0 || strcmp(wish->verb, "export") == 0;
    if (!wish->what && !none)
        return command_usage("ledger", "%s",
                             many                               ? "rebuild: from which folder?"
                             : strcmp(wish->verb, "trend") == 0 ? "trend: of which result?"
                                                                : "show: which recording?");
    if (wish->folder_count > (none ? 0 : 1) && !many)
        return command_usage("ledger", "'%s' is not expected here", wish->folders[none ? 0 : 1]);
    if (strcmp(wish->verb, "export") == 0 &&
        (!wish->as || (strcmp(wish->as, "csv") != 0 && strcmp(wish->as, "json") != 0)))
        return command_usage("ledger", "export: --as csv or --as json?");
    return 0;
}

int command_ledger(int argc, char **argv)
{
    const char *names[VERB_COUNT];
    for (int i = 1; i < argc; i++)
        if (strcmp(argv[i], "--help") == 0 || strcmp(argv[i], "-h") == 0) {
            fputs(usage, stdout);
            return 0;
        }
    for (size_t i = 0; i < VERB_COUNT; i++)
        names[i] = verbs[i].name;
    for (size_t i = 0; argc > 1 && i < VERB_COUNT; i++) {
        if (strcmp(argv[1], verbs[i].name) != 0)
            continue;
        struct ledger_wish wish = {.verb = verbs[i].name};
        int status = read_arguments(&wish, verbs[i].filter, argc - 1, argv + 1);
        if (!status)
            status = check(&wish);
        return status ? status : verbs[i].run(&wish);
    }
    const char *nearest = argc > 1 ? nearest_word(argv[1], names, VERB_COUNT) : NULL;
    if (nearest)
        return command_usage("ledger", "ledger: '%s' is not known; did you mean '%s'?", argv[1],
                             nearest);
    return command_usage("ledger", "ledger: list, show, trend, export or rebuild?");
}
