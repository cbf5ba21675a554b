/* SPDX-License-Identifier: GPL-3.0-or-later
 * What `wetsweep run` prints: the cautions, the plan in a few lines, one calm line of
 * progress (on a terminal over and over, elsewhere each 30 s), and the end. */
#include "rig/commands/run_parts.h"

#include "base/text.h"
#include "rig/host_clock.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static const int64_t PLAIN_LINE_NS = 30000000000, TERMINAL_LINE_NS = 200000000;

static const char plain[] = "\033[0m", yellow[] = "\033[33m", red[] = "\033[31m",
                  green[] = "\033[32m";

static const char *colour(const struct run_show *show, const char *code)
{
    return show->colour ? code : "";
}

void run_show_open(struct run_show *show, const struct plan *plan)
{
    const char *term = getenv("TERM"), *no_colour = getenv("NO_COLOR");
    memset(show, 0, sizeof *show);
    show->plan = plan;
    show->terminal = isatty(STDOUT_FILENO) && term && strcmp(term, "dumb") != 0;
    show->colour = show->terminal && !(no_colour && *no_colour);
    show->phase = PHASE_OVER;
}

void run_show_cautions(const struct run_show *show, bool simulated)
{
    if (simulated) {
        puts("Simulated bench in simulated time: no hardware moves.");
        return;
    }
    printf("%sWater, electricity and a moving axis on one bench:%s\n"
           "  Feed it from a low-voltage supply behind a residual-current device.\n"
           "  Keep electronics above the splash line; let cables hang in drip loops.\n"
           "  Keep hands and sleeves clear of the axis, and a hardware stop within reach:\n"
           "  the program's own stop is not a safety function.\n"
           "  Leave no unguarded heater and no mains in reach of the water alone overnight.\n"
           "Local codes and licensed practice decide. More: docs/safety.md\n",
           colour(show, yellow), colour(show, plain));
}

void run_show_plan(const struct inputs *inputs, const char *folder, bool goes_on)
{
    const struct plan *plan = inputs->plan;
    const struct plan_segment *segments = plan_segments(plan);
    const char *title = plan_title(plan);
    char duration[32];
    double deepest_mm = -INFINITY;
    for (size_t i = 0; i < plan_segment_count(plan); i++)
        deepest_mm = fmax(deepest_mm, fmax((double)segments[i].from_mm, (double)segments[i].to_mm));
    printf("\nPlan:      %s, %s, %zu segments in %zu strokes, down to %.1f mm\n",
           *title ? title : inputs->profile_path, text_duration(duration, plan_duration_s(plan)),
           plan_segment_count(plan), plan_stroke_count(plan), deepest_mm);
    if (inputs->sync_path)
        printf("Sync:      %s\n", inputs->sync_path);
    printf("Recording: %s%s\n\n", folder, goes_on ? ", gone on with" : "");
    fflush(stdout);
}

static void end_line(struct run_show *show)
{
    if (show->line_open)
        fputs("\r\033[K", stdout);
    show->line_open = false;
}

static void progress(struct run_show *show, const struct bench_view *view)
{
    const struct supervisor_view *run = &view->run;
    char line[320], left[32], reading[128] = "";
    if (run->phase != PHASE_MEASURE)
        return;
    if (isfinite(view->reading))
        snprintf(reading, sizeof reading, "  %s %.4g %s", view->reading_name, view->reading,
                 view->reading_unit);
    const struct plan_segment *segment =
        run->segment < run->segments ? &plan_segments(show->plan)[run->segment] : NULL;
    const char *way = !segment || segment->direction == 0 ? ""
                      : segment->direction > 0            ? " rising"
                                                          : " falling";
    snprintf(line, sizeof line, "%s left  segment %zu/%zu %s%s  depth %.1f mm%s",
             text_duration(left, ceil(run->left_s)), run->segment + 1, run->segments,
             segment ? segment_kind_name((enum segment_kind)segment->kind) : "", way, run->depth_mm,
             reading);
    if (show->terminal) {
        printf("\r%.79s\033[K", line); /* longer would wrap and scroll */
        show->line_open = true;
    } else {
        puts(line);
    }
}

