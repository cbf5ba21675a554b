/* SPDX-License-Identifier: GPL-3.0-or-later
 * wetsweep fit: a recording to results.json and report.html. */
#include "commands.h"

#include "base/err.h"
#include "base/file.h"
#include "base/number.h"
#include "base/text.h"
#include "results/fit.h"
#include "results/report.h"
#include "rig/fit_files.h"
#include "rig/ledger_place.h"

#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static const char usage[] =
    "usage: wetsweep fit RECORDING [--degree N] [--json] [--ledger FILE | --no-ledger]\n"
    "\n"
    "Fits a recording: curve, straightness, hysteresis, lags, step and frequency response,\n"
    "each with a 95 % interval or the reason why it can't be known. Writes results.json and\n"
    "report.html into the recording's folder. Works on recordings that were cut short too.\n"
    "Fills the ledger beside the recording (see wetsweep ledger --help).\n"
    "\n"
    "  --degree N   degree of the calibration polynomial, 1 to 9 (default: chosen by AICc)\n"
    "  --json       print results.json instead of the summary\n"
    "  --ledger FILE  another ledger than wetsweep.ledger beside the recording, or than what\n"
    "               the environment variable WETSWEEP_LEDGER says\n"
    "  --no-ledger  fill none\n"
    "\n"
    "example: wetsweep fit WS-B-0007-20260412-161500.recording\n";

static void show_progress(void *context, uint64_t rows)
{
    uint64_t *shown = context;
    if (rows - *shown < 2000000)
        return;
    *shown = rows;
    fprintf(stderr, "\r%llu million rows", (unsigned long long)(rows / 1000000));
    fflush(stderr);
}

static int print_file(const char *folder, const char *name, struct rig_err *err)
{
    char *path = file_join(folder, name), *bytes = NULL;
    size_t size = 0;
    int code = path ? file_read(path, 64 * 1024 * 1024, &bytes, &size, err)
                    : rig_fail_memory(err, "a path");
    if (!code && fwrite(bytes, 1, size, stdout) != size)
        code = rig_fail(err, RIG_EOS, "standard output: can't be written");
    free(bytes);
    free(path);
    return code;
}

/* Results without a value, those of one reason together. */
static void tell_unknown(const struct result_list *results)
{
    for (size_t i = 0; i < results->count; i++) {
        const char *reason = results->results[i].reason;
        bool told = !*reason;
        for (size_t k = 0; k < i && !told; k++)
            told = strcmp(results->results[k].reason, reason) == 0;
        if (told)
            continue;
        printf("not known:");
        for (size_t k = i; k < results->count; k++)
            if (strcmp(results->results[k].reason, reason) == 0)
                printf("%s %s", k == i ? "" : ";", results->results[k].title);
        printf("\n    because %s\n", reason);
    }
}

static void summarise(const struct fit *fit, const char *folder)
{
    const struct report_input input = {
        .results = &fit->results, .low_mm = fit->low_mm, .high_mm = fit->high_mm};
    struct text answer = {0};
    for (size_t i = 0; i < fit->warning_count; i++)
        printf("note: %s\n", fit->warnings[i]);
    report_answer(&answer, &input, true);
    fputs(answer.bytes ? answer.bytes : "", stdout);
    text_free(&answer);
    tell_unknown(&fit->results);
    printf("\n%llu rows. Report: %s/report.html\n", (unsigned long long)fit->rows, folder);
}

struct wish {
    const char *folder, *ledger; /* ledger: NULL for the usual one */
    bool json, no_ledger;
    struct fit_options options;
};

static int take_degree(const char *text, int *degree)
{
    int64_t whole;
    if (!rig_whole_number(text, strlen(text), 1, 9, &whole, NULL)) {
        fprintf(stderr, "wetsweep: fit: --degree '%s': a whole number from 1 to 9\n", text);
        return 2;
    }
    *degree = (int)whole;
    return 0;
}

/* 0, or an exit status once the user has been told; -1: help was printed. */
static int read_arguments(int argc, char **argv, struct wish *wish)
{
    for (int i = 1; i < argc; i++) {
        const char *argument = argv[i], *value = i + 1 < argc ? argv[i + 1] : NULL;
        int status = 0;
        if (strcmp(argument, "--help") == 0) {
            fputs(usage, stdout);
            return -1;
        } else if (strcmp(argument, "--json") == 0) {
            wish->json = true;
        } else if (strcmp(argument, "--no-ledger") == 0) {
            wish->no_ledger = true;
        } else if (strcmp(argument, "--degree") == 0 && value) {
            status = take_degree(argv[++i], &wish->options.degree);
        } else if (strcmp(argument, "--ledger") == 0 && value) {
            wish->ledger = argv[++i];
        } else if (argument[0] != '-' && !wish->folder) {
            wish->folder = argument;
        } else {
            fprintf(stderr, "wetsweep: fit: '%s' is not expected here; see wetsweep fit --help\n",
                    argument);
            status = 2;
        }
        if (status)
            return status;
    }
    if (wish->folder)
        return 0;
    fputs("wetsweep: fit: which recording? See wetsweep fit --help\n", stderr);
    return 2;
}

/* The results are safe in the recording by now; that the ledger lacks them is still told. */
static int fill_ledger(const struct wish *wish)
{
    struct rig_err err = {0};
    struct text notice = {0};
    char *path = NULL;
    int code = ledger_fill(wish->ledger, wish->folder, &path, &notice, &err);
    if (notice.size)
        fprintf(stderr, "wetsweep: %s", notice.bytes);
    if (!code && !wish->json)
        printf("Ledger: %s\n", path);
    text_free(&notice);
    free(path);
    return code ? command_error(&err) : 0;
}

int command_fit(int argc, char **argv)
{
    struct wish wish = {.options.degree = -1};
    int status = read_arguments(argc, argv, &wish);
    if (status)
        return status < 0 ? 0 : status;
    uint64_t shown = 0;
    if (isatty(STDERR_FILENO)) {
        wish.options.progress = show_progress;
        wish.options.context = &shown;
    }
    struct rig_err err = {0};
    struct fit fit = {0};
    struct recording *recording = recording_open(wish.folder, &err);
    if (!recording)
        return command_error(&err);
    int code = fit_recording(&fit, recording, &wish.options, &err);
    if (shown)
        fputs("\r                              \r", stderr);
    if (!code)
        code = fit_write(&fit, recording, &err);
    if (!code && wish.json)
        code = print_file(wish.folder, "results.json", &err);
    else if (!code)
        summarise(&fit, wish.folder);
    fit_free(&fit);
    recording_free(recording);
    if (code)
        return command_error(&err);
    return wish.no_ledger ? 0 : fill_ledger(&wish);
}
