/* SPDX-License-Identifier: GPL-3.0-or-later
 * wetsweep sync: strokes at several speeds, run as any run; what they say of the axis and the
 * boards' clocks goes into a file that later runs find. */
#include "rig/commands/commands.h"
#include "rig/commands/run_parts.h"

#include "base/file.h"
#include "base/number.h"
#include "results/report.h"
#include "results/result_json.h"
#include "results/sync_measure.h"
#include "rig/sync_plan.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static const char usage[] =
    "usage: wetsweep sync --rig RIG [options]\n"
    "\n"
    "Homes the axis, moves it to and fro at four speeds, parks it, and measures how late it\n"
    "starts after its line was sent, how much that varies, its play, and how its clock and the\n"
    "boards' run against the computer's. Writes that into a small text file beside the rig file,\n"
    "which wetsweep run finds. Moves above the water where 20 mm are free there; start delay\n"
    "and play need something that sees the stage (a channel with role reference or trip; for\n"
    "the delay position reports do), else the reason is told. The same cautions as for run.\n"
    "\n"
    "  --rig RIG        what stands on the bench (.rig)\n"
    "  --out FILE       the sync file (default: RIG with .sync in place of .rig)\n"
    "  --recording DIR  folder of the recording, must not exist (default:\n"
    "                   sync-YYYYMMDD-HHMMSS.recording here)\n"
    "  --json           print the results as JSON; all else goes to standard error\n"
    "  --ports DIR      where the rig file's relative port paths are (default: here)\n"
    "  --bench FILE.bench  no hardware: a simulated bench in simulated time\n"
    "  --seed N         of the simulated bench's noise (default: 1)\n"
    "\n"
    "Exit status: 0 complete, 2 bad input, 4 stopped by the user, 5 stopped by a fault.\n"
    "\n"
    "example: wetsweep sync --rig profiles/bench.rig --bench profiles/harbour-b-bare.bench \\\n"
    "             --out bench.sync\n";

struct sync_wish {
    struct run_options run;
    char folder[160];
    const char *file; /* NULL: beside the rig file */
    bool json;
};

static int parse(int argc, char **argv, struct sync_wish *wish)
{
    const char *seed = NULL;
    const struct {
        const char *name, **value;
    } places[] = {{"--rig", &wish->run.rig},     {"--out", &wish->file},
                  {"--bench", &wish->run.bench}, {"--recording", &wish->run.out},
                  {"--ports", &wish->run.ports}, {"--seed", &seed}};
    for (int i = 1; i < argc; i++) {
        size_t p = 0;
        while (p < sizeof places / sizeof places[0] && strcmp(argv[i], places[p].name) != 0)
            p++;
        if (strcmp(argv[i], "--json") == 0)
            wish->json = true;
        else if (p == sizeof places / sizeof places[0])
            return command_usage(argv[0], "'%s' is not expected here", argv[i]);
        else if (i + 1 == argc)
            return command_usage(argv[0], "%s needs a value", argv[i]);
        else
            *places[p].value = argv[++i];
    }
    if (!wish->run.rig)
        return command_usage(argv[0], "--rig RIG is missing");
    if (wish->run.ports && wish->run.bench)
        return command_usage(argv[0], "--ports is for hardware and --bench for none; give one");
    if (seed && !wish->run.bench)
        return command_usage(argv[0], "--seed belongs to a simulated bench; give --bench too");
    int64_t number = 1;
    if (seed && !rig_whole_number(seed, strlen(seed), 0, INT64_MAX, &number, NULL))
        return command_usage(argv[0], "--seed '%s' is not a whole number from 0 up", seed);
    wish->run.seed = (uint64_t)number;
    return 0;
}

static int plan(struct inputs *inputs, const char *rig_path, struct rig_err *err)
{
    bool wet = false;
    size_t size = 0;
    memset(inputs, 0, sizeof *inputs);
    int code = inputs_read_rig(inputs, rig_path, err);
    if (code)
        return code;
    char *text = sync_profile(&inputs->rig, &wet, &size, err);
    if (!text) {
        inputs_free(inputs);
        return err->code ? (int)err->code : RIG_EMEMORY;
    }
    if (wet)
        puts("The board goes into the water: there is too little room above it, or a switch may be "
             "anywhere.");
    return inputs_plan(inputs, "sync.profile", text, size, err);
}

/* ---- telling ---- */