/* What interrupts the run, once each time. */
static bool tell_trouble(struct run_show *show, const struct bench_view *view)
{
    const char *trouble = view->state == RUN_RUNNING ? view->why : "";
    if (strcmp(trouble, show->trouble) == 0)
        return false;
    snprintf(show->trouble, sizeof show->trouble, "%s", trouble);
    if (!trouble[0])
        return false;
    end_line(show);
    printf("%sInterrupted:%s %s\n", colour(show, yellow), colour(show, plain), trouble);
    return true;
}

void run_show_update(struct run_show *show, const struct bench_view *view)
{
    const struct rig_clock clock = host_clock();
    int64_t now_ns = rig_clock_now(&clock);
    bool news = tell_trouble(show, view);
    if (view->state == RUN_FAULTED && !show->cause_told) {
        end_line(show);
        printf("%sFault:%s %s\n", colour(show, red), colour(show, plain), view->why);
        show->cause_told = news = true;
    }
    if (view->stops > show->stops) {
        end_line(show);
        show->stops = view->stops;
        puts(view->stops == 1 ? "Stopping: the axis slows down and parks the board. Once more "
                                "(Ctrl-C) halts it at once."
                              : "Halting at once.");
        news = true;
    }
    if (view->run.phase != show->phase) {
        end_line(show);
        show->phase = view->run.phase;
        if (view->run.phase != PHASE_OVER)
            printf("%8.1f s  %s\n", view->t_s, run_phase_name(view->run.phase));
        if (view->run.phase == PHASE_GONE)
            printf(
                "%sTHE BOARD CAN'T BE LIFTED%s until the axis is back: it may be in the water, and "
                "the axis will move by itself\n"
                "once it answers again. Keep hands clear.\n",
                colour(show, red), colour(show, plain));
        news = true;
    }
    if (news || now_ns - show->told_ns >= (show->terminal ? TERMINAL_LINE_NS : PLAIN_LINE_NS)) {
        progress(show, view);
        show->told_ns = now_ns;
    }
    fflush(stdout);
}

static void show_summary(const struct run_show *show, const struct run_summary *summary)
{
    static const char *const colours[] = {
        [USABLE_NO] = red, [USABLE_IN_PART] = yellow, [USABLE_YES] = green};
    printf("%sUsable:%s    %s", colour(show, colours[summary->usable]), colour(show, plain),
           summary->word);
    for (size_t i = 0; i < summary->reason_count; i++)
        printf("%s%s", i ? "\n           " : ": ", summary->reasons[i]);
    puts("");
}

void run_show_end(struct run_show *show, const struct bench_end *end,
                  const struct run_summary *summary, const char *folder)
{
    const struct bench_view *view = &end->view;
    char duration[32];
    end_line(show);
    fflush(stdout);
    if (end->state == RUN_COMPLETE)
        printf("%sComplete:%s %s.\n", colour(show, green), colour(show, plain), end->why);
    else
        fprintf(stderr, "wetsweep: %s: %s\n", run_state_name(end->state), end->why);
    printf("Recording: %s (%llu rows in %s", folder, (unsigned long long)view->rows,
           text_duration(duration, view->t_s));
    if (view->malformed)
        printf(", %llu malformed lines", (unsigned long long)view->malformed);
    if (view->lost)
        printf(", %llu rows LOST", (unsigned long long)view->lost);
    if (view->resends)
        printf(", %llu lines sent again", (unsigned long long)view->resends);
    puts(")");
    show_summary(show, summary);
    if (view->rows && !show->no_next)
        printf("Next:      wetsweep fit %s\n", folder);
    fflush(stdout);
}
