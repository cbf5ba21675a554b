/* SPDX-License-Identifier: GPL-3.0-or-later
 * wetsweep judge: a recording against a limits file. */
#include "commands.h"

#include "base/err.h"
#include "base/file.h"
#include "base/text.h"
#include "results/fit.h"
#include "results/judge.h"
#include "results/recording.h"
#include "results/result_json.h"
#include "rig/fit_files.h"
#include "rig/ledger_place.h"

#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static const char usage[] =
    "usage: wetsweep judge RECORDING --limits FILE [--json | --label] [--ledger FILE | "
    "--no-ledger]\n"
    "\n"
    "Does a board pass? Holds the results of a recording against a limits file, with their\n"
    "uncertainty taken into account by the rule that the file states. A result that is missing\n"
    "never passes. Fits the recording first where that was not done. Writes judgement.json\n"
    "into the recording and the verdict into the ledger beside it.\n"
    "\n"
    "  --limits FILE    what a board has to keep (docs/formats_text.md)\n"
    "  --json           print judgement.json instead of the text\n"
    "  --label          print one line for a label\n"
    "  --ledger FILE    another ledger, as for wetsweep fit\n"
    "  --no-ledger      fill none\n"
    "\n"
    "example: wetsweep judge WS-B-0007.recording --limits profiles/production-b.limits\n"
    "status: 0 passed, 2 wrong use or bad input, 3 failed\n";

enum { LIMITS_SIZE = 1024 * 1024, RESULTS_SIZE = 64 * 1024 * 1024 };

struct wish {
    const char *folder, *limits, *ledger;
    bool json, label, no_ledger;
};

struct job {
    struct limits limits;
    struct judgement judgement;
    struct recording *recording;
    struct result_list results;
    json_t *head;
    char limits_sha256[65], results_sha256[65];
};

/* 0, or an exit status once the user has been told; -1: help was printed. */
static int read_arguments(int argc, char **argv, struct wish *wish)
{
    for (int i = 1; i < argc; i++) {
        const char *argument = argv[i], *value = i + 1 < argc ? argv[i + 1] : NULL;
        if (strcmp(argument, "--help") == 0 || strcmp(argument, "-h") == 0) {
            fputs(usage, stdout);
            return -1;
        } else if (strcmp(argument, "--json") == 0) {
            wish->json = true;
        } else if (strcmp(argument, "--label") == 0) {
            wish->label = true;
        } else if (strcmp(argument, "--no-ledger") == 0) {
            wish->no_ledger = true;
        } else if (strcmp(argument, "--limits") == 0 && value) {
            wish->limits = argv[++i];
        } else if (strcmp(argument, "--ledger") == 0 && value) {
            wish->ledger = argv[++i];
        } else if (argument[0] != '-' && !wish->folder) {
            wish->folder = argument;
        } else {
            return command_usage("judge", "'%s' is not expected here", argument);
        }
    }
    if (!wish->folder)
        return command_usage("judge", "which recording?");
    if (!wish->limits)
        return command_usage("judge", "by which limits? --limits FILE is missing");
    if (wish->json && wish->label)
        return command_usage("judge", "--json and --label are two ways to print; choose one");
    return 0;
}

static int read_limits(struct job *job, const struct wish *wish, struct rig_err *err)
{
    char *bytes = NULL;
    size_t size = 0;
    int code = file_read(wish->limits, LIMITS_SIZE, &bytes, &size, err);
    if (!code) {
        bytes_sha256(bytes, size, job->limits_sha256);
        code = limits_read(&job->limits, wish->limits, bytes, size, err);
    }
    free(bytes);
    return code;
}

static int fit_now(const struct recording *recording, struct rig_err *err)
{
    const struct fit_options options = {.degree = -1};
    struct fit fit = {0};
    int code = fit_recording(&fit, recording, &options, err);
    if (!code)
        code = fit_write(&fit, recording, err);
    fit_free(&fit);
    return code;
}

static int read_results(struct job *job, const struct wish *wish, struct rig_err *err)
{
    char *path = file_join(wish->folder, "results.json"), *bytes = NULL;
    size_t size = 0;
    int code = path ? RIG_OK : rig_fail_memory(err, "a path");
    if (!code && access(path, F_OK) != 0)
        code = fit_now(job->recording, err);
    if (!code)
        code = file_read(path, RESULTS_SIZE, &bytes, &size, err);
    if (!code) {
        bytes_sha256(bytes, size, job->results_sha256);
        code = result_list_read(&job->results, &job->head, path, bytes, size, err);
    }
    const char *started = code ? NULL : json_string_value(json_object_get(job->head, "started"));
    if (!code && (!started || strcmp(started, recording_facts(job->recording)->started) != 0))
        code = rig_fail(err, RIG_EINPUT,
                        "%s: holds the results of another recording; fit this one again", path);
    free(bytes);
    free(path);
    return code;
}

