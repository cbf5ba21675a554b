/* SPDX-License-Identifier: GPL-3.0-or-later
 * wetsweep compare: before and after. */
#include "commands.h"

#include "base/err.h"
#include "base/file.h"
#include "base/text.h"
#include "results/compare.h"
#include "results/compare_page.h"
#include "results/fit.h"

#include <math.h>
#include <stdarg.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const char usage[] =
    "usage: wetsweep compare RECORDING... --against RECORDING... [--out PAGE.html] [--json]\n"
    "\n"
    "Did the coating help? Compares recordings with those of before: for each result before,\n"
    "after, difference and ratio with 95 % intervals, the smallest difference that would have\n"
    "shown, and a verdict. One recording a side and the same profile: pass by pass. Several:\n"
    "their means. Writes a page with the plots of both sides in one frame.\n"
    "\n"
    "  --against RECORDING...  those of before; all that follow it up to the next option\n"
    "  --out PAGE.html         where the page goes (default: comparison.html here)\n"
    "  --json                  print JSON instead of the table\n"
    "\n"
    "example: wetsweep compare coated.recording --against bare.recording\n"
    "status: 0 done, whatever the verdicts, 2 wrong use or bad input\n";

enum { SIDE_LIMIT = 64, NOTE_LIMIT = 24, NOTE_SIZE = 400 };

/* Viscosity, and with it a draining film, changes by 2.5 % a degree (IAPWS R12-08). */
static const double WATER_WITHIN_DEGC = 2;

struct side {
    const char *folders[SIDE_LIMIT];
    struct recording *recordings[SIDE_LIMIT];
    struct fit *fits[SIDE_LIMIT];
    struct compare_named named[SIDE_LIMIT];
    size_t count;
};

struct job {
    struct side before, after;
    const char *out;
    bool json;
    char notes[NOTE_LIMIT][NOTE_SIZE];
    const char *note_texts[NOTE_LIMIT];
    size_t note_count;
};

static void note(struct job *job, const char *format, ...) __attribute__((format(printf, 2, 3)));
static void note(struct job *job, const char *format, ...)
{
    if (job->note_count == NOTE_LIMIT)
        return;
    va_list arguments;
    va_start(arguments, format);
    vsnprintf(job->notes[job->note_count], NOTE_SIZE, format, arguments);
    va_end(arguments);
    job->note_texts[job->note_count] = job->notes[job->note_count];
    job->note_count++;
}

static int open_side(struct side *side, struct rig_err *err)
{
    const struct fit_options options = {.degree = -1};
    for (size_t i = 0; i < side->count; i++) {
        side->recordings[i] = recording_open(side->folders[i], err);
        if (!side->recordings[i])
            return err->code;
        side->fits[i] = calloc(1, sizeof *side->fits[i]);
        if (!side->fits[i])
            return rig_fail_memory(err, "a fit");
        int code = fit_recording(side->fits[i], side->recordings[i], &options, err);
        if (code)
            return code;
        side->named[i] = (struct compare_named){.folder = side->folders[i],
                                                .facts = recording_facts(side->recordings[i])};
    }
    return RIG_OK;
}

static void close_side(struct side *side)
{
    for (size_t i = 0; i < side->count; i++) {
        if (side->fits[i])
            fit_free(side->fits[i]);
        free(side->fits[i]);
        recording_free(side->recordings[i]);
    }
}

/* ---- can they be compared? ---- */

/* Calls one for every recording but the first of `before`, which all are held against. */
static bool all_alike(const struct job *job,
                      bool alike(const struct recording *, const struct recording *))
{
    const struct recording *first = job->before.recordings[0];
    bool same = true;
    for (size_t i = 0; i < job->before.count; i++)
        same = same && alike(first, job->before.recordings[i]);
    for (size_t i = 0; i < job->after.count; i++)
        same = same && alike(first, job->after.recordings[i]);
    return same;
}

static bool same_plan(const struct recording *a, const struct recording *b)
{
    return plan_fingerprint(recording_plan(a)) == plan_fingerprint(recording_plan(b));
}

static bool same_rig(const struct recording *a, const struct recording *b)
{
    return strcmp(recording_facts(a)->rig_text, recording_facts(b)->rig_text) == 0;
}

static bool same_tie(const struct recording *a, const struct recording *b)
{
    return strcmp(recording_rig(a)->axis.speaks, recording_rig(b)->axis.speaks) == 0;
}

static bool same_water(const struct recording *a, const struct recording *b)
{
    double x = recording_facts(a)->water_degc, y = recording_facts(b)->water_degc;
    return !isfinite(x) || !isfinite(y) || fabs(x - y) <= WATER_WITHIN_DEGC;
}

static bool water_known(const struct recording *a, const struct recording *b)
{
    return isfinite(recording_facts(a)->water_degc) && isfinite(recording_facts(b)->water_degc);
}

static bool same_board(const struct recording *a, const struct recording *b)
{
    return strcmp(recording_facts(a)->board, recording_facts(b)->board) == 0;
}

static bool both_whole(const struct recording *a, const struct recording *b)
{
    return recording_state(a) == RUN_COMPLETE && recording_state(b) == RUN_COMPLETE;
}

