/* SPDX-License-Identifier: GPL-3.0-or-later
 * The wire to the axis' controller, the part that all dialects share: opening,
 * the queue of commands and its limits. axis_flow.c hands lines out and takes
 * answers in, axis_events.c says what they mean. Memory is fixed after axis_open. */
#include "motion/axis_dialect.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const struct axis_dialect *const dialects[] = {&axis_acknowledged, &axis_polled};
static const double LONGEST_S = 30 * 86400.0; /* of one command, as far as is reckoned */
enum { DIALECT_COUNT = sizeof dialects / sizeof dialects[0] };

bool axis_dialect_known(const char *name)
{
    for (size_t i = 0; i < DIALECT_COUNT; i++)
        if (strcmp(name, dialects[i]->name) == 0)
            return true;
    return false;
}

static int refuse_dialect(const char *name, struct rig_err *err)
{
    char known[128] = "";
    for (size_t i = 0; i < DIALECT_COUNT; i++) {
        size_t size = strlen(known);
        snprintf(known + size, sizeof known - size, "%s'%s'", i ? " or " : "", dialects[i]->name);
    }
    rig_fail(err, RIG_EINPUT,
             "the axis speaks '%.60s', which is not known here; known is %s, and a file of your "
             "own that describes it (docs/wire.md)",
             name, known);
    return RIG_EINPUT;
}

struct axis *axis_open(const struct rig_axis *settings, struct rig_err *err)
{
    const struct axis_dialect *dialect = NULL;
    for (size_t i = 0; i < DIALECT_COUNT; i++)
        if (strcmp(settings->speaks, dialects[i]->name) == 0)
            dialect = dialects[i];
    if (!dialect && settings->controller.given)
        dialect = &axis_described;
    if (!dialect) {
        refuse_dialect(settings->speaks, err);
        return NULL;
    }
    if (settings->buffer_bytes < AXIS_LINE_SIZE || !(settings->speed_mm_s > 0) ||
        !(settings->acceleration_mm_s2 > 0)) {
        rig_fail(err, RIG_EINPUT,
                 "the axis needs a speed and an acceleration above zero, and a controller's buffer "
                 "of at least %d bytes",
                 AXIS_LINE_SIZE);
        return NULL;
    }
    struct axis *axis = calloc(1, sizeof *axis);
    if (!axis) {
        rig_fail_memory(err, "the axis wire");
        return NULL;
    }
    axis->settings = *settings;
    axis->dialect = dialect;
    axis->flight_room = dialect->flight_room;
    if (dialect == &axis_described && axis->flight_room > (size_t)settings->controller.at_once)
        axis->flight_room = (size_t)settings->controller.at_once;
    axis->greeting_ns = axis->greeted_ns = -1;
    axis->now_ns = axis->motion_end_ns = axis->answered_ns = INT64_MIN;
    return axis;
}

void axis_free(struct axis *axis)
{
    free(axis);
}

size_t axis_room(const struct axis *axis)
{
    if (axis->halt_wanted ||
        (axis->state != AXIS_STATE_RUNNING && axis->state != AXIS_STATE_GREETING))
        return 0;
    return axis->queue_count < AXIS_QUEUE_ROOM ? AXIS_QUEUE_ROOM - 1 - axis->queue_count : 0;
}

size_t axis_in_flight(const struct axis *axis)
{
    return (size_t)(axis->tail - axis->head);
}

bool axis_idle(const struct axis *axis)
{
    if (axis->halt_wanted || axis->state == AXIS_STATE_GREETING ||
        axis->state == AXIS_STATE_HALTING)
        return false;
    return axis->queue_count == 0 && !axis->renumber && axis->head == axis->tail &&
           !axis->query_wanted && !axis->query_open && axis->out_done == axis->out_size;
}

bool axis_knows_position(const struct axis *axis)
{
    return axis->position_known;
}

void axis_drop_queue(struct axis *axis)
{
    axis->queue_first = axis->queue_count = 0;
    axis->query_wanted = false;
    axis->target_known = false;
    axis->homed = axis->position_known; /* a homing still queued will not happen */
}

