/* SPDX-License-Identifier: GPL-3.0-or-later
 * Interruptions: what has happened, whether the run goes on afterwards, what is waited
 * for, and from where it goes on. How the board is lifted is in supervisor_retreat.c. */
#include "rig/supervisor_parts.h"

#include "base/clock.h"
#include "base/text.h"

#include <math.h>
#include <stdio.h>

/* In a row, without a stroke run whole that had not been run before. */
enum { TRIES = 10, GRAVE_TRIES = 3 };
/* Longer than this no pass is repeated. */
static const double LONGEST_PASS_S = 600;
/* What was missing must have been there for so long. */
static const int64_t STEADY_NS = 2000000000;

static int64_t patience_ns(const struct supervisor *supervisor)
{
    double patience_s = supervisor->settings.patience_s;
    return rig_s_to_ns(patience_s > 0 ? patience_s : 1800);
}

const char *supervisor_trouble(const struct supervisor *supervisor)
{
    return supervisor->interrupted || supervisor->phase == PHASE_GONE ? supervisor->trouble : "";
}

/* ---- where to go on ---- */

/* +1 or -1 for a stroke whose motion is all one way, 0 for others. */
static int direction(const struct plan *plan, size_t stroke)
{
    const struct plan_stroke *found = &plan_strokes(plan)[stroke];
    const struct plan_segment *segments = plan_segments(plan) + found->first_segment;
    int way = 0;
    for (size_t i = 0; i < found->segment_count; i++) {
        const struct plan_segment *segment = &segments[i];
        bool moves = segment->from_mm != segment->to_mm && segment->start_s < found->end_s;
        if (segment->kind == SEGMENT_SINE || segment->kind == SEGMENT_FOLLOW ||
            (moves && way && segment->direction != way))
            return 0;
        if (moves)
            way = segment->direction;
    }
    return way;
}

static void choose_return(struct supervisor *supervisor, size_t interrupted)
{
    const struct plan *plan = supervisor->settings.plan;
    const struct plan_stroke *strokes = plan_strokes(plan);
    int way = direction(plan, interrupted);
    size_t first = interrupted, resume = interrupted;
    while (way && first > 0 && direction(plan, first - 1) == way)
        first--;
    while (resume > first &&
           strokes[interrupted].end_s - strokes[resume - 1].start_s <= LONGEST_PASS_S)
        resume--;
    supervisor->resume_stroke = resume;
    supervisor->approach_stroke = first;
}

void interrupt_go_on(struct supervisor *supervisor)
{
    const struct supervisor_settings *settings = &supervisor->settings;
    const struct plan *plan = settings->plan;
    size_t count = plan_stroke_count(plan);
    if (!settings->goes_on || count == 0)
        return;
    size_t left = settings->left < count ? settings->left : count - 1;
    choose_return(supervisor, left);
    supervisor->furthest = settings->whole < count ? settings->whole : count;
    supervisor->begun_most = left + 1;
    double from_s = plan_strokes(plan)[supervisor->resume_stroke].start_s;
    while (supervisor->mark < plan_mark_count(plan) &&
           plan_marks(plan)[supervisor->mark].at_s <= from_s)
        supervisor->mark++;
}

/* ---- what happened ---- */

static void interrupt(struct supervisor *supervisor, int64_t since_ns, int64_t now_ns)
{
    if (supervisor->phase == PHASE_MEASURE) {
        size_t stroke = stroke_at(supervisor, since_ns);
        stroke_cut(supervisor, now_ns);
        choose_return(supervisor, stroke);
    }
    if (!supervisor->interrupted) {
        supervisor->interruptions++;
        supervisor->interrupted_ns = now_ns;
    }
    supervisor->interrupted = true;
    if (supervisor->trouble_ns == 0)
        supervisor->trouble_ns = now_ns;
}

