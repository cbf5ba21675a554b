/* SPDX-License-Identifier: GPL-3.0-or-later
 * The phases of a run. What happens within PHASE_MEASURE is in supervisor_stroke.c, the
 * ways out are in supervisor_retreat.c. */
#include "rig/supervisor_parts.h"

#include "base/clock.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* Common practice, no source: a board says something several times a second, or the
 * rig file gives its rate. */
static const double FIRST_LINE_S = 5, SILENT_S = 5, PAUSE_LINES = 20;
/* The axis wire watches over each of its commands; this only bounds a way out that
 * should never take so long. */
static const int64_t WAY_OUT_NS = 600000000000;
/* After a halt at once there is nothing to wait for but the bytes to have gone out. */
static const int64_t HALT_NOW_NS = 1000000000;
/* For the answer to where the board was parked. */
static const int64_t CHECK_NS = 5000000000;

static const char *const phase_names[] = {
#define X(phase, words) words,
    RUN_PHASES(X)
#undef X
};

const char *run_phase_name(enum run_phase phase)
{
    return (int)phase >= 0 && phase < RUN_PHASE_COUNT ? phase_names[phase] : "?";
}

double supervisor_t_s(const struct supervisor *supervisor, int64_t ns)
{
    return rig_ns_to_s(ns - supervisor->start_ns);
}

void supervisor_say(struct supervisor *supervisor, int64_t now_ns, const char *kind,
                    const char *text)
{
    const struct run_log *log = &supervisor->settings.log;
    log->event(log->context, supervisor_t_s(supervisor, now_ns), kind, text);
}

void supervisor_alert(struct supervisor *supervisor, int64_t now_ns, const char *kind,
                      const char *text)
{
    const struct supervisor_settings *settings = &supervisor->settings;
    supervisor_say(supervisor, now_ns, kind, text);
    if (settings->alert)
        settings->alert(settings->alert_context, supervisor_t_s(supervisor, now_ns), kind, text);
}

static double or_default(double value, double otherwise)
{
    return value > 0 ? value : otherwise;
}

struct supervisor *supervisor_open(const struct supervisor_settings *settings, struct axis *axis,
                                   struct rig_err *err)
{
    struct supervisor *supervisor = calloc(1, sizeof *supervisor);
    if (!supervisor) {
        rig_fail_memory(err, "the run");
        return NULL;
    }
    supervisor->settings = *settings;
    supervisor->axis = axis;
    supervisor->board = BOARD_UNMOVED;
    supervisor->last_depth_mm = NAN;
    for (size_t i = 0; i < settings->rig->source_count; i++) {
        double rate_hz = settings->rig->sources[i].rate_hz;
        double lines_s = rate_hz > 0 ? PAUSE_LINES / rate_hz : 0;
        struct source_watch *watch = &supervisor->sources[i];
        watch->first_limit_ns =
            rig_s_to_ns(fmax(or_default(settings->first_line_s, FIRST_LINE_S), lines_s));
        watch->pause_limit_ns =
            rig_s_to_ns(fmax(or_default(settings->silent_s, SILENT_S), lines_s));
    }
    return supervisor;
}

void supervisor_free(struct supervisor *supervisor)
{
    free(supervisor);
}

void supervisor_enter(struct supervisor *supervisor, enum run_phase phase, int64_t now_ns)
{
    if (supervisor->phase == PHASE_MEASURE)
        supervisor->measured_ns += now_ns - supervisor->phase_ns;
    supervisor->phase = phase;
    supervisor->phase_ns = now_ns;
    if (phase != PHASE_OVER)
        supervisor_say(supervisor, now_ns, "phase", run_phase_name(phase));
}

