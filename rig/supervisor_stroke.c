/* SPDX-License-Identifier: GPL-3.0-or-later
 * Stroke after stroke: when each starts, its lines, the questions for the position
 * while it moves, its row and the marks of the plan. */
#include "rig/supervisor_parts.h"

#include "base/clock.h"

#include <math.h>
#include <stdio.h>

/* How much longer than usual a stroke may take; and than planned, before the usual is known
 * (common practice, no source). */
static const double LATE_S = 0.15, LATE_SHARE = 0.01, LATE_ANSWER_S = 0.1, FIRST_LATE_S = 1,
                    FIRST_LATE_SHARE = 0.02;
/* For the board to come to rest in a hold that goes on. */
static const double HOLD_AGAIN_S = 600;

static int64_t later(int64_t a, int64_t b)
{
    return a > b ? a : b;
}

static int64_t sooner(int64_t a, int64_t b)
{
    return a < b ? a : b;
}

static const struct plan_stroke *stroke_of(const struct supervisor *supervisor, size_t index)
{
    return &plan_strokes(supervisor->settings.plan)[index];
}

static size_t stroke_count(const struct supervisor *supervisor)
{
    return plan_stroke_count(supervisor->settings.plan);
}

/* Time is up for the plan's last hold, or for a plan without motion. */
static int64_t rest_until_ns(const struct supervisor *supervisor)
{
    double duration_s = plan_duration_s(supervisor->settings.plan);
    size_t count = stroke_count(supervisor);
    double end_s = count ? stroke_of(supervisor, count - 1)->end_s : 0;
    return supervisor->ended_ns + rig_s_to_ns(fmax(duration_s - end_s, 0));
}

double stroke_plan_s(const struct supervisor *supervisor, int64_t at_ns)
{
    const struct plan *plan = supervisor->settings.plan;
    size_t count = stroke_count(supervisor), now = supervisor->stroke;
    bool moving = supervisor->step == STEP_SEND || supervisor->step == STEP_SETTLE;
    if (moving) {
        const struct plan_stroke *stroke = stroke_of(supervisor, now);
        if (!supervisor->sent || at_ns < supervisor->sent_ns)
            return stroke->start_s;
        return fmin(stroke->start_s + rig_ns_to_s(at_ns - supervisor->sent_ns), stroke->end_s);
    }
    double from_s = now ? stroke_of(supervisor, now - 1)->end_s : 0;
    double until_s = now < count ? stroke_of(supervisor, now)->start_s : plan_duration_s(plan);
    double since_s = rig_ns_to_s(at_ns - supervisor->ended_ns);
    return fmax(fmin(from_s + fmax(since_s, 0), until_s), fmin(from_s, until_s));
}

/* How long the stage rests before a stroke, by the plan. */
static double hold_before_s(const struct supervisor *supervisor, size_t stroke)
{
    double start_s = stroke_of(supervisor, stroke)->start_s;
    return fmax(stroke ? start_s - stroke_of(supervisor, stroke - 1)->end_s : start_s, 0);
}

/* A long hold that was cut is not begun all over: what is left of it counts, and enough
 * for the board to come to rest. */
static double hold_left_s(const struct supervisor *supervisor, size_t stroke)
{
    double hold_s = hold_before_s(supervisor, stroke);
    if (stroke != supervisor->held_stroke || supervisor->held_s == 0)
        return hold_s;
    return fmax(fmin(hold_s, HOLD_AGAIN_S), hold_s - supervisor->held_s);
}

static void next_stroke(struct supervisor *supervisor, int64_t ended_ns)
{
    const struct plan_stroke *before = stroke_of(supervisor, supervisor->stroke);
    int64_t sent_ns = supervisor->sent ? supervisor->sent_ns : ended_ns;
    supervisor->ended_ns = ended_ns;
    supervisor->rest_mm = plan_stage_mm(supervisor->settings.plan, before->end_s);
    supervisor->stroke++;
    if (supervisor->stroke > supervisor->furthest) {
        supervisor->furthest = supervisor->stroke;
        supervisor->tries = supervisor->grave_tries = 0;
    }
    supervisor->sent = supervisor->accepted = supervisor->asked_at_rest = false;
    if (supervisor->stroke == stroke_count(supervisor)) {
        supervisor->step = STEP_REST;
        return;
    }
    const struct plan_stroke *next = stroke_of(supervisor, supervisor->stroke);
    double hold_s = hold_left_s(supervisor, supervisor->stroke);
    supervisor->step = STEP_WAIT;
    supervisor->due_ns = ended_ns + rig_s_to_ns(hold_s);
    if (supervisor->held_s == 0 || supervisor->stroke != supervisor->held_stroke)
        supervisor->due_ns =
            later(supervisor->due_ns, sent_ns + rig_s_to_ns(next->start_s - before->start_s));
}