void interrupt_note(struct supervisor *supervisor, const char *kind, const char *text,
                    unsigned flags, int64_t since_ns, int64_t now_ns)
{
    enum run_phase phase = supervisor->phase;
    /* Nobody is woken for each try of many. */
    if (phase == PHASE_RECONNECT || phase == PHASE_REHOME || phase == PHASE_GONE)
        supervisor_say(supervisor, now_ns, kind, text);
    else
        supervisor_alert(supervisor, now_ns, kind, text);
    if (flags & INTERRUPT_HOME)
        supervisor->home_first = true;
    snprintf(supervisor->trouble, sizeof supervisor->trouble, "%s", text);
    if (supervisor->state != RUN_RUNNING)
        return; /* the way out goes on */
    if (!supervisor->measured) {
        supervisor_leave(supervisor, RUN_FAULTED, text, now_ns);
        return;
    }
    bool fresh = phase == PHASE_MEASURE || phase == PHASE_RETURN;
    supervisor->tries += fresh;
    supervisor->grave_tries += fresh && (flags & INTERRUPT_GRAVE);
    if (supervisor->tries <= TRIES && supervisor->grave_tries < GRAVE_TRIES) {
        interrupt(supervisor, since_ns, now_ns);
        return;
    }
    char cause[480];
    unsigned times = supervisor->tries > TRIES ? supervisor->tries : supervisor->grave_tries;
    snprintf(cause, sizeof cause, "%.380s (the same pass was interrupted %u times in a row)", text,
             times);
    supervisor_leave(supervisor, RUN_FAULTED, cause, now_ns);
}

void supervisor_lapse(struct supervisor *supervisor, const char *kind, const char *text,
                      int64_t since_ns, int64_t now_ns)
{
    /* Before the strokes and on the way out nothing is lost by it. */
    if (supervisor->phase != PHASE_MEASURE && supervisor->phase != PHASE_RETURN) {
        supervisor_say(supervisor, now_ns, kind, text);
        return;
    }
    interrupt_note(supervisor, kind, text, INTERRUPT_HOME, since_ns, now_ns);
    supervisor_retreat(supervisor, now_ns);
}

/* ---- the axis does not obey ---- */

void interrupt_gone(struct supervisor *supervisor, int64_t now_ns)
{
    if (supervisor->trouble_ns == 0)
        supervisor->trouble_ns = now_ns;
    if (supervisor->phase == PHASE_GONE)
        return;
    supervisor_enter(supervisor, PHASE_GONE, now_ns);
    if (supervisor->adrift_told)
        return;
    supervisor->adrift_told = true;
    char text[200];
    int size =
        snprintf(text, sizeof text, "the axis can't be reached, so the board can't be lifted");
    if (isfinite(supervisor->last_depth_mm))
        snprintf(text + size, sizeof text - (size_t)size, "; it was last near a depth of %.1f mm",
                 supervisor->last_depth_mm);
    supervisor_alert(supervisor, now_ns, "adrift", text);
}

void supervisor_axis_lost(struct supervisor *supervisor, const char *text, int64_t now_ns)
{
    if (supervisor->phase == PHASE_OVER)
        return;
    interrupt_note(supervisor, "unplugged", text, INTERRUPT_HOME, now_ns, now_ns);
    if (supervisor->stops > 1)
        supervisor_halted_at_once(supervisor, now_ns);
    else if (!supervisor->measured)
        supervisor_give_up(supervisor, "its port is gone", now_ns);
    else if (!supervisor->settings.rig->axis.homes)
        supervisor_give_up(supervisor, "its port is gone, and the axis has no switch to home to",
                           now_ns);
    else
        interrupt_gone(supervisor, now_ns);
}

bool supervisor_wants_axis(const struct supervisor *supervisor)
{
    return supervisor->phase == PHASE_GONE;
}

void supervisor_axis_back(struct supervisor *supervisor, int64_t now_ns)
{
    if (supervisor->phase == PHASE_GONE)
        supervisor_reconnect(supervisor, supervisor->trouble, now_ns);
}

/* ---- waiting, and going back ---- */

void interrupt_wait(struct supervisor *supervisor, int64_t now_ns)
{
    supervisor_enter(supervisor, PHASE_WAIT, now_ns);
}