void supervisor_fault(struct supervisor *supervisor, const char *kind, const char *text,
                      bool axis_gone, int64_t now_ns)
{
    if (supervisor->phase == PHASE_OVER)
        return;
    supervisor_alert(supervisor, now_ns, kind, text);
    supervisor->axis_gone |= axis_gone;
    if (supervisor->state == RUN_RUNNING || supervisor->state == RUN_COMPLETE) {
        supervisor_leave(supervisor, RUN_FAULTED, text);
        supervisor_retreat(supervisor, now_ns);
    } else if (axis_gone) {
        supervisor_give_up(supervisor, text, now_ns); /* on the way out */
    }
}

void supervisor_stop(struct supervisor *supervisor, int64_t now_ns)
{
    if (supervisor->phase == PHASE_OVER)
        return;
    supervisor->stops++;
    if (supervisor->stops == 1) {
        supervisor_say(supervisor, now_ns, "stop", "asked for by the user");
        if (supervisor->state != RUN_RUNNING)
            return; /* on the way to the park position already */
        supervisor_leave(supervisor, RUN_STOPPED, "stopped by the user");
        supervisor_retreat(supervisor, now_ns);
        return;
    }
    supervisor_say(supervisor, now_ns, "stop", "at once, asked for by the user");
    if (supervisor->state == RUN_COMPLETE || supervisor->state == RUN_RUNNING)
        supervisor_leave(supervisor, RUN_STOPPED, "stopped by the user");
    axis_halt(supervisor->axis, true);
    supervisor_enter(supervisor, PHASE_HALT, now_ns);
}

/* ---- what the axis says ---- */

/* Homing leaves the stage somewhere; the plan is exact from where it begins. */
static void go_on(struct supervisor *supervisor, int64_t now_ns)
{
    const struct rig_axis *settings = &supervisor->settings.rig->axis;
    double stage_mm = plan_stage_mm(supervisor->settings.plan, 0);
    struct rig_err err = {0};
    if (supervisor->state != RUN_RUNNING) {
        supervisor_park(supervisor, now_ns);
        return;
    }
    supervisor_enter(supervisor, PHASE_LISTEN, now_ns);
    supervisor->moved = true;
    if (axis_move(supervisor->axis, TAG_START, stage_mm, settings->speed_mm_s, &err) ||
        axis_settle(supervisor->axis, TAG_START, &err))
        supervisor_fault(supervisor, "limit", err.text, false, now_ns);
}

static void fatal(struct supervisor *supervisor, const struct axis_event *event, int64_t now_ns)
{
    static const char *const words[AXIS_EVENT_COUNT] = {
        [AXIS_RESET] = "the axis' controller has restarted in mid-run, and its position is lost",
        [AXIS_REFUSED] = "the axis' controller refused a line",
        [AXIS_ALARM] = "the axis' controller has stopped the axis by itself",
        [AXIS_SILENT] = "the axis' controller does not answer",
    };
    char text[400];
    snprintf(text, sizeof text, "%s%s%s%s", words[event->kind], event->text[0] ? " ('" : "",
             event->text, event->text[0] ? "')" : "");
    supervisor_alert(supervisor, now_ns, axis_event_name(event->kind), text);
    enum run_phase phase = supervisor->phase;
    bool first = supervisor->state == RUN_RUNNING || supervisor->state == RUN_COMPLETE;
    if (first) {
        if (phase == PHASE_CONNECT && event->kind == AXIS_SILENT)
            snprintf(text, sizeof text,
                     "the axis never answered on %.200s; check its power, its cable, and 'port' "
                     "and 'speaks' in the rig file",
                     supervisor->settings.rig->axis.port);
        supervisor_leave(supervisor, RUN_FAULTED, text);
    }
    /* An axis that can't home is not made to try for ever: more of it may do harm. */
    bool homing_fails =
        event->kind == AXIS_ALARM &&
        (phase == PHASE_HOME || (phase == PHASE_REHOME && supervisor->reconnects > 1));
    if (supervisor->stops > 1)
        supervisor_halted_at_once(supervisor, now_ns);
    else if (phase == PHASE_CONNECT || homing_fails)
        supervisor_give_up(supervisor, text, now_ns);
    else if (event->kind == AXIS_REFUSED && first && phase != PHASE_HOME)
        supervisor_retreat(supervisor, now_ns);
    else
        supervisor_reconnect(supervisor, text, now_ns);
}