static void look_for_obstacles(struct job *job, struct compare_options *options)
{
    options->same_plan = all_alike(job, same_plan);
    options->same_rig = all_alike(job, same_rig);
    if (!options->same_plan)
        note(job, "The profiles move the water otherwise, so passes can't be paired: results are "
                  "compared as wholes, and lags of other depths and speeds may differ by "
                  "themselves. Curve and straightness can be compared where they cover the same "
                  "depths.");
    if (!options->same_rig)
        note(job, "The rig files differ, so nothing cancels that the rig decides (backlash, steps, "
                  "delay of the board's line): the intervals are wider for it.");
    if (!all_alike(job, same_tie))
        note(job, "The axes speak otherwise, so they are tied to the computer's clock otherwise: "
                  "lags and dead times hold two ties; lag falling less lag rising, time "
                  "constants, hysteresis and the curve don't need one.");
    if (!all_alike(job, same_water))
        note(job,
             "The water's temperatures differ by more than %g degC: viscosity, and with it "
             "what clings, changes by some 2.5 %% a degree. Curve and straightness can "
             "still be compared where the board doesn't feel temperature.",
             WATER_WITHIN_DEGC);
    else if (!all_alike(job, water_known))
        note(job, "Not every recording says how warm the water was (run --water-temperature), so "
                  "a difference may be the water's.");
    if (!all_alike(job, same_board))
        note(job, "The boards are not the same, so what differs may be the board.");
    if (!all_alike(job, both_whole))
        note(job, "Not every recording is complete: passes that are missing on one side are left "
                  "out.");
}

/* ---- output ---- */

static int write_page(const struct compare_input *input, const char *path, struct rig_err *err)
{
    struct text page = {0};
    int code = compare_html(&page, input, err);
    if (!code)
        code = file_replace(path, page.bytes, page.size, err);
    text_free(&page);
    return code;
}

static int print_json(const struct compare_input *input, struct rig_err *err)
{
    json_t *object = compare_json(input);
    char *json = object ? json_dumps(object, JSON_INDENT(2) | JSON_REAL_PRECISION(15)) : NULL;
    int code = json ? RIG_OK : rig_fail_memory(err, "a comparison");
    if (!code && (puts(json) < 0 || fflush(stdout)))
        code = rig_fail(err, RIG_EOS, "standard output: can't be written");
    free(json);
    json_decref(object);
    return code;
}

static int print_text(const struct compare_input *input, const char *page, struct rig_err *err)
{
    struct text text = {0};
    compare_text(&text, input);
    text_format(&text, "Page: %s\n", page);
    int code = text_failed(&text) ? rig_fail_memory(err, "a comparison") : RIG_OK;
    if (!code && (fputs(text.bytes, stdout) < 0 || fflush(stdout)))
        code = rig_fail(err, RIG_EOS, "standard output: can't be written");
    text_free(&text);
    return code;
}

static int carry_out(struct job *job, struct rig_err *err)
{
    int code = open_side(&job->before, err);
    if (!code)
        code = open_side(&job->after, err);
    if (code)
        return code;
    const struct compare_side before = {(const struct fit *const *)job->before.fits,
                                        job->before.count},
                              after = {(const struct fit *const *)job->after.fits,
                                       job->after.count};
    struct compare_options options = {0};
    struct comparison comparison = {0};
    look_for_obstacles(job, &options);
    code = compare_fits(&comparison, &before, &after, &options, err);
    if (code)
        return code;
    const struct compare_input input = {.comparison = &comparison,
                                        .before = &before,
                                        .after = &after,
                                        .before_named = job->before.named,
                                        .after_named = job->after.named,
                                        .warnings = job->note_texts,
                                        .warning_count = job->note_count};
    code = write_page(&input, job->out, err);
    if (!code)
        code = job->json ? print_json(&input, err) : print_text(&input, job->out, err);
    comparison_free(&comparison);
    return code;
}

/* 0, or an exit status once the user has been told; -1: help was printed. */
static int read_arguments(int argc, char **argv, struct job *job)
{
    struct side *side = &job->after;
    for (int i = 1; i < argc; i++) {
        const char *argument = argv[i];
        if (strcmp(argument, "--help") == 0 || strcmp(argument, "-h") == 0) {
            fputs(usage, stdout);
            return -1;
        } else if (strcmp(argument, "--json") == 0) {
            job->json = true;
        } else if (strcmp(argument, "--against") == 0) {
            side = &job->before;
        } else if (strcmp(argument, "--out") == 0) {
            if (i + 1 == argc)
                return command_usage("compare", "--out needs a value");
            job->out = argv[++i];
        } else if (argument[0] == '-') {
            return command_usage("compare", "'%s' is no option of compare", argument);
        } else if (side->count == SIDE_LIMIT) {
            return command_usage("compare", "more than %d recordings on one side", SIDE_LIMIT);
        } else {
            side->folders[side->count++] = argument;
        }
    }
    if (!job->after.count)
        return command_usage("compare", "which recording?");
    if (!job->before.count)
        return command_usage("compare", "against which recording? --against is missing");
    return 0;
}

int command_compare(int argc, char **argv)
{
    struct job *job = calloc(1, sizeof *job);
    struct rig_err err = {0};
    if (!job) {
        rig_fail_memory(&err, "a comparison");
        return command_error(&err);
    }
    job->out = "comparison.html";
    int status = read_arguments(argc, argv, job);
    if (status == 0)
        status = carry_out(job, &err) ? command_error(&err) : 0;
    close_side(&job->before);
    close_side(&job->after);
    free(job);
    return status < 0 ? 0 : status;
}