static int queue(struct axis *axis, const struct axis_command *command, struct rig_err *err)
{
    if (axis_room(axis) == 0)
        return rig_fail(err, RIG_EBUG, "a command for the axis came when there was no room for it");
    size_t place = (axis->queue_first + axis->queue_count++) % AXIS_QUEUE_ROOM;
    axis->queue[place] = *command;
    return RIG_OK;
}

int axis_connect(struct axis *axis, struct rig_err *err)
{
    axis_drop_queue(axis);
    axis->state = AXIS_STATE_GREETING;
    axis->ready = axis->homed = axis->position_known = false;
    axis->halt_wanted = axis->halt_now = false;
    axis->query_open = false;
    axis->kept = axis->head = axis->next = axis->tail;
    axis->urgent_size = 0;
    axis_greet(axis);
    axis->dialect->connect(axis, false);
    const struct axis_command connect = {.kind = AXIS_DO_CONNECT};
    return queue(axis, &connect, err);
}

int axis_home(struct axis *axis, struct rig_err *err)
{
    const struct axis_command home = {.kind = AXIS_DO_HOME};
    int code = queue(axis, &home, err);
    if (code == RIG_OK) {
        axis->homed = true; /* what is queued behind it goes out after it */
        axis->target_mm = axis->settings.home_mm;
        axis->target_known = isfinite(axis->target_mm);
    }
    return code;
}

int axis_move(struct axis *axis, uint64_t tag, double stage_mm, double feed_mm_s,
              struct rig_err *err)
{
    const struct rig_axis *settings = &axis->settings;
    double half_digit = 0.5e-4, wire = axis_wire_stage_mm(settings, stage_mm);
    if (!(wire >= settings->travel_low_mm - half_digit) ||
        !(wire <= settings->travel_high_mm + half_digit))
        return rig_fail(err, RIG_ELIMIT,
                        "a move to stage position %.4f mm is outside the travel (%.4f mm to %.4f "
                        "mm); it was not sent",
                        stage_mm, settings->travel_low_mm, settings->travel_high_mm);
    double feed = axis_wire_feed_mm_s(settings, feed_mm_s);
    if (!(feed > 0) || !(feed <= settings->speed_mm_s + 1.0 / 60e3))
        return rig_fail(err, RIG_ELIMIT,
                        "a move at %.6f mm/s is outside the axis' speeds (above 0 mm/s, up to %.4f "
                        "mm/s); it was not sent",
                        feed_mm_s, settings->speed_mm_s);
    if (settings->homes && !axis->homed)
        return rig_fail(err, RIG_ELIMIT,
                        "a move before homing was not sent: the axis' position is not known yet");
    double from = axis->target_known ? axis->target_mm : stage_mm;
    struct axis_command move = {.kind = AXIS_DO_MOVE,
                                .tag = tag,
                                .stage_mm = wire,
                                .feed_mm_s = feed,
                                .duration_s = fmin(fabs(wire - from) / feed, LONGEST_S)};
    int code = queue(axis, &move, err);
    if (code == RIG_OK) {
        axis->target_mm = wire;
        axis->target_known = true;
    }
    return code;
}

int axis_dwell(struct axis *axis, uint64_t tag, double dwell_s, struct rig_err *err)
{
    if (!(dwell_s >= 0) || !(dwell_s <= 86400))
        return rig_fail(err, RIG_ELIMIT, "a dwell of %g s is not between 0 s and a day", dwell_s);
    const struct axis_command dwell = {.kind = AXIS_DO_DWELL, .tag = tag, .duration_s = dwell_s};
    return queue(axis, &dwell, err);
}

int axis_settle(struct axis *axis, uint64_t tag, struct rig_err *err)
{
    const struct axis_command settle = {.kind = AXIS_DO_SETTLE, .tag = tag};
    return queue(axis, &settle, err);
}

int axis_query(struct axis *axis, struct rig_err *err)
{
    (void)err;
    if (axis->state == AXIS_STATE_RUNNING && !axis->halt_wanted && !axis->query_open)
        axis->query_wanted = true;
    return RIG_OK;
}

void axis_halt(struct axis *axis, bool now)
{
    axis_drop_queue(axis);
    axis->halt_wanted = true;
    axis->halt_now = axis->halt_now || now;
}