static int judge(struct job *job, const struct wish *wish, struct rig_err *err)
{
    const struct run_facts *facts = recording_facts(job->recording);
    if (*job->limits.revision && strcmp(job->limits.revision, facts->revision) != 0)
        return rig_fail(err, RIG_EINPUT,
                        "%s: is for boards of revision %s, and %s is of revision %s; take the "
                        "limits of that revision",
                        wish->limits, job->limits.revision, facts->board, facts->revision);
    struct units *units = units_open(err);
    if (!units)
        return err->code;
    int code =
        judge_results(&job->judgement, &job->limits, wish->limits, &job->results, units, err);
    units_close(units);
    return code;
}

static int save(const struct wish *wish, const char *json, struct rig_err *err)
{
    char *path = file_join(wish->folder, "judgement.json");
    int code = path ? file_replace(path, json, strlen(json), err) : rig_fail_memory(err, "a path");
    free(path);
    return code;
}

static int print(const struct job *job, const struct wish *wish, const struct judge_words *words,
                 const char *json, struct rig_err *err)
{
    struct text text = {0};
    if (wish->json)
        text_add(&text, json);
    else if (wish->label)
        judge_label(&text, &job->judgement, words);
    else
        judge_text(&text, &job->judgement, &job->limits, words);
    if (wish->label)
        text_add(&text, "\n");
    int code = text_failed(&text) ? rig_fail_memory(err, "a judgement") : RIG_OK;
    if (!code && (fputs(text.bytes, stdout) < 0 || fflush(stdout)))
        code = rig_fail(err, RIG_EOS, "standard output: can't be written");
    text_free(&text);
    return code;
}

static int write_all(const struct job *job, const struct wish *wish, struct rig_err *err)
{
    const struct run_facts *facts = recording_facts(job->recording);
    const struct judge_words words = {.board = facts->board,
                                      .revision = facts->revision,
                                      .coating = facts->coating,
                                      .recording = wish->folder,
                                      .started = facts->started,
                                      .limits_name = wish->limits,
                                      .limits_sha256 = job->limits_sha256,
                                      .results_sha256 = job->results_sha256,
                                      .version = WETSWEEP_VERSION};
    json_t *object = judge_json(&job->judgement, &job->limits, &words);
    char *bytes = object ? json_dumps(object, JSON_INDENT(2) | JSON_REAL_PRECISION(15)) : NULL;
    struct text json = {0};
    text_format(&json, "%s\n", bytes ? bytes : "");
    int code = bytes && !text_failed(&json) ? save(wish, json.bytes, err)
                                            : rig_fail_memory(err, "a judgement");
    if (!code)
        code = print(job, wish, &words, json.bytes, err);
    text_free(&json);
    free(bytes);
    json_decref(object);
    return code;
}

/* The judgement is safe in the recording by now; that the ledger lacks it is still told. */
static int fill_ledger(const struct wish *wish, struct rig_err *err)
{
    struct text notice = {0};
    char *path = NULL;
    int code = ledger_fill(wish->ledger, wish->folder, &path, &notice, err);
    if (notice.size)
        fprintf(stderr, "wetsweep: %s", notice.bytes);
    text_free(&notice);
    free(path);
    return code;
}

int command_judge(int argc, char **argv)
{
    struct wish wish = {0};
    struct rig_err err = {0};
    int status = read_arguments(argc, argv, &wish);
    if (status)
        return status < 0 ? 0 : status;
    struct job *job = calloc(1, sizeof *job);
    int code = job ? read_limits(job, &wish, &err) : rig_fail_memory(&err, "a judgement");
    if (!code && !(job->recording = recording_open(wish.folder, &err)))
        code = (int)err.code;
    if (!code)
        code = read_results(job, &wish, &err);
    if (!code)
        code = judge(job, &wish, &err);
    if (!code)
        code = write_all(job, &wish, &err);
    if (!code && !wish.no_ledger)
        code = fill_ledger(&wish, &err);
    status = code ? command_error(&err) : job->judgement.failed ? 3 : 0;
    if (job) {
        recording_free(job->recording);
        result_list_free(&job->results);
        json_decref(job->head);
    }
    free(job);
    return status;
}
