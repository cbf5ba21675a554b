/* SPDX-License-Identifier: GPL-3.0-or-later
 * wetsweep curve of recordings: a board's, or that of all boards of a revision. */
#include "curve_parts.h"

#include "base/file.h"
#include "base/text.h"
#include "results/fit.h"
#include "results/ledger.h"
#include "results/recording.h"
#include "results/revision.h"
#include "rig/ledger_place.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { NOTE_LIMIT = 4, NOTE_SIZE = 320 };

struct one {
    const char *folder;
    struct recording *recording;
    struct fit fit;
    const struct run_facts *facts;
    char sha256[65];
};

struct job {
    struct ledger_list list; /* owns the folders' names where a ledger gave them */
    struct one *ones;
    size_t count;
    /* Boards with their fits, in the order of their first recordings. */
    struct revision_board *boards;
    const struct fit **fits;
    const char **names;
    size_t board_count;
    char notes[NOTE_LIMIT][NOTE_SIZE];
    const char *note_texts[NOTE_LIMIT];
    size_t note_count;
};

static void note(struct job *job, const char *text)
{
    if (job->note_count == NOTE_LIMIT)
        return;
    snprintf(job->notes[job->note_count], NOTE_SIZE, "%s", text);
    job->note_texts[job->note_count] = job->notes[job->note_count];
    job->note_count++;
}

/* The folders from the command line, or those that the ledger has for the filter. */
static int find_recordings(struct job *job, const struct curve_wish *wish, struct rig_err *err)
{
    if (wish->folder_count) {
        job->ones = calloc(wish->folder_count, sizeof *job->ones);
        if (!job->ones)
            return rig_fail_memory(err, "the recordings");
        for (size_t i = 0; i < wish->folder_count; i++)
            job->ones[job->count++].folder = wish->folders[i];
        return RIG_OK;
    }
    const struct ledger_filter filter = {
        .board = wish->board, .revision = wish->revision, .coating = wish->coating};
    struct text notice = {0};
    int code = ledger_recordings(&job->list, wish->ledger, &filter, &notice, err);
    if (notice.size)
        fprintf(stderr, "wetsweep: %s", notice.bytes);
    text_free(&notice);
    if (code)
        return code;
    if (!job->list.count)
        return rig_fail(err, RIG_EINPUT,
                        "%s: has no such recordings (%zu in all); 'wetsweep ledger list' shows "
                        "which boards, revisions and coatings it knows",
                        wish->ledger, job->list.seen);
    job->ones = calloc(job->list.count, sizeof *job->ones);
    if (!job->ones)
        return rig_fail_memory(err, "the recordings");
    for (size_t i = 0; i < job->list.count; i++)
        job->ones[job->count++].folder = job->list.entries[i].folder;
    return RIG_OK;
}

static int fit_one(struct one *one, const struct curve_wish *wish, struct rig_err *err)
{
    const struct fit_options options = {.degree =
                                            wish->options.degree ? (int)wish->options.degree : -1};
    one->recording = recording_open(one->folder, err);
    if (!one->recording)
        return err->code;
    one->facts = recording_facts(one->recording);
    int code = fit_recording(&one->fit, one->recording, &options, err);
    char *path = code ? NULL : file_join(one->folder, "run.json");
    if (!code && !path)
        code = rig_fail_memory(err, "a path");
    if (!code)
        code = file_sha256(path, one->sha256, err);
    free(path);
    return code;
}

static int group_by_board(struct job *job, struct rig_err *err)
{
    job->boards = calloc(job->count, sizeof *job->boards);
    job->fits = calloc(job->count, sizeof(void *));
    job->names = calloc(job->count, sizeof *job->names);
    if (!job->boards || !job->fits || !job->names)
        return rig_fail_memory(err, "the boards");
    size_t used = 0;
    for (size_t i = 0; i < job->count; i++) {
        const char *board = job->ones[i].facts->board;
        bool seen = false;
        for (size_t b = 0; b < job->board_count; b++)
            seen |= strcmp(job->names[b], board) == 0;
        if (seen)
            continue;
        struct revision_board *made = &job->boards[job->board_count];
        *made = (struct revision_board){.board = board, .fits = &job->fits[used]};
        job->names[job->board_count++] = board;
        for (size_t k = i; k < job->count; k++)
            if (strcmp(job->ones[k].facts->board, board) == 0) {
                job->fits[used++] = &job->ones[k].fit;
                made->count++;
            }
    }
    return RIG_OK;
}

static const char *unit_of(const struct one *one)
{
    const struct rig *rig = recording_rig(one->recording);
    for (size_t s = 0; s < rig->source_count; s++)
        for (size_t c = 0; c < rig->sources[s].channel_count; c++)
            if (rig->sources[s].channels[c].role == ROLE_SENSOR)
                return rig->sources[s].channels[c].unit;
    return "";
}

static void look_for_obstacles(struct job *job)
{
    bool revisions = false, coatings = false, units = false;
    for (size_t i = 1; i < job->count; i++) {
        revisions |= strcmp(job->ones[i].facts->revision, job->ones[0].facts->revision) != 0;
        coatings |= strcmp(job->ones[i].facts->coating, job->ones[0].facts->coating) != 0;
        units |= strcmp(unit_of(&job->ones[i]), unit_of(&job->ones[0])) != 0;
    }
    if (revisions)
        note(job, "The recordings are of different revisions; the curve is of all of them.");
    if (coatings)
        note(job, "The recordings are of different coatings; what coatings differ by counts as a "
                  "spread of boards.");
    if (units)
        note(job, "The readings are in different units, as the rig files have them; make them "
                  "alike.");
}

