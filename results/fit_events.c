/* SPDX-License-Identifier: GPL-3.0-or-later
 * What happened besides, on the axis of time: the phases of the run as bands, and each
 * kind of event as a row of points with their number. */
#include "results/fit_watch.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { KIND_LIMIT = 14 }; /* further kinds share the last row */

struct kinds {
    char name[KIND_LIMIT][24];
    size_t events[KIND_LIMIT], count;
};

static size_t kind_of(struct kinds *kinds, const char *name)
{
    size_t k = 0;
    while (k < kinds->count && strcmp(kinds->name[k], name) != 0)
        k++;
    if (k == kinds->count && kinds->count < KIND_LIMIT) {
        const char *shown = kinds->count == KIND_LIMIT - 1 ? "other" : name;
        snprintf(kinds->name[kinds->count++], sizeof kinds->name[0], "%s", shown);
    }
    return k < KIND_LIMIT ? k : KIND_LIMIT - 1;
}

static bool is_phase(const struct event_row *row)
{
    return strcmp(row->kind, "phase") == 0;
}

/* A phase lasts until the next one, the last until the last event. */
static int add_phases(struct figure *figure, const struct event_row rows[], size_t count,
                      double unit_s, struct rig_err *err)
{
    for (size_t i = 0; i < count; i++) {
        bool seen = !is_phase(&rows[i]);
        for (size_t k = 0; k < i && !seen; k++)
            seen = is_phase(&rows[k]) && strcmp(rows[k].text, rows[i].text) == 0;
        if (seen)
            continue;
        size_t times = 0;
        for (size_t k = i; k < count; k++)
            times += is_phase(&rows[k]) && strcmp(rows[k].text, rows[i].text) == 0;
        struct figure_series *series =
            figure_series_add(figure, rows[i].text, FIGURE_SPANS, 2 * times, false, err);
        if (!series)
            return err->code;
        size_t at = 0;
        for (size_t k = i; k < count; k++) {
            if (!is_phase(&rows[k]) || strcmp(rows[k].text, rows[i].text) != 0)
                continue;
            size_t next = k + 1;
            while (next < count && !is_phase(&rows[next]))
                next++;
            double end_s = next < count ? rows[next].t_s : rows[count - 1].t_s;
            series->x[at] = rows[k].t_s / unit_s;
            series->x[at + 1] = fmax(end_s, rows[k].t_s) / unit_s;
            at += 2;
        }
    }
    return RIG_OK;
}

static int add_rows(struct figure *figure, const struct kinds *kinds, struct rig_err *err)
{
    int code = figure_row_add(figure, "phase of the run", err);
    for (size_t k = 0; !code && k < kinds->count; k++) {
        char name[FIGURE_TEXT_SIZE];
        snprintf(name, sizeof name, "%s (%zu)", kinds->name[k], kinds->events[k]);
        code = figure_row_add(figure, name, err);
    }
    return code;
}

static int add_events(struct figure *figure, struct kinds *kinds, const struct event_row rows[],
                      size_t count, double unit_s, struct rig_err *err)
{
    size_t events = 0, at = 0;
    for (size_t k = 0; k < kinds->count; k++)
        events += kinds->events[k];
    struct figure_series *series =
        events ? figure_series_add(figure, "events", FIGURE_POINTS, events, false, err) : NULL;
    if (events && !series)
        return err->code;
    for (size_t i = 0; i < count && events; i++)
        if (!is_phase(&rows[i])) {
            series->x[at] = rows[i].t_s / unit_s;
            series->y[at++] = 1 + (double)kind_of(kinds, rows[i].kind);
        }
    return RIG_OK;
}

double fit_time_unit(double span_s, const char **name)
{
    *name = span_s > 3 * 3600 ? "h" : span_s > 300 ? "min" : "s";
    return span_s > 3 * 3600 ? 3600 : span_s > 300 ? 60 : 1;
}

static int by_time(const void *a, const void *b)
{
    double x = ((const struct event_row *)a)->t_s, y = ((const struct event_row *)b)->t_s;
    return (x > y) - (x < y);
}

/* Where rows of a source are missing is an event too, though nobody noticed it at the time. */
static int add_gaps(const struct fit_work *work, struct event_row **rows, size_t *count,
                    struct rig_err *err)
{
    size_t gaps = 0;
    for (size_t s = 0; s < work->rig->source_count; s++)
        gaps += (size_t)fmin((double)work->watches[s]->gap_count, ROW_WATCH_GAPS);
    if (gaps == 0)
        return RIG_OK;
    struct event_row *larger = realloc(*rows, (*count + gaps) * sizeof *larger);
    if (!larger)
        return rig_fail_memory(err, "the events of a recording");
    *rows = larger;
    for (size_t s = 0; s < work->rig->source_count; s++)
        for (uint64_t i = 0; i < work->watches[s]->gap_count && i < ROW_WATCH_GAPS; i++)
            larger[(*count)++] =
                (struct event_row){.t_s = work->watches[s]->gaps[i].from_s, .kind = "rows missing"};
    qsort(larger, *count, sizeof *larger, by_time);
    return RIG_OK;
}

int fit_events(struct fit_work *work, struct rig_err *err)
{
    struct event_row *rows = NULL;
    size_t count = 0;
    struct scan_report report = {0};
    struct kinds kinds = {0};
    /* Without events (an old or damaged table) there is nothing to draw, and no harm. */
    if (recording_event_rows(work->recording, &rows, &count, &report, err))
        return err->code == RIG_EMEMORY ? (int)err->code : RIG_OK;
    int code = add_gaps(work, &rows, &count, err);
    if (code || count == 0) {
        recording_event_rows_free(rows, count);
        return code;
    }
    if (report.malformed)
        fit_warn(work->fit, "events.csv: %llu malformed rows were passed over.",
                 (unsigned long long)report.malformed);
    for (size_t i = 0; i < count; i++)
        if (!is_phase(&rows[i]))
            kinds.events[kind_of(&kinds, rows[i].kind)]++;
    const char *unit;
    double unit_s = fit_time_unit(rows[count - 1].t_s, &unit);
    char label[FIGURE_TEXT_SIZE];
    snprintf(label, sizeof label, "time since the run began, %s", unit);
    struct figure *figure = figure_add(&work->fit->figures, "events", "What happened when", label,
                                       "kind of event", err);
    code = figure ? add_rows(figure, &kinds, err) : (int)err->code;
    if (!code) {
        snprintf(figure->sentence, sizeof figure->sentence,
                 "The phases of the run as bands, and below them every event, one row a kind, with "
                 "how often it came; events.csv has the words of those that were noticed.");
        code = add_phases(figure, rows, count, unit_s, err);
    }
    if (!code)
        code = add_events(figure, &kinds, rows, count, unit_s, err);
    recording_event_rows_free(rows, count);
    return code;
}