void stroke_begin(struct supervisor *supervisor, int64_t now_ns)
{
    supervisor->measured = true;
    supervisor->held_s = 0;
    stroke_resume(supervisor, supervisor->resume_stroke, now_ns);
}

void stroke_resume(struct supervisor *supervisor, size_t stroke, int64_t now_ns)
{
    bool any = stroke < stroke_count(supervisor);
    supervisor->stroke = stroke;
    supervisor->step = any ? STEP_WAIT : STEP_REST;
    supervisor->sent = supervisor->accepted = supervisor->asked_at_rest = false;
    supervisor->settle_queued = supervisor->line_waits = false;
    supervisor->begun_count = 0;
    supervisor->ended_ns = now_ns;
    supervisor->rest_mm =
        any ? plan_stage_mm(supervisor->settings.plan, stroke_of(supervisor, stroke)->start_s)
            : (double)NAN;
    supervisor->due_ns = now_ns + (any ? rig_s_to_ns(hold_left_s(supervisor, stroke)) : 0);
}

size_t stroke_at(const struct supervisor *supervisor, int64_t at_ns)
{
    size_t count = supervisor->begun_count, kept = count < BEGUN_ROOM ? count : BEGUN_ROOM;
    size_t found = supervisor->stroke < stroke_count(supervisor) ? supervisor->stroke
                                                                 : stroke_count(supervisor) - 1;
    for (size_t i = 0; i < kept; i++) {
        const struct stroke_begun *begun = &supervisor->begun[(count - 1 - i) % BEGUN_ROOM];
        found = begun->stroke;
        if (begun->sent_ns <= at_ns)
            break;
    }
    return found;
}

static void note_begun(struct supervisor *supervisor, int64_t sent_ns)
{
    supervisor->begun[supervisor->begun_count++ % BEGUN_ROOM] =
        (struct stroke_begun){.stroke = supervisor->stroke, .sent_ns = sent_ns};
    supervisor->repeated += supervisor->stroke < supervisor->begun_most;
    if (supervisor->stroke >= supervisor->begun_most)
        supervisor->begun_most = supervisor->stroke + 1;
}

static void write_stroke(struct supervisor *supervisor, double ended_s)
{
    const struct run_log *log = &supervisor->settings.log;
    const struct stroke_row row = {
        .stroke = (uint32_t)supervisor->stroke,
        .plan_s = stroke_of(supervisor, supervisor->stroke)->start_s,
        .sent_s = supervisor_t_s(supervisor, supervisor->sent_ns),
        .accepted_s =
            supervisor->accepted ? supervisor_t_s(supervisor, supervisor->accepted_ns) : NAN,
        .ended_s = ended_s,
    };
    log->stroke(log->context, &row);
}

/* A stroke without an end tells whoever reads the recording that the stage is not where the
 * plan has it until the next row; in a hold the stroke is the next one, which did not begin. */
void stroke_cut(struct supervisor *supervisor, int64_t now_ns)
{
    bool moving = supervisor->step == STEP_SEND || supervisor->step == STEP_SETTLE;
    size_t count = stroke_count(supervisor), stroke = supervisor->stroke;
    if (moving) {
        if (!supervisor->sent)
            supervisor->sent_ns = now_ns;
    } else {
        double held_s = rig_ns_to_s(now_ns - supervisor->ended_ns);
        supervisor->held_s =
            stroke == supervisor->held_stroke ? supervisor->held_s + held_s : held_s;
        supervisor->held_stroke = stroke;
        supervisor->sent_ns = now_ns;
        supervisor->accepted = false;
    }
    if (stroke < count || (stroke > 0 && !moving)) {
        supervisor->stroke = stroke < count ? stroke : count - 1;
        write_stroke(supervisor, NAN);
        supervisor->stroke = stroke;
    }
    supervisor->sent = false;
}

