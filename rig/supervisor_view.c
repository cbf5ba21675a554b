/* SPDX-License-Identifier: GPL-3.0-or-later
 * What others may know of a run: how it stands and how it ended. */
#include "rig/supervisor_parts.h"

#include "base/clock.h"

#include <math.h>

bool supervisor_over(const struct supervisor *supervisor)
{
    return supervisor->phase == PHASE_OVER;
}

enum run_state supervisor_state(const struct supervisor *supervisor)
{
    return supervisor->state;
}

const char *supervisor_why(const struct supervisor *supervisor)
{
    return supervisor->why[0] ? supervisor->why : supervisor->cause;
}

enum board_place supervisor_board(const struct supervisor *supervisor)
{
    return supervisor->board;
}

int supervisor_exit_status(const struct supervisor *supervisor)
{
    switch (supervisor->state) {
    case RUN_COMPLETE:
        return 0;
    case RUN_STOPPED:
        return 4;
    default:
        return 5;
    }
}

void supervisor_count(const struct supervisor *supervisor, int64_t now_ns,
                      struct supervisor_tally *tally)
{
    int64_t measured_ns = supervisor->measured_ns;
    if (supervisor->phase == PHASE_MEASURE)
        measured_ns += now_ns - supervisor->phase_ns;
    int64_t lost_ns = supervisor->lost_ns;
    if (supervisor->interrupted)
        lost_ns += now_ns - supervisor->interrupted_ns;
    *tally = (struct supervisor_tally){
        .planned = plan_stroke_count(supervisor->settings.plan),
        .whole = supervisor->furthest,
        .repeated = supervisor->repeated,
        .interruptions = supervisor->interruptions,
        .measuring_s = rig_ns_to_s(measured_ns),
        .lost_s = rig_ns_to_s(lost_ns),
    };
}

void supervisor_look(const struct supervisor *supervisor, int64_t now_ns,
                     struct supervisor_view *view)
{
    const struct plan *plan = supervisor->settings.plan;
    bool measuring = supervisor->phase == PHASE_MEASURE;
    double plan_s = measuring ? stroke_plan_s(supervisor, now_ns) : 0;
    double duration_s = plan_duration_s(plan), left_s = fmax(duration_s - plan_s, 0);
    if (supervisor->settings.until_ns)
        left_s = fmax(fmin(left_s, rig_ns_to_s(supervisor->settings.until_ns - now_ns)), 0);
    *view = (struct supervisor_view){
        .phase = supervisor->phase,
        .plan_s = plan_s,
        .duration_s = duration_s,
        .left_s = left_s,
        .segment = measuring ? plan_segment_at(plan, plan_s) : 0,
        .segments = plan_segment_count(plan),
        .stroke = supervisor->stroke,
        .strokes = plan_stroke_count(plan),
        .depth_mm = measuring ? plan_depth_mm(plan, plan_s) : NAN,
        .strokes_done = supervisor->furthest,
    };
}
