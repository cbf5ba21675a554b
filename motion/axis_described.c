/* SPDX-License-Identifier: GPL-3.0-or-later
 * A controller that is described by a file (motion/controller.h): its lines are made from
 * templates, its answers known by patterns. Each line has one answer, in order; there is no
 * sending again, so what gets lost ends the run. */
#include "motion/axis_dialect.h"

#include <math.h>
#include <string.h>

enum { HALT_TRIES = 3, STEP_HALT = 0, STEP_WAIT, STEP_QUERY };
static const int64_t HALT_RETRY_NS = 5000000000;
static const int64_t DRAIN_NS = 250000000;

static const struct controller *controller_of(const struct axis *axis)
{
    return &axis->settings.controller;
}

static const char *template_of(const struct axis *axis, enum controller_sent kind, int index)
{
    return controller_of(axis)->lines[kind][index];
}

static int count_of(const struct axis *axis, enum controller_sent kind)
{
    return controller_of(axis)->line_count[kind];
}

/* ---- lines out ---- */

static void put(const struct axis *axis, struct axis_line *line, const char *template,
                double stage_mm)
{
    const struct controller_values values = {.letter = axis->settings.letter,
                                             .wire_mm = axis_to_wire(axis, stage_mm),
                                             .feed_mm_s = line->command.feed_mm_s,
                                             .dwell_s = line->command.duration_s,
                                             .step_mm = axis->settings.step_mm};
    /* Two bytes stay for the end of the line. */
    line->size = controller_compose(template, &values, line->bytes, sizeof line->bytes - 2);
    axis_put(line, controller_of(axis)->end);
}

/* Homing lines, then the place that homing ends at; a wait where there is neither. */
static void compose_home(struct axis *axis, struct axis_line *line)
{
    int homes = axis->settings.homes ? count_of(axis, CONTROLLER_HOME) : 0;
    int places = isfinite(axis->settings.home_mm) ? count_of(axis, CONTROLLER_PLACE) : 0;
    int step = line->command.step;
    line->alone = line->blocks = true;
    line->last = step + 1 >= homes + places;
    if (step < homes)
        put(axis, line, template_of(axis, CONTROLLER_HOME, step), 0);
    else if (step < homes + places)
        put(axis, line, template_of(axis, CONTROLLER_PLACE, 0), axis->settings.home_mm);
    else
        put(axis, line, template_of(axis, CONTROLLER_WAIT, 0), 0);
}

static void compose_connect(struct axis *axis, struct axis_line *line)
{
    int starts = count_of(axis, CONTROLLER_START), step = line->command.step;
    line->alone = line->again = true;
    line->last = step + 1 >= starts;
    put(axis, line,
        step < starts ? template_of(axis, CONTROLLER_START, step)
                      : template_of(axis, CONTROLLER_WAIT, 0),
        0);
}

static void compose_halt(struct axis *axis, struct axis_line *line)
{
    static const enum controller_sent kinds[] = {
        [STEP_HALT] = CONTROLLER_HALT,
        [STEP_WAIT] = CONTROLLER_WAIT,
        [STEP_QUERY] = CONTROLLER_QUERY,
    };
    put(axis, line, template_of(axis, kinds[line->command.step], 0), 0);
    /* The stop itself never waits; what follows does where it must. */
    line->alone = line->command.step != STEP_HALT && controller_of(axis)->at_once == 1;
}

static void compose(struct axis *axis, struct axis_line *line)
{
    line->last = true;
    switch (line->command.kind) {
    case AXIS_DO_CONNECT:
        compose_connect(axis, line);
        return;
    case AXIS_DO_HOME:
        compose_home(axis, line);
        return;
    case AXIS_DO_MOVE:
        put(axis, line, template_of(axis, CONTROLLER_MOVE, 0), line->command.stage_mm);
        return;
    case AXIS_DO_DWELL:
        put(axis, line, template_of(axis, CONTROLLER_DWELL, 0), 0);
        line->blocks = true;
        return;
    case AXIS_DO_QUERY:
        put(axis, line, template_of(axis, CONTROLLER_QUERY, 0), 0);
        return;
    case AXIS_DO_HALT:
        compose_halt(axis, line);
        return;
    case AXIS_DO_SETTLE:
    case AXIS_DO_COUNT:
        put(axis, line, template_of(axis, CONTROLLER_WAIT, 0), 0);
        line->blocks = true;
        return;
    }
}