static void write_motion(struct supervisor *supervisor, int64_t at_ns, double reported_mm,
                         double bracket_s)
{
    const struct plan *plan = supervisor->settings.plan;
    const struct run_log *log = &supervisor->settings.log;
    double plan_s = stroke_plan_s(supervisor, at_ns);
    const struct motion_row row = {
        .t_s = supervisor_t_s(supervisor, at_ns),
        .stroke = (uint32_t)supervisor->stroke,
        .depth_mm = plan_depth_mm(plan, plan_s),
        .reported_mm = reported_mm,
        .bracket_s = bracket_s,
        .segment = (uint32_t)plan_segment_at(plan, plan_s),
    };
    log->motion(log->context, &row);
    supervisor->last_depth_mm = isfinite(reported_mm) ? reported_mm : row.depth_mm;
}

/* Moves as many lines as fit towards the controller. */
static int send_lines(struct supervisor *supervisor, struct rig_err *err)
{
    while (supervisor->line_waits && axis_room(supervisor->axis) > 0) {
        const struct plan_line *line = &supervisor->line;
        int code = line->dwell_s > 0
                       ? axis_dwell(supervisor->axis, supervisor->line_tag, line->dwell_s, err)
                       : axis_move(supervisor->axis, supervisor->line_tag, line->stage_mm,
                                   line->feed_mm_s, err);
        if (code)
            return code;
        supervisor->moved = true;
        supervisor->line_tag++;
        supervisor->line_waits = plan_next_line(&supervisor->cursor, &supervisor->line);
    }
    if (supervisor->line_waits || supervisor->settle_queued || axis_room(supervisor->axis) == 0)
        return RIG_OK;
    int code = axis_settle(supervisor->axis, TAG_SETTLE + supervisor->stroke, err);
    if (code)
        return code;
    supervisor->settle_queued = true;
    supervisor->step = STEP_SETTLE;
    return RIG_OK;
}

static void start_stroke(struct supervisor *supervisor)
{
    const struct plan *plan = supervisor->settings.plan;
    supervisor->cursor = plan_stroke_lines(plan, supervisor->stroke);
    supervisor->line_waits = plan_next_line(&supervisor->cursor, &supervisor->line);
    supervisor->first_tag = supervisor->line_tag =
        stroke_of(supervisor, supervisor->stroke)->first_line;
    supervisor->settle_queued = supervisor->sent = supervisor->accepted = false;
    supervisor->rest_mm = NAN;
    supervisor->step = STEP_SEND;
}

/* Questions in a steady beat can fall into step with the rounding of the answers: at 8 mm/s and ten
 * questions a second each would be off by the same share of 0.01 mm. So the time between them runs
 * from 3/4 to 5/4 of the usual, evenly (multiples of the golden section, modulo 1). */
static double uneven(uint64_t *count)
{
    static const double GOLDEN = 0.61803398874989485;
    double turns = GOLDEN * (double)((*count)++ % 1000000);
    return 0.75 + 0.5 * (turns - floor(turns));
}

static void ask_position(struct supervisor *supervisor, int64_t now_ns)
{
    const struct rig_axis *settings = &supervisor->settings.rig->axis;
    if (!settings->live_position || !(settings->poll_hz > 0) || !supervisor->sent ||
        now_ns < supervisor->next_query_ns)
        return;
    /* A question that can't be asked now is asked next time: nothing depends on one. */
    axis_query(supervisor->axis, NULL);
    supervisor->next_query_ns =
        now_ns + rig_s_to_ns(uneven(&supervisor->queries) / settings->poll_hz);
}

static void tell_marks(struct supervisor *supervisor, int64_t now_ns)
{
    const struct plan *plan = supervisor->settings.plan;
    const struct plan_mark *marks = plan_marks(plan);
    double plan_s = stroke_plan_s(supervisor, now_ns);
    while (supervisor->mark < plan_mark_count(plan) && marks[supervisor->mark].at_s <= plan_s)
        supervisor_say(supervisor, now_ns, "mark", marks[supervisor->mark++].text);
}

/* Once in each hold: a line that got lost without anybody's noticing shows here. */
static void ask_at_rest(struct supervisor *supervisor)
{
    if (supervisor->asked_at_rest || isnan(supervisor->rest_mm))
        return;
    supervisor->asked_at_rest = true;
    axis_query(supervisor->axis, NULL);
}