static void halted(struct supervisor *supervisor, int64_t now_ns)
{
    if (supervisor->stops > 1)
        supervisor_halted_at_once(supervisor, now_ns);
    else if (axis_knows_position(supervisor->axis))
        supervisor_park(supervisor, now_ns);
    else if (supervisor->settings.rig->axis.homes)
        supervisor_home(supervisor, PHASE_REHOME, now_ns);
    else
        supervisor_give_up(supervisor,
                           "its position is lost, and the axis has no switch to home to", now_ns);
}

void supervisor_axis_event(struct supervisor *supervisor, const struct axis_event *event,
                           int64_t now_ns)
{
    enum run_phase phase = supervisor->phase;
    if (phase == PHASE_OVER)
        return;
    switch (event->kind) {
    case AXIS_READY:
        if (phase == PHASE_CONNECT && !supervisor->settings.rig->axis.homes)
            go_on(supervisor, now_ns);
        else if (phase == PHASE_CONNECT)
            supervisor_home(supervisor, PHASE_HOME, now_ns);
        else if (phase == PHASE_RECONNECT)
            supervisor_home(supervisor, PHASE_REHOME, now_ns);
        return;
    case AXIS_HOMED:
        if (phase == PHASE_HOME)
            go_on(supervisor, now_ns);
        else if (phase == PHASE_REHOME)
            supervisor_park(supervisor, now_ns);
        return;
    case AXIS_HALTED:
        if (isfinite(event->stage_mm))
            supervisor->last_depth_mm =
                rig_depth_from_stage(supervisor->settings.rig, event->stage_mm);
        if (phase == PHASE_HALT)
            halted(supervisor, now_ns);
        return;
    case AXIS_SETTLED:
        if (phase == PHASE_LISTEN && event->tag == TAG_START) {
            supervisor->at_start = true;
        } else if (phase == PHASE_PARK && event->tag == TAG_PARK) {
            supervisor->checks_ns = now_ns;
            axis_query(supervisor->axis, NULL);
        } else if (phase == PHASE_MEASURE) {
            stroke_axis_event(supervisor, event, now_ns);
        }
        return;
    case AXIS_REFUSED:
    case AXIS_ALARM:
    case AXIS_RESET:
    case AXIS_SILENT:
        fatal(supervisor, event, now_ns);
        return;
    case AXIS_POSITION:
        supervisor->tells_position = true;
        if (phase != PHASE_MEASURE)
            supervisor->last_depth_mm =
                rig_depth_from_stage(supervisor->settings.rig, event->stage_mm);
        if (phase == PHASE_PARK)
            supervisor_check_park(supervisor, event, now_ns);
        else if (phase == PHASE_MEASURE)
            stroke_axis_event(supervisor, event, now_ns);
        return;
    default:
        if (phase == PHASE_MEASURE)
            stroke_axis_event(supervisor, event, now_ns);
        return;
    }
}

/* ---- time ---- */

void supervisor_begin(struct supervisor *supervisor, int64_t start_ns)
{
    struct rig_err err = {0};
    supervisor->start_ns = start_ns;
    supervisor_enter(supervisor, PHASE_CONNECT, start_ns);
    if (axis_connect(supervisor->axis, &err))
        supervisor_fault(supervisor, "fault", err.text, false, start_ns);
}

void supervisor_heard(struct supervisor *supervisor, size_t source, int64_t now_ns)
{
    supervisor->sources[source].heard = true;
    supervisor->sources[source].last_ns = now_ns;
}

static int64_t silent_from_ns(const struct supervisor *supervisor, size_t source)
{
    const struct source_watch *watch = &supervisor->sources[source];
    if (!watch->heard)
        return supervisor->phase_ns + watch->first_limit_ns;
    int64_t since_ns = watch->last_ns;
    /* Before the strokes a pause counts from here: homing was not watched over. */
    if (supervisor->phase == PHASE_LISTEN && since_ns < supervisor->phase_ns)
        since_ns = supervisor->phase_ns;
    return since_ns + watch->pause_limit_ns;
}