/* A halt always finds room. */
static size_t halt_bytes(const struct axis *axis)
{
    size_t bytes = 3 * strlen(controller_of(axis)->end);
    for (int kind = CONTROLLER_WAIT; kind <= CONTROLLER_HALT; kind++)
        bytes += strlen(template_of(axis, (enum controller_sent)kind, 0));
    return bytes;
}

static size_t budget(const struct axis *axis)
{
    size_t buffer = (size_t)axis->settings.buffer_bytes, kept = halt_bytes(axis);
    /* One line may always go; with one at once, nothing else waits when a halt comes. */
    return buffer > kept + AXIS_LINE_SIZE ? buffer - kept : AXIS_LINE_SIZE;
}

/* ---- answers ---- */

static void halt_done(struct axis *axis, double stage_mm, int64_t now_ns)
{
    int64_t asked_ns = axis_line_at(axis, axis->tail - 1)->first_ns;
    axis->kept = axis->head = axis->next = axis->tail;
    axis->state = AXIS_STATE_RUNNING;
    if (isfinite(stage_mm))
        axis_say_position(axis, stage_mm, asked_ns, now_ns);
    else
        axis->homed = axis->position_known = false; /* somewhere on its way */
    axis_halted(axis, stage_mm, now_ns);
}

/* The line that was taken last; in a halt without a question, that ends it. */
static void take(struct axis *axis, int64_t now_ns)
{
    if (axis->head == axis->next) {
        axis_say(axis, AXIS_CHATTER, 0, now_ns, "an answer to nothing");
        return;
    }
    bool last = axis->head + 1 == axis->tail && axis->next == axis->tail;
    axis_accept(axis, now_ns);
    bool asks = count_of(axis, CONTROLLER_QUERY) > 0;
    if (axis->state == AXIS_STATE_HALTING && last && !asks)
        halt_done(axis, NAN, now_ns);
}

static void hear_position(struct axis *axis, double wire_mm, bool takes, const char *text,
                          int64_t now_ns)
{
    double stage_mm = axis_to_wire(axis, wire_mm); /* its own inverse */
    bool halting = axis->state == AXIS_STATE_HALTING;
    if (halting && axis->halt_stale > 0) {
        axis->halt_stale--; /* asked for before the halt, while moving */
    } else if (halting) {
        bool asked = axis->next == axis->tail &&
                     axis_line_at(axis, axis->tail - 1)->command.step == STEP_QUERY;
        if (!asked)
            return;
        halt_done(axis, stage_mm, now_ns);
        axis->draining = !takes; /* its own answer is still to come */
        axis->drain_until_ns = now_ns + DRAIN_NS;
    } else if (axis->query_open && !axis->query_answered) {
        axis->query_answered = true;
        axis_say_position(axis, stage_mm, axis->query_asked_ns, now_ns);
    } else {
        axis_say(axis, AXIS_CHATTER, 0, now_ns, text);
    }
}