static void print_results(const struct result_list *results, const char *tied)
{
    printf("\nTied by %s. 95 %% intervals in brackets.\n", tied);
    for (size_t i = 0; i < results->count; i++) {
        struct text value = {0};
        struct result shown = results->results[i];
        if (strcmp(shown.unit, "s") == 0) { /* they are small */
            snprintf(shown.unit, sizeof shown.unit, "ms");
            shown.value *= 1000;
            shown.standard_uncertainty *= 1000;
            shown.low_95 *= 1000;
            shown.high_95 *= 1000;
        }
        report_value(&value, &shown);
        printf("  %-52s %s\n", shown.title, value.bytes ? value.bytes : "");
        text_free(&value);
    }
}

static int print_json(const struct result_list *results, const char *tied, const char *file,
                      const char *folder, struct rig_err *err)
{
    json_t *head = json_pack("{s:s, s:s, s:s}", "tied", tied, "file", file, "recording", folder);
    char *text = head ? result_list_json(results, head, err) : NULL;
    json_decref(head);
    if (!text)
        return err->code ? (int)err->code : rig_fail_memory(err, "the results");
    fputs(text, stdout);
    free(text);
    return RIG_OK;
}

/* ---- after the run ---- */

static int write_file(struct sync *sync, const struct inputs *inputs, const char *file,
                      struct rig_err *err)
{
    struct text text = {0};
    run_started_now(sync->made);
    int code = sync_axis_mark(sync->axis, inputs->rig_path, inputs->rig_text,
                              inputs->controller_text, err);
    if (code)
        return code;
    const char *slash = strrchr(inputs->rig_path, '/');
    sync_write(&text, sync, slash ? slash + 1 : inputs->rig_path);
    char *bytes = text_take(&text);
    code = bytes ? file_replace(file, bytes, strlen(bytes), err)
                 : rig_fail_memory(err, "the sync file");
    free(bytes);
    return code;
}

static int measure(const struct inputs *inputs, const char *folder, const char *file, int json_fd,
                   struct rig_err *err)
{
    struct result_list results = {0};
    struct sync sync;
    char tied[RESULT_TEXT_SIZE];
    struct recording *recording = recording_open(folder, err);
    if (!recording)
        return err->code ? (int)err->code : RIG_EOS;
    int code = sync_measure(&sync, &results, tied, recording, err);
    recording_free(recording);
    if (!code) {
        snprintf(sync.tied, sizeof sync.tied, "%.*s", SYNC_TEXT_SIZE - 1, tied);
        code = write_file(&sync, inputs, file, err);
    }
    if (!code) {
        print_results(&results, tied);
        printf("Written:   %s\n", file);
        fflush(stdout);
        if (json_fd >= 0 && dup2(json_fd, STDOUT_FILENO) >= 0)
            code = print_json(&results, tied, file, folder, err);
    }
    result_list_free(&results);
    return code;
}

static int carry_out(struct sync_wish *wish, int json_fd)
{
    struct rig_err err = {0};
    struct inputs inputs;
    if (plan(&inputs, wish->run.rig, &err))
        return command_error(&err);
    if (!wish->run.out) {
        run_default_folder(wish->folder, sizeof wish->folder, "sync");
        wish->run.out = wish->folder;
    }
    char *beside = inputs_sync_path(wish->run.rig);
    const char *file = wish->file ? wish->file : beside;
    int status = file ? run_carry_out(&wish->run, &inputs, NULL, NAN, wish->run.out) : 1;
    if (status == 0 && measure(&inputs, wish->run.out, file, json_fd, &err))
        status = command_error(&err);
    free(beside);
    inputs_free(&inputs);
    return status;
}

int command_sync(int argc, char **argv)
{
    struct sync_wish wish = {.run = {.board = "none, sync of the axis",
                                     .revision = "none",
                                     .coating = "",
                                     .note = "",
                                     .measures_axis = true}};
    for (int i = 1; i < argc; i++)
        if (strcmp(argv[i], "--help") == 0) {
            fputs(usage, stdout);
            return 0;
        }
    int status = parse(argc, argv, &wish);
    if (status)
        return status;
    int json_fd = -1;
    if (wish.json) { /* what a run says goes to standard error then */
        fflush(stdout);
        json_fd = dup(STDOUT_FILENO);
        if (json_fd < 0 || dup2(STDERR_FILENO, STDOUT_FILENO) < 0) {
            fprintf(stderr, "wetsweep: standard output can't be set aside\n");
            return 1;
        }
    }
    status = carry_out(&wish, json_fd);
    if (json_fd >= 0)
        close(json_fd);
    return status;
}