static void check_at_rest(struct supervisor *supervisor, const struct axis_event *event,
                          int64_t now_ns)
{
    double sent_mm = supervisor->rest_mm;
    if (isnan(sent_mm) || event->asked_ns < supervisor->ended_ns ||
        supervisor_agrees(event->stage_mm, sent_mm))
        return;
    char text[240];
    snprintf(text, sizeof text,
             "the axis stands at stage position %.3f mm where it was sent to %.3f mm: a line got "
             "lost, or the stage was held",
             event->stage_mm, sent_mm);
    interrupt_note(supervisor, "position", text, INTERRUPT_HOME, supervisor->ended_ns - 1, now_ns);
    supervisor_retreat(supervisor, now_ns);
}

bool stroke_time_is_up(const struct supervisor *supervisor, int64_t needs_ns, int64_t now_ns)
{
    int64_t until_ns = supervisor->settings.until_ns;
    return until_ns && now_ns + needs_ns >= until_ns;
}

/* The time by which the run is to be over leaves none for what comes next. */
static bool nothing_more_fits(const struct supervisor *supervisor, int64_t now_ns)
{
    int64_t home_ns = supervisor_way_home_ns(supervisor);
    if (supervisor->step == STEP_SEND || supervisor->step == STEP_SETTLE)
        return false;
    if (supervisor->step == STEP_REST || now_ns < supervisor->due_ns)
        return stroke_time_is_up(supervisor, home_ns, now_ns);
    const struct plan_stroke *next = stroke_of(supervisor, supervisor->stroke);
    return stroke_time_is_up(supervisor, home_ns + rig_s_to_ns(next->end_s - next->start_s),
                             now_ns);
}

void stroke_end_in_time(struct supervisor *supervisor, int64_t now_ns)
{
    char text[160];
    snprintf(text, sizeof text, "ended for %s as asked, after %zu of %zu strokes",
             supervisor->settings.until, supervisor->furthest, stroke_count(supervisor));
    supervisor_leave(supervisor, RUN_COMPLETE, text, now_ns);
    supervisor_retreat(supervisor, now_ns);
}

void stroke_tick(struct supervisor *supervisor, int64_t now_ns)
{
    struct rig_err err = {0};
    tell_marks(supervisor, now_ns);
    if (nothing_more_fits(supervisor, now_ns)) {
        stroke_end_in_time(supervisor, now_ns);
        return;
    }
    if (supervisor->step == STEP_WAIT && now_ns >= supervisor->due_ns)
        start_stroke(supervisor);
    switch (supervisor->step) {
    case STEP_WAIT:
        ask_at_rest(supervisor);
        return;
    case STEP_SEND:
        if (send_lines(supervisor, &err)) {
            supervisor_fault(supervisor, "limit", err.text, now_ns);
            return;
        }
        ask_position(supervisor, now_ns);
        return;
    case STEP_SETTLE:
        ask_position(supervisor, now_ns);
        return;
    case STEP_REST:
        ask_at_rest(supervisor);
        if (now_ns >= rest_until_ns(supervisor)) {
            supervisor->state = RUN_COMPLETE;
            supervisor_park(supervisor, now_ns);
        }
        return;
    }
}

/* Whether a time is longer than the usual one and some; a mean that forgets follows. */
static bool longer(double *usual_s, double time_s, double more_s, double first_s)
{
    bool known = !isnan(*usual_s);
    if (time_s > (known ? *usual_s + more_s : first_s))
        return true;
    *usual_s = known ? *usual_s + (time_s - *usual_s) / 8 : time_s;
    return false;
}

/* A stroke that began late, or took longer than it should, did not move as planned: lines
 * came too late, and the stage stood or crept in between. A controller's delays are much
 * the same for all strokes. True when it is interrupted for that. */