static void hear(struct axis *axis, const char *text, int64_t now_ns)
{
    double wire_mm;
    bool takes;
    enum controller_heard means = controller_hear(controller_of(axis), text, axis->settings.letter,
                                                  axis->settings.step_mm, &wire_mm, &takes);
    if (axis->state == AXIS_STATE_GREETING) {
        axis->greeted = axis->greeted || means == CONTROLLER_GREETS;
        axis_say(axis, AXIS_CHATTER, 0, now_ns, text);
        return;
    }
    if (axis->state == AXIS_STATE_FROZEN || axis->state == AXIS_STATE_LOST) {
        if (axis->state == AXIS_STATE_FROZEN && means == CONTROLLER_GREETS)
            axis_lose(axis, AXIS_RESET, now_ns, text);
        else
            axis_say(axis, AXIS_CHATTER, 0, now_ns, text);
        return;
    }
    bool halting = axis->state == AXIS_STATE_HALTING;
    switch (means) {
    case CONTROLLER_GREETS:
        if (axis_being_set_up(axis))
            axis_greet_again(axis, now_ns);
        else
            axis_lose(axis, AXIS_RESET, now_ns, text);
        return;
    case CONTROLLER_ALARM:
        axis_freeze(axis, AXIS_ALARM, now_ns, text);
        return;
    case CONTROLLER_REFUSED:
        axis_freeze(axis, AXIS_REFUSED, now_ns, text);
        return;
    case CONTROLLER_BUSY:
        axis_answered(axis, now_ns);
        axis_say(axis, AXIS_BUSY, 0, now_ns, text);
        return;
    case CONTROLLER_POSITION:
        axis_answered(axis, now_ns);
        hear_position(axis, wire_mm, takes, text, now_ns);
        /* The end of a halt has left nothing to be taken. */
        if (takes && (!halting || axis->state == AXIS_STATE_HALTING))
            take(axis, now_ns);
        return;
    case CONTROLLER_TAKEN:
        axis_answered(axis, now_ns);
        if (axis->draining)
            axis->draining = false; /* that of the question which ended a halt */
        else
            take(axis, now_ns);
        return;
    case CONTROLLER_CHATTER:
        axis_say(axis, AXIS_CHATTER, 0, now_ns, text);
        return;
    }
}

/* ---- halting, time ---- */

static void ask_halt(struct axis *axis, int64_t now_ns)
{
    int last = count_of(axis, CONTROLLER_QUERY) > 0 ? STEP_QUERY : STEP_WAIT;
    axis->halt_ns = now_ns;
    axis->halt_tries++;
    for (int step = STEP_HALT; step <= last; step++)
        axis_push(axis, AXIS_DO_HALT, step);
}

static void halt(struct axis *axis, bool now, int64_t now_ns)
{
    if (!now) {
        ask_halt(axis, now_ns);
        return;
    }
    bool kills = count_of(axis, CONTROLLER_KILL) > 0;
    struct axis_line line = {.size = 0};
    put(axis, &line, template_of(axis, kills ? CONTROLLER_KILL : CONTROLLER_HALT, 0), 0);
    memcpy(axis->urgent, line.bytes, line.size);
    axis->urgent_size = line.size;
    axis->kept = axis->head = axis->next = axis->tail;
    axis->homed = axis->position_known = false;
    axis->state = AXIS_STATE_LOST;
    axis_halted(axis, NAN, now_ns);
}

static void connect(struct axis *axis, bool greeted)
{
    (void)greeted;
    axis->draining = false;
}

static int64_t halt_retry_ns(const struct axis *axis)
{
    return axis->halt_tries < HALT_TRIES ? axis->halt_ns + HALT_RETRY_NS : INT64_MAX;
}

static void tick(struct axis *axis, int64_t now_ns)
{
    if (axis->state == AXIS_STATE_GREETING) {
        if (axis->greeting_ns < 0)
            axis->greeting_ns = now_ns;
        if (now_ns >= axis_greeting_ends_ns(axis))
            axis->state = AXIS_STATE_RUNNING;
    }
    if (axis->draining && now_ns >= axis->drain_until_ns)
        axis->draining = false;
    if (axis->state == AXIS_STATE_HALTING && now_ns >= halt_retry_ns(axis)) {
        axis->head = axis->next; /* long since read; their answers were lost */
        axis->halt_stale = 0;
        ask_halt(axis, now_ns);
    }
}

static int64_t deadline_ns(const struct axis *axis)
{
    if (axis->state == AXIS_STATE_GREETING)
        return axis_greeting_ends_ns(axis);
    int64_t deadline = axis->draining ? axis->drain_until_ns : INT64_MAX;
    if (axis->state == AXIS_STATE_HALTING && halt_retry_ns(axis) < deadline)
        deadline = halt_retry_ns(axis);
    return deadline;
}

const struct axis_dialect axis_described = {
    .name = "a file of your own",
    .compose = compose,
    .hear = hear,
    .connect = connect,
    .halt = halt,
    .tick = tick,
    .deadline_ns = deadline_ns,
    .budget = budget,
    .flight_room = 24,
};