void interrupt_approach(struct supervisor *supervisor, int64_t now_ns)
{
    const struct supervisor_settings *settings = &supervisor->settings;
    const struct plan_stroke *strokes = plan_strokes(settings->plan);
    size_t resume = supervisor->resume_stroke, approach = supervisor->approach_stroke;
    bool any = plan_stroke_count(settings->plan) > 0;
    double by_mm = plan_stage_mm(settings->plan, any ? strokes[approach].start_s : 0);
    double to_mm = plan_stage_mm(settings->plan, any ? strokes[resume].start_s : 0);
    double feed_mm_s = settings->rig->axis.speed_mm_s;
    struct rig_err err = {0};
    if ((approach != resume && axis_move(supervisor->axis, TAG_START, by_mm, feed_mm_s, &err)) ||
        axis_move(supervisor->axis, TAG_START, to_mm, feed_mm_s, &err) ||
        axis_settle(supervisor->axis, TAG_START, &err))
        supervisor_fault(supervisor, "limit", err.text, now_ns);
}

static void go_back(struct supervisor *supervisor, int64_t now_ns)
{
    supervisor_enter(supervisor, PHASE_RETURN, now_ns);
    interrupt_approach(supervisor, now_ns);
}

/* Where there is time left for the way there, a stroke, and the way home. */
static void go_back_in_time(struct supervisor *supervisor, int64_t now_ns)
{
    const struct plan_stroke *stroke =
        &plan_strokes(supervisor->settings.plan)[supervisor->resume_stroke];
    int64_t needs_ns =
        2 * supervisor_way_home_ns(supervisor) + rig_s_to_ns(stroke->end_s - stroke->start_s);
    if (stroke_time_is_up(supervisor, needs_ns, now_ns))
        stroke_end_in_time(supervisor, now_ns);
    else
        go_back(supervisor, now_ns);
}

void interrupt_resume(struct supervisor *supervisor, int64_t now_ns)
{
    char text[200], lost[32];
    supervisor->lost_ns += now_ns - supervisor->interrupted_ns;
    snprintf(text, sizeof text, "going on with stroke %zu of %zu, %s after the interruption",
             supervisor->resume_stroke + 1, plan_stroke_count(supervisor->settings.plan),
             text_duration(lost, rig_ns_to_s(now_ns - supervisor->interrupted_ns)));
    supervisor_alert(supervisor, now_ns, "resumed", text);
    supervisor->interrupted = false;
    supervisor->trouble_ns = 0;
    watch_forget_readings(supervisor);
    supervisor_enter(supervisor, PHASE_MEASURE, now_ns);
    stroke_resume(supervisor, supervisor->resume_stroke, now_ns);
}

static void lose_patience(struct supervisor *supervisor, int64_t now_ns)
{
    char cause[480], waited[32];
    snprintf(cause, sizeof cause, "%.400s; nothing changed within %s", supervisor->trouble,
             text_duration(waited, rig_ns_to_s(patience_ns(supervisor))));
    if (supervisor->state == RUN_RUNNING)
        supervisor_leave(supervisor, RUN_FAULTED, cause, now_ns);
    if (supervisor->phase == PHASE_WAIT)
        supervisor_end_parked(supervisor, "", now_ns);
    else
        supervisor_give_up(supervisor, "it can't be reached", now_ns);
}

void interrupt_tick(struct supervisor *supervisor, int64_t now_ns)
{
    bool waits = supervisor->phase == PHASE_WAIT;
    if (waits && supervisor->state != RUN_RUNNING)
        supervisor_end_parked(supervisor, "", now_ns);
    else if (waits && stroke_time_is_up(supervisor, 0, now_ns))
        stroke_end_in_time(supervisor, now_ns);
    else if (waits && now_ns - supervisor->phase_ns >= STEADY_NS &&
             watch_all_well(supervisor, supervisor->phase_ns + STEADY_NS / 2, now_ns))
        go_back_in_time(supervisor, now_ns);
    else if (now_ns - supervisor->trouble_ns >= patience_ns(supervisor))
        lose_patience(supervisor, now_ns);
}

int64_t interrupt_deadline_ns(const struct supervisor *supervisor, int64_t now_ns)
{
    int64_t deadline_ns = supervisor->trouble_ns + patience_ns(supervisor);
    int64_t steady_ns = supervisor->phase_ns + STEADY_NS;
    int64_t until_ns = supervisor->settings.until_ns;
    if (supervisor->phase != PHASE_WAIT)
        return deadline_ns;
    if (until_ns && until_ns < deadline_ns)
        deadline_ns = until_ns;
    /* After that it is what is heard that wakes. */
    return now_ns < steady_ns && steady_ns < deadline_ns ? steady_ns : deadline_ns;
}
