/* SPDX-License-Identifier: GPL-3.0-or-later
 * The ways out of a run: how the board is lifted, what is tried when the axis does not
 * obey, and what is said at the end. */
#include "rig/supervisor_parts.h"

#include "base/clock.h"

#include <math.h>
#include <stdio.h>

/* A controller that stays quiet is tried for about a minute: nobody is hurt by it. */
enum { RECONNECTS = 5 };
/* Reports have few decimals, and steps are not whole fractions of them. */
static const double AGREES_MM = 0.1;
/* For the answers and the check at the park position. */
static const double MARGIN_S = 2;

bool supervisor_agrees(double reported_mm, double sent_mm)
{
    return fabs(reported_mm - sent_mm) <= AGREES_MM;
}

void supervisor_leave(struct supervisor *supervisor, enum run_state state, const char *cause,
                      int64_t now_ns)
{
    if (supervisor->phase == PHASE_MEASURE)
        stroke_cut(supervisor, now_ns);
    supervisor->state = state;
    snprintf(supervisor->cause, sizeof supervisor->cause, "%s", cause);
}

/* ---- the end ---- */

static void end(struct supervisor *supervisor, enum board_place board, const char *where,
                int64_t now_ns)
{
    supervisor->board = board;
    const char *cause = supervisor->cause;
    if (supervisor->state == RUN_COMPLETE && !cause[0])
        cause = "the whole plan was carried out";
    snprintf(supervisor->why, sizeof supervisor->why, "%s; %s", cause, where);
    supervisor_enter(supervisor, PHASE_OVER, now_ns);
    supervisor_say(supervisor, now_ns, run_state_name(supervisor->state), supervisor->why);
}

/* The axis can't be made to park: the run is a fault, whatever it was before. */
void supervisor_give_up(struct supervisor *supervisor, const char *reason, int64_t now_ns)
{
    if (supervisor->state == RUN_RUNNING && supervisor->interrupted)
        snprintf(supervisor->cause, sizeof supervisor->cause, "%s", supervisor->trouble);
    else if (supervisor->state != RUN_FAULTED && !supervisor->cause[0])
        snprintf(supervisor->cause, sizeof supervisor->cause, "the board could not be parked");
    supervisor->state = RUN_FAULTED;
    if (!supervisor->moved) {
        end(supervisor, BOARD_UNMOVED, "the board was not moved", now_ns);
        return;
    }
    char where[400];
    if (isfinite(supervisor->last_depth_mm))
        snprintf(where, sizeof where,
                 "THE BOARD IS NOT PARKED (%.200s): it was last near a depth of %.1f mm; lift it "
                 "out of the water by hand",
                 reason, supervisor->last_depth_mm);
    else
        snprintf(where, sizeof where,
                 "THE BOARD IS NOT PARKED (%.200s); see whether it is in the water, and lift it "
                 "out by hand",
                 reason);
    end(supervisor, BOARD_LEFT, where, now_ns);
}

void supervisor_end_parked(struct supervisor *supervisor, const char *doubt, int64_t now_ns)
{
    char where[160];
    snprintf(where, sizeof where, "the board is parked clear of the water at %.1f mm%s",
             supervisor->settings.rig->axis.park_mm, doubt);
    end(supervisor, BOARD_PARKED, where, now_ns);
}

static void parked(struct supervisor *supervisor, const char *doubt, int64_t now_ns)
{
    supervisor->last_depth_mm = supervisor->settings.rig->axis.park_mm;
    supervisor->reconnects = 0;
    supervisor->adrift_told = false;
    if (supervisor->state == RUN_RUNNING && supervisor->interrupted)
        interrupt_wait(supervisor, now_ns);
    else
        supervisor_end_parked(supervisor, doubt, now_ns);
}

/* ---- ways to lift the board ---- */

int64_t supervisor_way_home_ns(const struct supervisor *supervisor)
{
    const struct rig_axis *axis = &supervisor->settings.rig->axis;
    double travel_mm = axis->travel_high_mm - axis->travel_low_mm;
    double change_s = axis->speed_mm_s / axis->acceleration_mm_s2;
    return rig_s_to_ns(travel_mm / axis->speed_mm_s + 2 * change_s + MARGIN_S);
}

static double park_stage_mm(const struct supervisor *supervisor)
{
    const struct rig *rig = supervisor->settings.rig;
    return axis_wire_stage_mm(&rig->axis, rig_stage_from_depth(rig, rig->axis.park_mm));
}

void supervisor_park(struct supervisor *supervisor, int64_t now_ns)
{
    const struct rig *rig = supervisor->settings.rig;
    struct rig_err err = {0};
    supervisor_enter(supervisor, PHASE_PARK, now_ns);
    supervisor->moved = true;
    supervisor->checks_ns = 0;
    if (axis_move(supervisor->axis, TAG_PARK, park_stage_mm(supervisor), rig->axis.speed_mm_s,
                  &err) ||
        axis_settle(supervisor->axis, TAG_PARK, &err))
        supervisor_give_up(supervisor, err.text, now_ns);
}

