/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "rig/run_summary.h"

#include "base/text.h"

#include <jansson.h>

#include <stdarg.h>
#include <stdio.h>

static const double GAPS_OF_MEASURING = 0.01;

static void add(struct run_summary *summary, const char *format, ...)
    __attribute__((format(printf, 2, 3)));

static void add(struct run_summary *summary, const char *format, ...)
{
    va_list arguments;
    if (summary->reason_count == sizeof summary->reasons / sizeof summary->reasons[0])
        return;
    va_start(arguments, format);
    vsnprintf(summary->reasons[summary->reason_count++], sizeof summary->reasons[0], format,
              arguments);
    va_end(arguments);
}

static const char *plural(uint64_t count)
{
    return count == 1 ? "" : "s";
}

static void judge_strokes(struct run_summary *summary, const struct bench_end *end, bool *part)
{
    const struct supervisor_tally *run = &end->run;
    if (run->whole < run->planned && end->state == RUN_COMPLETE) {
        add(summary, "%llu of %llu strokes were measured, the rest left out as asked",
            (unsigned long long)run->whole, (unsigned long long)run->planned);
    } else if (run->whole < run->planned) {
        *part = true;
        add(summary, "%llu of %llu strokes were measured; the run was %s before its end",
            (unsigned long long)run->whole, (unsigned long long)run->planned,
            run_state_name(end->state));
    } else {
        add(summary, "all %llu strokes were measured whole", (unsigned long long)run->planned);
    }
    if (run->interruptions)
        add(summary, "%llu interruption%s, %llu stroke%s run again, %.0f s lost",
            (unsigned long long)run->interruptions, plural(run->interruptions),
            (unsigned long long)run->repeated, plural(run->repeated), run->lost_s);
}

static void judge_rows(struct run_summary *summary, const struct bench_end *end, bool *part)
{
    char longest[32];
    for (size_t i = 0; i < end->source_count; i++) {
        const struct source_tally *source = &end->sources[i];
        if (source->gaps == 0)
            continue;
        bool much = source->gap_s > GAPS_OF_MEASURING * end->run.measuring_s;
        *part = *part || much;
        add(summary, "source '%s': %llu gap%s while measuring, %.1f s in all, the longest %s%s",
            source->name, (unsigned long long)source->gaps, plural(source->gaps), source->gap_s,
            text_duration(longest, source->longest_gap_s), much ? ", more than a hundredth" : "");
    }
    if (end->view.lost) {
        *part = true;
        add(summary, "%llu records were lost: the disk was too slow",
            (unsigned long long)end->view.lost);
    }
    if (end->view.malformed)
        add(summary, "%llu malformed line%s passed over", (unsigned long long)end->view.malformed,
            plural(end->view.malformed));
    if (end->view.resends)
        add(summary, "the axis asked %llu time%s for lines again",
            (unsigned long long)end->view.resends, plural(end->view.resends));
}

void run_summary_make(struct run_summary *summary, const struct bench_end *end)
{
    bool part = false;
    *summary = (struct run_summary){0};
    if (end->run.whole == 0)
        add(summary, "no stroke was measured whole");
    if (end->source_count && end->view.rows == 0)
        add(summary, "nothing was read");
    bool none = summary->reason_count > 0;
    if (!none)
        judge_strokes(summary, end, &part);
    judge_rows(summary, end, &part);
    summary->usable = none ? USABLE_NO : part ? USABLE_IN_PART : USABLE_YES;
    summary->word = none ? "no" : part ? "in part" : "yes";
}

static json_t *list_sources(const struct bench_end *end)
{
    json_t *list = json_array();
    for (size_t i = 0; list && i < end->source_count; i++) {
        const struct source_tally *source = &end->sources[i];
        json_array_append_new(list, json_pack("{s:s, s:I, s:I, s:I, s:f, s:f}", "name",
                                              source->name, "rows", (json_int_t)source->rows,
                                              "malformed", (json_int_t)source->malformed, "gaps",
                                              (json_int_t)source->gaps, "gap_s", source->gap_s,
                                              "longest_gap_s", source->longest_gap_s));
    }
    return list;
}

char *run_summary_json(const struct run_summary *summary, const struct bench_end *end)
{
    const struct supervisor_tally *run = &end->run;
    json_t *reasons = json_array();
    for (size_t i = 0; reasons && i < summary->reason_count; i++)
        json_array_append_new(reasons, json_string(summary->reasons[i]));
    json_t *root = json_pack(
        "{s:s, s:o, s:I, s:I, s:I, s:I, s:f, s:f, s:I, s:I, s:o}", "usable", summary->word,
        "reasons", reasons, "strokes_planned", (json_int_t)run->planned, "strokes_whole",
        (json_int_t)run->whole, "strokes_repeated", (json_int_t)run->repeated, "interruptions",
        (json_int_t)run->interruptions, "measuring_s", run->measuring_s, "lost_s", run->lost_s,
        "records_lost", (json_int_t)end->view.lost, "resends", (json_int_t)end->view.resends,
        "sources", list_sources(end));
    char *text = root ? json_dumps(root, JSON_COMPACT | JSON_REAL_PRECISION(9)) : NULL;
    json_decref(root);
    return text;
}