/* ---- output ---- */

static int firmware_of(const struct job *job, const struct revision *revision,
                       const struct curve_wish *wish, const char *name, struct rig_err *err)
{
    struct firmware_source *sources = calloc(job->count, sizeof *sources);
    if (!sources)
        return rig_fail_memory(err, "the table's sources");
    for (size_t i = 0; i < job->count; i++) {
        const char *slash = strrchr(job->ones[i].folder, '/');
        sources[i] = (struct firmware_source){
            .name = slash && slash[1] ? slash + 1 : job->ones[i].folder,
            .board = job->ones[i].facts->board,
            .revision = job->ones[i].facts->revision,
            .coating = job->ones[i].facts->coating,
            .started = job->ones[i].facts->started,
            .sha256 = job->ones[i].sha256,
        };
    }
    struct firmware_facts facts = {.revision = name,
                                   .unit = unit_of(&job->ones[0]),
                                   .sources = sources,
                                   .source_count = job->count};
    int code = curve_table(&revision->curve, wish, &facts, err);
    free(sources);
    return code;
}

static int answers(struct text *out, const struct revision *revision, const struct curve_wish *wish,
                   json_t *json, struct rig_err *err)
{
    if (!isnan(wish->depth_of)) {
        double depth, u;
        int code = curve_depth(&revision->curve, wish->depth_of, isnan(wish->u) ? 0 : wish->u,
                               &depth, &u, err);
        if (code)
            return code;
        text_format(out, "\n%.9g stands for %.6g mm, standard uncertainty %.2g mm\n",
                    wish->depth_of, depth, u);
        if (json && json_object_set_new(json, "depth_of",
                                        json_pack("{s:f, s:f, s:f}", "reading", wish->depth_of,
                                                  "depth", depth, "standard_uncertainty", u)))
            return rig_fail_memory(err, "the answer");
    }
    if (!isnan(wish->reading_at)) {
        double reading = curve_value(&revision->curve, wish->reading_at);
        double u =
            curve_reading_u(&revision->curve, wish->reading_at, isnan(wish->u) ? 0 : wish->u);
        text_format(out, "\n%.6g mm gives %.9g, standard uncertainty %.2g\n", wish->reading_at,
                    reading, u);
        if (json && json_object_set_new(json, "reading_at",
                                        json_pack("{s:f, s:f, s:f}", "depth", wish->reading_at,
                                                  "reading", reading, "standard_uncertainty", u)))
            return rig_fail_memory(err, "the answer");
    }
    return RIG_OK;
}

static int print(const struct revision *revision, const struct revision_words *words,
                 const struct curve_wish *wish, struct rig_err *err)
{
    struct text text = {0};
    json_t *json = wish->json ? revision_json(revision, words) : NULL;
    int code = wish->json && !json ? rig_fail_memory(err, "the curve") : RIG_OK;
    if (!code)
        revision_text(&text, revision, words);
    if (!code)
        code = answers(&text, revision, wish, json, err);
    char *bytes = !code && json ? json_dumps(json, JSON_INDENT(2) | JSON_REAL_PRECISION(15)) : NULL;
    if (!code && (text_failed(&text) || (json && !bytes)))
        code = rig_fail_memory(err, "the curve");
    if (!code && (fputs(bytes ? bytes : text.bytes, stdout) < 0 || (bytes && puts("") < 0)))
        code = rig_fail(err, RIG_EOS, "standard output: can't be written");
    free(bytes);
    json_decref(json);
    text_free(&text);
    return code;
}

static int write_page(const struct revision *revision, const struct revision_words *words,
                      const char *path, struct rig_err *err)
{
    struct text page = {0};
    int code = revision_html(&page, revision, words, err);
    if (!code)
        code = file_replace(path, page.bytes, page.size, err);
    text_free(&page);
    return code;
}

static int tell(struct job *job, const struct curve_wish *wish, struct rig_err *err)
{
    struct revision revision = {0};
    const char *name = wish->revision ? wish->revision : job->ones[0].facts->revision;
    int code = revision_make(&revision, job->boards, job->board_count, wish->options.degree,
                             wish->table.error_mm, err);
    if (code)
        return code;
    const struct revision_words words = {.revision = name,
                                         .unit = unit_of(&job->ones[0]),
                                         .boards = job->names,
                                         .warnings = job->note_texts,
                                         .warning_count = job->note_count};
    if (wish->form)
        code = firmware_of(job, &revision, wish, name, err);
    else
        code = print(&revision, &words, wish, err);
    if (!code && wish->page)
        code = write_page(&revision, &words, wish->page, err);
    revision_free(&revision);
    return code;
}

int curve_of_recordings(const struct curve_wish *wish, struct rig_err *err)
{
    struct job job = {0};
    int code = find_recordings(&job, wish, err);
    for (size_t i = 0; !code && i < job.count; i++)
        code = fit_one(&job.ones[i], wish, err);
    if (!code)
        code = group_by_board(&job, err);
    if (!code)
        look_for_obstacles(&job);
    if (!code)
        code = tell(&job, wish, err);
    for (size_t i = 0; i < job.count; i++) {
        fit_free(&job.ones[i].fit);
        recording_free(job.ones[i].recording);
    }
    free(job.ones);
    free(job.boards);
    free(job.fits);
    free(job.names);
    ledger_list_free(&job.list);
    return code;
}
