/* SPDX-License-Identifier: GPL-3.0-or-later
 * wetsweep plan: everything that can be known without hardware. */
#include "commands.h"

#include "base/file.h"
#include "base/statement.h"
#include "rig/inputs.h"
#include "rig/plan_sheet.h"
#include "rig/traces.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const char usage[] =
    "usage: wetsweep plan PROFILE --rig RIG [--json] [--segments] [--picture FILE.svg]\n"
    "\n"
    "Checks a profile against a rig without touching hardware, and says how it will move,\n"
    "how near to the axis' limits, how long it takes, how much it records, and which\n"
    "results the fit will be able to give.\n"
    "\n"
    "  --rig RIG           the rig file\n"
    "  --json              the same as one JSON object\n"
    "  --segments          list every segment too, not only each kind\n"
    "  --picture FILE.svg  draw depth (mm) and speed (mm/s) against time\n"
    "\n"
    "Depth is immersion in mm, positive downwards; rising means that immersion grows.\n"
    "\n"
    "example: wetsweep plan profiles/cling.profile --rig profiles/bench.rig\n"
    "status: 0 it can be run, 2 it can't or the input is wrong\n";

struct wish {
    const char *profile, *rig, *picture;
    bool json, segments;
};

/* 0, or an exit status once the user has been told; -1: help was printed. */
static int read_arguments(int argc, char **argv, struct wish *wish)
{
    for (int i = 1; i < argc; i++) {
        const char *argument = argv[i];
        const char **value = strcmp(argument, "--rig") == 0       ? &wish->rig
                             : strcmp(argument, "--picture") == 0 ? &wish->picture
                                                                  : NULL;
        if (strcmp(argument, "--help") == 0 || strcmp(argument, "-h") == 0) {
            fputs(usage, stdout);
            return -1;
        }
        if (value) {
            if (i + 1 == argc)
                return command_usage("plan", "%s needs a file after it", argument);
            *value = argv[++i];
        } else if (strcmp(argument, "--json") == 0) {
            wish->json = true;
        } else if (strcmp(argument, "--segments") == 0) {
            wish->segments = true;
        } else if (argument[0] == '-' && argument[1]) {
            return command_usage("plan", "'%s' is no option of plan", argument);
        } else if (wish->profile) {
            return command_usage("plan", "one profile is planned at a time: '%s' or '%s'?",
                                 wish->profile, argument);
        } else {
            wish->profile = argument;
        }
    }
    if (!wish->profile)
        return command_usage("plan", "which profile?");
    if (!wish->rig)
        return command_usage("plan", "the rig file is missing: --rig RIG");
    return 0;
}

static int print_page(const struct plan_sheet *sheet, const struct wish *wish, struct rig_err *err)
{
    if (wish->json) {
        char *json = plan_json(sheet, wish->segments);
        if (!json)
            return rig_fail(err, RIG_EINPUT,
                            "the plan can't be written as JSON: memory is out, or "
                            "a file's name isn't UTF-8");
        puts(json);
        free(json);
        return 0;
    }
    struct text text = {0};
    plan_table(&text, sheet, wish->segments);
    int code = text_failed(&text) ? rig_fail_memory(err, "writing the plan") : 0;
    if (!code)
        fwrite(text.bytes, 1, text.size, stdout);
    text_free(&text);
    return code;
}

static int draw(const struct plan_sheet *sheet, const char *path, struct rig_err *err)
{
    struct text text = {0};
    plan_picture(&text, sheet, err);
    int code = text_failed(&text) ? rig_fail_memory(err, "drawing the plan") : 0;
    if (!code)
        code = file_replace(path, text.bytes, text.size, err);
    text_free(&text);
    return code;
}

static int make(const struct wish *wish, struct rig *rig, struct units *units, struct plan **plan,
                struct rig_err *err)
{
    char *bytes = NULL;
    size_t size = 0;
    struct traces traces;
    struct plan_files files;
    int code = file_read(wish->rig, STATEMENT_FILE_LIMIT + 1, &bytes, &size, err);
    if (!code)
        code = rig_read(rig, wish->rig, bytes, size, units, err);
    free(bytes);
    bytes = NULL;
    if (!code)
        code = inputs_controller(rig, wish->rig, NULL, err);
    if (!code)
        code = traces_beside(&traces, wish->profile, &files, err);
    if (!code)
        code = file_read(wish->profile, STATEMENT_FILE_LIMIT + 1, &bytes, &size, err);
    if (!code) {
        *plan = plan_make(rig, wish->profile, bytes, size, units, &files, err);
        code = *plan ? 0 : (int)err->code;
    }
    free(bytes);
    return code;
}

int command_plan(int argc, char **argv)
{
    struct wish wish = {0};
    int status = read_arguments(argc, argv, &wish);
    if (status)
        return status < 0 ? 0 : status;
    struct rig_err err = {0};
    struct rig *rig = calloc(1, sizeof *rig);
    struct units *units = rig ? units_open(&err) : NULL;
    struct plan *plan = NULL;
    int code = rig ? 0 : rig_fail_memory(&err, "planning");
    if (!code && !units)
        code = (int)err.code;
    if (!code)
        code = make(&wish, rig, units, &plan, &err);
    if (!code) {
        struct plan_sheet sheet = {plan, rig, wish.profile, wish.rig};
        code = print_page(&sheet, &wish, &err);
        if (!code && wish.picture)
            code = draw(&sheet, wish.picture, &err);
    }
    plan_free(plan);
    units_close(units);
    free(rig);
    return code ? command_error(&err) : 0;
}
