/* SPDX-License-Identifier: GPL-3.0-or-later
 * The phases of a run. What happens within PHASE_MEASURE is in supervisor_stroke.c, the
 * ways out are in supervisor_retreat.c. */
#include "rig/supervisor_parts.h"

#include "base/clock.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* The axis wire watches over each of its commands; this only bounds a way out that
 * should never take so long. */
static const int64_t WAY_OUT_NS = 600000000000;
/* After a halt at once there is nothing to wait for but the bytes to have gone out. */
static const int64_t HALT_NOW_NS = 1000000000;
/* Homing ends at a place that is written down exactly. */
static const double HOME_AGREES_MM = 0.05;
/* For the answer to where the axis stands after homing and parking. */
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
    supervisor->rest_mm = supervisor->slack_s = supervisor->answer_s = NAN;
    watch_open(supervisor);
    interrupt_go_on(supervisor);
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
                      int64_t now_ns)
{
    if (supervisor->phase == PHASE_OVER)
        return;
    supervisor_alert(supervisor, now_ns, kind, text);
    if (supervisor->state == RUN_RUNNING || supervisor->state == RUN_COMPLETE) {
        supervisor_leave(supervisor, RUN_FAULTED, text, now_ns);
        supervisor_retreat(supervisor, now_ns);
    }
}

void supervisor_stop(struct supervisor *supervisor, int64_t now_ns)
{
    if (supervisor->phase == PHASE_OVER)
        return;
    supervisor->stops++;
    if (supervisor->stops == 1) {
        supervisor_say(supervisor, now_ns, "stop", "asked for by the user");
        if (supervisor->state != RUN_RUNNING && supervisor->phase != PHASE_GONE)
            return; /* on the way to the park position already */
        supervisor_leave(supervisor, RUN_STOPPED, "stopped by the user", now_ns);
        supervisor_retreat(supervisor, now_ns);
        return;
    }
    supervisor_say(supervisor, now_ns, "stop", "at once, asked for by the user");
    if (supervisor->state == RUN_COMPLETE || supervisor->state == RUN_RUNNING)
        supervisor_leave(supervisor, RUN_STOPPED, "stopped by the user", now_ns);
    axis_halt(supervisor->axis, true);
    supervisor_enter(supervisor, PHASE_HALT, now_ns);
}

/* ---- what the axis says ---- */

/* Homing leaves the stage somewhere; the plan is exact from where it begins. */
static void go_on(struct supervisor *supervisor, int64_t now_ns)
{
    if (supervisor->state != RUN_RUNNING) {
        supervisor_park(supervisor, now_ns);
        return;
    }
    supervisor_enter(supervisor, PHASE_LISTEN, now_ns);
    supervisor->moved = true;
    interrupt_approach(supervisor, now_ns);
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
    enum run_phase phase = supervisor->phase;
    if (phase == PHASE_CONNECT && event->kind == AXIS_SILENT)
        snprintf(text, sizeof text,
                 "the axis never answered on %.200s; check its power, its cable, and 'port' "
                 "and 'speaks' in the rig file",
                 supervisor->settings.rig->axis.port);
    supervisor->alarmed = event->kind == AXIS_ALARM;
    interrupt_note(supervisor, axis_event_name(event->kind), text,
                   INTERRUPT_HOME | (supervisor->alarmed ? INTERRUPT_GRAVE : 0), now_ns, now_ns);
    /* An axis that can't home is not made to try for ever: more of it may do harm. */
    bool homing_fails =
        event->kind == AXIS_ALARM &&
        (phase == PHASE_HOME || (phase == PHASE_REHOME && supervisor->reconnects > 1));
    if (supervisor->stops > 1)
        supervisor_halted_at_once(supervisor, now_ns);
    else if (phase == PHASE_CONNECT || homing_fails)
        supervisor_give_up(supervisor, text, now_ns);
    else if (event->kind == AXIS_REFUSED &&
             (phase == PHASE_LISTEN || phase == PHASE_MEASURE || phase == PHASE_RETURN))
        supervisor_retreat(supervisor, now_ns);
    else
        supervisor_reconnect(supervisor, text, now_ns);
}

static void halted(struct supervisor *supervisor, int64_t now_ns)
{
    bool homes = supervisor->settings.rig->axis.homes;
    if (supervisor->stops > 1)
        supervisor_halted_at_once(supervisor, now_ns);
    else if (axis_knows_position(supervisor->axis) && !(homes && supervisor->home_first))
        supervisor_park(supervisor, now_ns);
    else if (homes)
        supervisor_home(supervisor, PHASE_REHOME, now_ns);
    else
        supervisor_give_up(supervisor,
                           "its position is lost, and the axis has no switch to home to", now_ns);
}

static void homed(struct supervisor *supervisor, int64_t now_ns)
{
    supervisor->home_first = false;
    if (supervisor->phase == PHASE_HOME)
        go_on(supervisor, now_ns);
    else
        supervisor_park(supervisor, now_ns);
}

