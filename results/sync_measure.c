/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "results/sync_measure.h"

#include "results/board_clock.h"
#include "results/fit.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static int take_rows(void *context, const struct row_batch *batch, struct rig_err *err)
{
    (void)err;
    for (size_t r = 0; r < batch->rows; r++)
        board_clock_add(context, batch->values[0][r], batch->values[1][r]);
    return RIG_OK;
}

static int measure_board(struct sync *sync, struct result_list *results,
                         const struct recording *recording, size_t source, struct rig_err *err)
{
    const struct rig_source *board = &recording_rig(recording)->sources[source];
    char name[RESULT_NAME_SIZE], title[RESULT_TEXT_SIZE];
    struct scan_report report = {0};
    struct board_clock_fit fit;
    if (!recording_has_clock(board))
        return RIG_OK;
    struct board_clock *clock = malloc(sizeof *clock);
    if (!clock)
        return rig_fail_memory(err, "a board's clock");
    /* One window, longer than the run, of which its blocks are then pieces. */
    board_clock_init(clock, 1.2 * plan_duration_s(recording_plan(recording)) + 60);
    int code = recording_scan(recording, source, take_rows, clock, &report, err);
    bool known = !code && board_clock_fit(clock, &fit);
    free(clock);
    if (code)
        return code;
    snprintf(name, sizeof name, "clock_skew_%.40s", board->name);
    snprintf(title, sizeof title, "Clock of the board of '%.60s' against the computer's",
             board->name);
    struct result *result = result_add(results, name, title, "ppm", err);
    if (!result)
        return err->code;
    size_t at = sync->source_count++;
    snprintf(sync->sources[at].name, sizeof sync->sources[at].name, "%s", board->name);
    sync->sources[at].skew_ppm = (struct sync_value){NAN, NAN};
    if (!known) {
        result_refuse(result, "too few rows with a time of the board's own");
        return RIG_OK;
    }
    /* The sign flips here: a host second is (1 + skew) device seconds where the board is slow. */
    sync->sources[at].skew_ppm = (struct sync_value){-1e6 * fit.skew, 1e6 * fit.skew_u};
    result_set(result, -1e6 * fit.skew, 1e6 * fit.skew_u, INFINITY, "line under the quickest rows");
    return RIG_OK;
}

static struct sync_value value_of(const struct result *result)
{
    return (struct sync_value){result->value, result->standard_uncertainty};
}

int sync_measure(struct sync *sync, struct result_list *results, char tied[RESULT_TEXT_SIZE],
                 const struct recording *recording, struct rig_err *err)
{
    static const char *const names[] = {"start_delay", "start_delay_spread", "backlash",
                                        "axis_clock_skew"};
    struct sync_value values[sizeof names / sizeof names[0]];
    struct fit fit = {0};
    int code = fit_recording(&fit, recording, &(struct fit_options){.degree = -1}, err);
    for (size_t i = 0; !code && i < sizeof names / sizeof names[0]; i++) {
        const struct result *found = result_find(&fit.results, names[i]);
        struct result *copy =
            found ? result_add(results, found->name, found->title, found->unit, err) : NULL;
        if (!copy)
            code = found ? (int)err->code : rig_fail(err, RIG_EBUG, "no result '%s'", names[i]);
        else
            *copy = *found;
        if (copy)
            values[i] = value_of(found);
    }
    const struct result *tie = code ? NULL : result_find(&fit.results, "clock_tie");
    snprintf(tied, RESULT_TEXT_SIZE, "%s",
             tie && strncmp(tie->method, "tied by ", 8) == 0 ? tie->method + 8 : "nothing");
    fit_free(&fit);
    if (code)
        return code;
    *sync = (struct sync){.start_delay_s = values[0],
                          .spread_s = values[1].value,
                          .backlash_mm = values[2],
                          .skew_ppm = values[3]};
    for (size_t s = 0; !code && s < recording_rig(recording)->source_count; s++)
        code = measure_board(sync, results, recording, s, err);
    return code;
}