static bool check_times(struct supervisor *supervisor, int64_t ended_ns, int64_t now_ns)
{
    const struct plan_stroke *stroke = stroke_of(supervisor, supervisor->stroke);
    double planned_s = stroke->end_s - stroke->start_s;
    double slack_s = rig_ns_to_s(ended_ns - supervisor->sent_ns) - planned_s;
    double answer_s =
        supervisor->accepted ? rig_ns_to_s(supervisor->accepted_ns - supervisor->sent_ns) : 0;
    bool began_late = longer(&supervisor->answer_s, answer_s, LATE_ANSWER_S, FIRST_LATE_S);
    bool ended_late = longer(&supervisor->slack_s, slack_s, LATE_S + LATE_SHARE * planned_s,
                             FIRST_LATE_S + FIRST_LATE_SHARE * planned_s);
    if (!began_late && !ended_late)
        return false;
    char text[240];
    if (ended_late)
        snprintf(text, sizeof text,
                 "stroke %zu took %.2f s, %.2f s more than planned: lines came too late, or the "
                 "controller's speeds and accelerations are not those of the rig file",
                 supervisor->stroke + 1, planned_s + slack_s, slack_s);
    else
        snprintf(text, sizeof text,
                 "the first line of stroke %zu was taken after %.2f s only: nobody knows when it "
                 "began to move",
                 supervisor->stroke + 1, answer_s);
    interrupt_note(supervisor, "late", text, INTERRUPT_PLAIN, supervisor->sent_ns, now_ns);
    supervisor_retreat(supervisor, now_ns);
    return true;
}

void stroke_axis_event(struct supervisor *supervisor, const struct axis_event *event,
                       int64_t now_ns)
{
    bool moving = supervisor->step == STEP_SEND || supervisor->step == STEP_SETTLE;
    if (!moving && event->kind == AXIS_POSITION)
        check_at_rest(supervisor, event, now_ns);
    if (!moving)
        return;
    switch (event->kind) {
    case AXIS_SENT:
        if (event->tag == supervisor->first_tag && !supervisor->sent) {
            supervisor->sent = true;
            supervisor->sent_ns = event->at_ns;
            supervisor->next_query_ns = event->at_ns;
            note_begun(supervisor, event->at_ns);
            write_motion(supervisor, event->at_ns, NAN, NAN);
        }
        return;
    case AXIS_RESEND:
        /* The first line did not get through: it goes out again now. */
        if (supervisor->sent && !supervisor->accepted)
            supervisor->sent_ns = event->at_ns;
        return;
    case AXIS_ACCEPTED:
        if (event->tag == supervisor->first_tag && !supervisor->accepted) {
            supervisor->accepted = true;
            supervisor->accepted_ns = event->at_ns;
        }
        return;
    case AXIS_POSITION: {
        int64_t half_ns = (event->answered_ns - event->asked_ns) / 2;
        write_motion(supervisor, event->asked_ns + half_ns,
                     rig_depth_from_stage(supervisor->settings.rig, event->stage_mm),
                     rig_ns_to_s(half_ns));
        return;
    }
    case AXIS_SETTLED:
        if (event->tag != TAG_SETTLE + supervisor->stroke)
            return;
        write_motion(supervisor, event->at_ns, NAN, NAN);
        if (check_times(supervisor, event->at_ns, now_ns))
            return;
        write_stroke(supervisor, supervisor_t_s(supervisor, event->at_ns));
        next_stroke(supervisor, event->at_ns);
        return;
    default:
        return;
    }
}

int64_t stroke_deadline_ns(const struct supervisor *supervisor, int64_t now_ns)
{
    const struct plan *plan = supervisor->settings.plan;
    const struct rig_axis *settings = &supervisor->settings.rig->axis;
    bool moving = supervisor->step == STEP_SEND || supervisor->step == STEP_SETTLE;
    int64_t deadline_ns = INT64_MAX;
    if (supervisor->step == STEP_WAIT)
        deadline_ns = supervisor->due_ns;
    else if (supervisor->step == STEP_REST)
        deadline_ns = rest_until_ns(supervisor);
    else if (settings->live_position && settings->poll_hz > 0 && supervisor->sent)
        deadline_ns = supervisor->next_query_ns;
    if (!moving && supervisor->settings.until_ns)
        deadline_ns =
            sooner(deadline_ns, supervisor->settings.until_ns - supervisor_way_home_ns(supervisor));
    if (supervisor->mark < plan_mark_count(plan)) {
        double ahead_s =
            plan_marks(plan)[supervisor->mark].at_s - stroke_plan_s(supervisor, now_ns);
        /* A mark beyond this step comes with a later one. */
        deadline_ns = sooner(deadline_ns, now_ns + rig_s_to_ns(fmin(fmax(ahead_s, 1e-3), 1e6)));
    }
    return deadline_ns;
}