/* True when all sources speak; a silent one is a fault. */
static bool watch_sources(struct supervisor *supervisor, int64_t now_ns)
{
    const struct rig *rig = supervisor->settings.rig;
    bool all = true;
    for (size_t i = 0; i < rig->source_count; i++) {
        const struct source_watch *watch = &supervisor->sources[i];
        bool fresh = supervisor->phase != PHASE_LISTEN || watch->last_ns >= supervisor->phase_ns;
        all = all && watch->heard && fresh;
        if (now_ns < silent_from_ns(supervisor, i))
            continue;
        char text[400];
        if (watch->heard)
            snprintf(text, sizeof text, "source '%s' has said nothing readable for %.0f s",
                     rig->sources[i].name, rig_ns_to_s(now_ns - watch->last_ns));
        else
            snprintf(text, sizeof text,
                     "source '%s' said nothing readable on %.200s within %.0f s; check its cable, "
                     "its baud, and 'line' in the rig file",
                     rig->sources[i].name, rig->sources[i].port,
                     rig_ns_to_s(watch->first_limit_ns));
        supervisor_fault(supervisor, "silent", text, false, now_ns);
        return false;
    }
    return all;
}

void supervisor_tick(struct supervisor *supervisor, int64_t now_ns)
{
    switch (supervisor->phase) {
    case PHASE_LISTEN:
        if (watch_sources(supervisor, now_ns) && supervisor->at_start) {
            supervisor_enter(supervisor, PHASE_MEASURE, now_ns);
            stroke_begin(supervisor, now_ns);
            stroke_tick(supervisor, now_ns);
        }
        return;
    case PHASE_MEASURE:
        watch_sources(supervisor, now_ns);
        if (supervisor->phase == PHASE_MEASURE)
            stroke_tick(supervisor, now_ns);
        return;
    case PHASE_HALT:
        if (supervisor->stops > 1 && now_ns - supervisor->phase_ns >= HALT_NOW_NS)
            supervisor_halted_at_once(supervisor, now_ns);
        else if (now_ns - supervisor->phase_ns >= WAY_OUT_NS)
            supervisor_give_up(supervisor, "it does not stop", now_ns);
        return;
    case PHASE_PARK:
        if (supervisor->checks_ns && now_ns - supervisor->checks_ns >= CHECK_NS) {
            supervisor_unconfirmed(supervisor, now_ns);
            return;
        }
        __attribute__((fallthrough));
    case PHASE_RECONNECT:
    case PHASE_REHOME:
        if (now_ns - supervisor->phase_ns >= WAY_OUT_NS)
            supervisor_give_up(supervisor, "it takes too long", now_ns);
        return;
    default:
        return;
    }
}

int64_t supervisor_deadline_ns(const struct supervisor *supervisor, int64_t now_ns)
{
    int64_t deadline_ns = INT64_MAX;
    switch (supervisor->phase) {
    case PHASE_MEASURE:
        deadline_ns = stroke_deadline_ns(supervisor, now_ns);
        __attribute__((fallthrough));
    case PHASE_LISTEN:
        for (size_t i = 0; i < supervisor->settings.rig->source_count; i++) {
            int64_t silent_ns = silent_from_ns(supervisor, i);
            deadline_ns = silent_ns < deadline_ns ? silent_ns : deadline_ns;
        }
        return deadline_ns;
    case PHASE_HALT:
        return supervisor->phase_ns + (supervisor->stops > 1 ? HALT_NOW_NS : WAY_OUT_NS);
    case PHASE_PARK:
        if (supervisor->checks_ns)
            return supervisor->checks_ns + CHECK_NS;
        __attribute__((fallthrough));
    case PHASE_RECONNECT:
    case PHASE_REHOME:
        return supervisor->phase_ns + WAY_OUT_NS;
    default:
        return INT64_MAX;
    }
}