void supervisor_home(struct supervisor *supervisor, enum run_phase phase, int64_t now_ns)
{
    struct rig_err err = {0};
    supervisor_enter(supervisor, phase, now_ns);
    supervisor->moved = true;
    supervisor->checks_ns = 0;
    if (axis_home(supervisor->axis, &err))
        supervisor_give_up(supervisor, err.text, now_ns);
}

void supervisor_home_again(struct supervisor *supervisor, const char *reason, int64_t now_ns)
{
    if (supervisor->reconnects++ < RECONNECTS)
        supervisor_home(supervisor, supervisor->phase, now_ns);
    else
        supervisor_give_up(supervisor, reason, now_ns);
}

/* Once strokes have been run, an axis that can't be reached is tried as long as the
 * patience lasts, by opening its port anew. One that stops by itself again and again is not:
 * more of it may do harm. */
void supervisor_reconnect(struct supervisor *supervisor, const char *reason, int64_t now_ns)
{
    struct rig_err err = {0};
    if (!supervisor->settings.rig->axis.homes) {
        supervisor_give_up(supervisor,
                           "its position is lost, and the axis has no switch to home to", now_ns);
        return;
    }
    bool again = supervisor->phase == PHASE_GONE;
    if (supervisor->reconnects >= RECONNECTS && !again) {
        if (supervisor->measured && !supervisor->alarmed)
            interrupt_gone(supervisor, now_ns);
        else
            supervisor_give_up(supervisor, reason, now_ns);
        return;
    }
    supervisor->reconnects += supervisor->reconnects < RECONNECTS;
    supervisor_enter(supervisor, PHASE_RECONNECT, now_ns);
    if (axis_connect(supervisor->axis, &err))
        supervisor_give_up(supervisor, err.text, now_ns);
}

/* Nothing moves or is queued, and the controller takes lines. */
static bool at_rest(const struct supervisor *supervisor)
{
    bool between = supervisor->phase == PHASE_LISTEN ? supervisor->at_start
                   : supervisor->phase == PHASE_RETURN
                       ? false
                       : supervisor->step == STEP_WAIT || supervisor->step == STEP_REST;
    return between && axis_room(supervisor->axis) > 1 && axis_knows_position(supervisor->axis);
}

void supervisor_retreat(struct supervisor *supervisor, int64_t now_ns)
{
    bool homes = supervisor->settings.rig->axis.homes;
    switch (supervisor->phase) {
    case PHASE_CONNECT: /* nothing has moved, and nothing shall */
        axis_halt(supervisor->axis, false);
        end(supervisor, BOARD_UNMOVED, "the board was not moved", now_ns);
        return;
    case PHASE_LISTEN:
    case PHASE_MEASURE:
    case PHASE_RETURN:
        if (!at_rest(supervisor)) {
            supervisor_enter(supervisor, PHASE_HALT, now_ns);
            axis_halt(supervisor->axis, false);
        } else if (homes && supervisor->home_first) {
            supervisor_home(supervisor, PHASE_REHOME, now_ns);
        } else {
            supervisor_park(supervisor, now_ns);
        }
        return;
    case PHASE_WAIT:
        if (supervisor->state != RUN_RUNNING)
            supervisor_end_parked(supervisor, "", now_ns);
        return;
    case PHASE_GONE:
        if (supervisor->state == RUN_STOPPED)
            supervisor_give_up(supervisor, "it can't be reached", now_ns);
        return;
    default: /* homing lifts the board by itself; the others are on the way out already */
        return;
    }
}

void supervisor_halted_at_once(struct supervisor *supervisor, int64_t now_ns)
{
    char where[160];
    if (isfinite(supervisor->last_depth_mm))
        snprintf(where, sizeof where,
                 "halted at once; THE BOARD IS NOT PARKED: it was last near a depth of %.1f mm",
                 supervisor->last_depth_mm);
    else
        snprintf(where, sizeof where, "halted at once; the board is not parked");
    end(supervisor, BOARD_LEFT, where, now_ns);
}

/* No answer where it stands. A controller that never tells is taken by its word. */
void supervisor_unconfirmed(struct supervisor *supervisor, int64_t now_ns)
{
    static const char silence[] = "the axis does not say where it stands after parking";
    if (!supervisor->tells_position) {
        parked(supervisor, " (its controller says that it is done, not where it stands)", now_ns);
        return;
    }
    interrupt_note(supervisor, "position", silence, INTERRUPT_HOME, now_ns, now_ns);
    supervisor_reconnect(supervisor, silence, now_ns);
}

/* Parked is what the axis says when asked, not what it was told. */
void supervisor_check_park(struct supervisor *supervisor, const struct axis_event *event,
                           int64_t now_ns)
{
    if (supervisor->checks_ns == 0 || event->asked_ns < supervisor->checks_ns)
        return;
    if (supervisor_agrees(event->stage_mm, park_stage_mm(supervisor))) {
        parked(supervisor, "", now_ns);
        return;
    }
    char text[200];
    snprintf(text, sizeof text,
             "sent to park at stage position %.3f mm, the axis stands at %.3f mm",
             park_stage_mm(supervisor), event->stage_mm);
    interrupt_note(supervisor, "position", text, INTERRUPT_HOME, now_ns, now_ns);
    supervisor_reconnect(supervisor, text, now_ns);
}
