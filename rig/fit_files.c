/* SPDX-License-Identifier: GPL-3.0-or-later
 * What a fit leaves in the recording's folder. */
#include "rig/fit_files.h"

#include "base/file.h"
#include "base/text.h"
#include "results/report.h"
#include "results/result_json.h"

#include <jansson.h>

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static int save(const char *folder, const char *name, const char *bytes, size_t size,
                struct rig_err *err)
{
    char *path = file_join(folder, name);
    if (!path)
        return rig_fail_memory(err, "a path");
    int code = file_replace(path, bytes, size, err);
    free(path);
    return code;
}

/* Who and what, so that results.json can stand alone. */
static json_t *head_of(const struct fit *fit, const struct recording *recording)
{
    const struct run_facts *facts = recording_facts(recording);
    json_t *warnings = json_array();
    for (size_t i = 0; warnings && i < fit->warning_count; i++)
        if (json_array_append_new(warnings, json_string(fit->warnings[i])))
            break;
    json_t *levels = json_array();
    for (size_t i = 0; levels && i < fit->level_count; i++)
        if (json_array_append_new(levels, json_real(fit->levels_mm[i])))
            break;
    json_t *curve = isfinite(fit->low_mm) ? json_pack("{s:f, s:f, s:o}", "low_mm", fit->low_mm,
                                                      "high_mm", fit->high_mm, "levels_mm", levels)
                                          : json_null();
    if (!isfinite(fit->low_mm))
        json_decref(levels);
    return json_pack("{s:o, s:s, s:s, s:s, s:s, s:s, s:s, s:s, s:s, s:I, s:I, s:o}", "curve", curve,
                     "slow_link", fit->slow_link, "board", facts->board, "revision",
                     facts->revision, "coating", facts->coating, "note", facts->note, "started",
                     facts->started, "run_state", run_state_name(recording_state(recording)),
                     "version", WETSWEEP_VERSION, "rows", (json_int_t)fit->rows, "malformed_rows",
                     (json_int_t)fit->malformed, "warnings", warnings);
}

static int write_results(const struct fit *fit, const struct recording *recording,
                         struct rig_err *err)
{
    json_t *head = head_of(fit, recording);
    if (!head)
        return rig_fail_memory(err, "results.json");
    char *json = result_list_json(&fit->results, head, err);
    json_decref(head);
    if (!json)
        return err->code;
    int code = save(recording_folder(recording), "results.json", json, strlen(json), err);
    free(json);
    return code;
}

static int write_report(const struct fit *fit, const struct recording *recording,
                        struct rig_err *err)
{
    const struct run_facts *facts = recording_facts(recording);
    const char *warnings[FIT_WARNING_LIMIT];
    char title[256];
    for (size_t i = 0; i < fit->warning_count; i++)
        warnings[i] = fit->warnings[i];
    snprintf(title, sizeof title, "Board %.80s, revision %.40s%s%.80s", facts->board,
             facts->revision, *facts->coating ? ", coating: " : "", facts->coating);
    struct report_input input = {
        .title = title,
        .facts = facts,
        .state = run_state_name(recording_state(recording)),
        .state_reason =
            recording_state(recording) == RUN_COMPLETE ? "" : recording_state_reason(recording),
        .results = &fit->results,
        .figures = &fit->figures,
        .low_mm = fit->low_mm,
        .high_mm = fit->high_mm,
        .warnings = warnings,
        .warning_count = fit->warning_count,
        .plot_script = report_dygraphs_script,
        .plot_style = report_dygraphs_style,
    };
    struct text page = {0};
    int code = report_html(&page, &input, err);
    if (!code)
        code = save(recording_folder(recording), "report.html", page.bytes, page.size, err);
    text_free(&page);
    return code;
}

int fit_write(const struct fit *fit, const struct recording *recording, struct rig_err *err)
{
    int code = write_results(fit, recording, err);
    return code ? code : write_report(fit, recording, err);
}