/* Where there are no checksums, a byte that was turned over can move the axis' zero. */
static void check_home(struct supervisor *supervisor, const struct axis_event *event,
                       int64_t now_ns)
{
    double home_mm = supervisor->settings.rig->axis.home_mm;
    if (supervisor->checks_ns == 0 || event->asked_ns < supervisor->checks_ns)
        return;
    if (fabs(event->stage_mm - home_mm) <= HOME_AGREES_MM) {
        homed(supervisor, now_ns);
        return;
    }
    char text[200];
    snprintf(text, sizeof text,
             "after homing, which ends at stage position %.3f mm, the axis says that it stands at "
             "%.3f mm",
             home_mm, event->stage_mm);
    supervisor_say(supervisor, now_ns, "position", text);
    supervisor_home_again(supervisor, text, now_ns);
}

void supervisor_axis_event(struct supervisor *supervisor, const struct axis_event *event,
                           int64_t now_ns)
{
    enum run_phase phase = supervisor->phase;
    if (phase == PHASE_OVER || phase == PHASE_GONE)
        return; /* of a port that is closed */
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
        if (phase == PHASE_HOME || phase == PHASE_REHOME) {
            supervisor->checks_ns = now_ns;
            axis_query(supervisor->axis, NULL);
        }
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
        } else if (phase == PHASE_RETURN && event->tag == TAG_START) {
            interrupt_resume(supervisor, now_ns);
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
        if (phase == PHASE_HOME || phase == PHASE_REHOME)
            check_home(supervisor, event, now_ns);
        else if (phase == PHASE_PARK)
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

void supervisor_begin(struct supervisor *supervisor, int64_t start_ns, int64_t now_ns)
{
    struct rig_err err = {0};
    supervisor->start_ns = start_ns;
    supervisor_enter(supervisor, PHASE_CONNECT, now_ns);
    if (axis_connect(supervisor->axis, &err))
        supervisor_fault(supervisor, "fault", err.text, now_ns);
}

/* The strokes begin once the stage stands where the plan does and every source has been
 * heard since homing. */
static void listen_tick(struct supervisor *supervisor, int64_t now_ns)
{
    bool well = watch_all_well(supervisor, supervisor->phase_ns, now_ns);
    if (!watch_sources(supervisor, now_ns) || !well || !supervisor->at_start)
        return;
    supervisor_enter(supervisor, PHASE_MEASURE, now_ns);
    stroke_begin(supervisor, now_ns);
    stroke_tick(supervisor, now_ns);
}

void supervisor_tick(struct supervisor *supervisor, int64_t now_ns)
{
    switch (supervisor->phase) {
    case PHASE_LISTEN:
        listen_tick(supervisor, now_ns);
        return;
    case PHASE_MEASURE:
        if (watch_sources(supervisor, now_ns))
            stroke_tick(supervisor, now_ns);
        return;
    case PHASE_RETURN:
        watch_sources(supervisor, now_ns);
        return;
    case PHASE_WAIT:
    case PHASE_GONE:
        interrupt_tick(supervisor, now_ns);
        return;
    case PHASE_HALT:
        if (supervisor->stops > 1 && now_ns - supervisor->phase_ns >= HALT_NOW_NS)
            supervisor_halted_at_once(supervisor, now_ns);
        else if (now_ns - supervisor->phase_ns >= WAY_OUT_NS)
            supervisor_give_up(supervisor, "it does not stop", now_ns);
        return;
    case PHASE_HOME:
    case PHASE_REHOME:
        /* A controller that never tells is taken by its word. */
        if (supervisor->checks_ns && now_ns - supervisor->checks_ns >= CHECK_NS) {
            if (supervisor->tells_position)
                supervisor_home_again(supervisor,
                                      "the axis does not say where it stands after homing", now_ns);
            else
                homed(supervisor, now_ns);
        } else if (now_ns - supervisor->phase_ns >= WAY_OUT_NS) {
            supervisor_give_up(supervisor, "it takes too long", now_ns);
        }
        return;
    case PHASE_PARK:
        if (supervisor->checks_ns && now_ns - supervisor->checks_ns >= CHECK_NS) {
            supervisor_unconfirmed(supervisor, now_ns);
            return;
        }
        __attribute__((fallthrough));
    case PHASE_RECONNECT:
        if (now_ns - supervisor->phase_ns >= WAY_OUT_NS)
            supervisor_give_up(supervisor, "it takes too long", now_ns);
        return;
    default:
        return;
    }
}

int64_t supervisor_deadline_ns(const struct supervisor *supervisor, int64_t now_ns)
{
    int64_t deadline_ns = INT64_MAX, silent_ns;
    switch (supervisor->phase) {
    case PHASE_MEASURE:
        deadline_ns = stroke_deadline_ns(supervisor, now_ns);
        __attribute__((fallthrough));
    case PHASE_LISTEN:
    case PHASE_RETURN:
        silent_ns = watch_deadline_ns(supervisor);
        return silent_ns < deadline_ns ? silent_ns : deadline_ns;
    case PHASE_WAIT:
    case PHASE_GONE:
        return interrupt_deadline_ns(supervisor, now_ns);
    case PHASE_HALT:
        return supervisor->phase_ns + (supervisor->stops > 1 ? HALT_NOW_NS : WAY_OUT_NS);
    case PHASE_HOME:
    case PHASE_REHOME:
    case PHASE_PARK:
        if (supervisor->checks_ns)
            return supervisor->checks_ns + CHECK_NS;
        __attribute__((fallthrough));
    case PHASE_RECONNECT:
        return supervisor->phase_ns + WAY_OUT_NS;
    default:
        return INT64_MAX;
    }
}
