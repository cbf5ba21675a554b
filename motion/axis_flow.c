/* SPDX-License-Identifier: GPL-3.0-or-later
 * The axis wire's flow: which line goes out when, so that the controller's buffer
 * never overruns and its planner neither starves nor blocks questions; lines from
 * bytes; and how long an answer may take. */
#include "motion/axis_dialect.h"

#include "base/clock.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* Common practice, no source: bounds that real controllers keep with a wide margin. */
static const int64_t SECOND_NS = 1000000000;
static const int64_t ANSWER_LIMIT_NS = 5000000000;
static const int64_t CONNECT_LIMIT_NS = 10000000000;
static const int64_t HOME_LIMIT_NS = 120000000000;
static const int64_t QUERY_PROBE_NS = 1000000000;
static const int64_t SLACK_LIMIT_NS = 60000000000;

struct axis_line *axis_line_at(struct axis *axis, uint64_t place)
{
    return &axis->lines[place % AXIS_LINE_ROOM];
}

size_t axis_bytes_in_flight(const struct axis *axis)
{
    size_t bytes = 0;
    for (uint64_t i = axis->head; i < axis->next; i++)
        bytes += axis->lines[i % AXIS_LINE_ROOM].size;
    return bytes;
}

static int64_t later(int64_t a, int64_t b)
{
    return a > b ? a : b;
}

static int64_t sooner(int64_t a, int64_t b)
{
    return a < b ? a : b;
}

/* ---- what may go out ---- */

/* Moves wait when the controller holds enough of them already: its planner then
 * keeps a place free, so that questions and halts are heard at once. By the count
 * of moves not yet ended, or while there is motion for more than the time to stop
 * and a second; whichever lets a move go first, so that a controller whose clock
 * runs fast is not starved. */
static int64_t move_after_ns(const struct axis *axis)
{
    int64_t ahead =
        SECOND_NS + (int64_t)(2e9 * axis->settings.speed_mm_s / axis->settings.acceleration_mm_s2);
    int64_t by_time = axis->motion_end_ns == INT64_MIN ? INT64_MIN : axis->motion_end_ns - ahead;
    int planned = axis->settings.lookahead_lines - 2;
    planned = planned < 1 ? 1 : planned > AXIS_LINE_ROOM ? AXIS_LINE_ROOM : planned;
    if (axis->end_count < (uint64_t)planned)
        return INT64_MIN;
    int64_t by_count = axis->ends_ns[(axis->end_count - (uint64_t)planned) % AXIS_LINE_ROOM];
    return sooner(by_time, by_count);
}

/* When the command may go out as far as time decides: INT64_MIN for at once. */
static int64_t after_ns(const struct axis *axis, const struct axis_command *command)
{
    if (axis->dialect->ask)
        return INT64_MIN; /* it hears questions and stops whatever it is busy with */
    switch (command->kind) {
    case AXIS_DO_MOVE:
        return move_after_ns(axis);
    case AXIS_DO_DWELL:
    case AXIS_DO_SETTLE:
        /* They block the controller: while they can wait, questions get answers. */
        return axis->settings.live_position ? axis->motion_end_ns : INT64_MIN;
    default:
        return INT64_MIN;
    }
}

static bool blocked(const struct axis *axis, bool alone)
{
    if (alone && axis->head < axis->tail)
        return true;
    for (uint64_t i = axis->head; i < axis->tail; i++)
        if (axis->lines[i % AXIS_LINE_ROOM].alone)
            return true;
    return axis->tail - axis->head >= axis->flight_room;
}

bool axis_deaf(const struct axis *axis)
{
    for (uint64_t i = axis->head; i < axis->tail; i++)
        if (axis->lines[i % AXIS_LINE_ROOM].blocks)
            return true;
    return false;
}

static struct axis_line *append(struct axis *axis, const struct axis_line *line)
{
    struct axis_line *place = axis_line_at(axis, axis->tail++);
    if (axis->tail - axis->kept > AXIS_LINE_ROOM)
        axis->kept = axis->tail - AXIS_LINE_ROOM;
    *place = *line;
    return place;
}

bool axis_push(struct axis *axis, enum axis_command_kind kind, int step)
{
    if (axis->tail - axis->head >= AXIS_LINE_ROOM)
        return false;
    struct axis_line line = {.command = {.kind = kind, .step = step}};
    axis->dialect->compose(axis, &line);
    append(axis, &line);
    return true;
}

/* The next new line from the queue, if one may go. */
static bool compose_next(struct axis *axis, int64_t now_ns)
{
    struct axis_line line = {.size = 0};
    struct axis_command *front = &axis->queue[axis->queue_first];
    bool counts = axis->renumber;
    bool asks = !counts && !axis->dialect->ask && axis->query_wanted && !axis->query_open &&
                !axis_deaf(axis);
    if (counts)
        line.command.kind = AXIS_DO_COUNT;
    else if (asks)
        line.command.kind = AXIS_DO_QUERY;
    else if (axis->queue_count && after_ns(axis, front) <= now_ns)
        line.command = *front;
    else
        return false;
    long number = axis->number;
    axis->dialect->compose(axis, &line);
    if (blocked(axis, line.alone) ||
        axis_bytes_in_flight(axis) + line.size > axis->dialect->budget(axis)) {
        axis->number = number;
        return false;
    }
    if (counts) {
        axis->renumber = false;
    } else if (asks) {
        axis->query_wanted = false;
        axis->query_open = true;
        axis->query_answered = false;
        axis->query_asked_ns = now_ns;
    } else if (line.last) {
        axis->queue_first = (axis->queue_first + 1) % AXIS_QUEUE_ROOM;
        axis->queue_count--;
    } else {
        front->step++;
    }
    append(axis, &line);
    return true;
}

static void plan_motion(struct axis *axis, const struct axis_command *command, int64_t now_ns)
{
    if (command->kind != AXIS_DO_MOVE && command->kind != AXIS_DO_DWELL)
        return;
    if (axis->motion_end_ns < now_ns) {
        axis->motion_end_ns = now_ns;
        axis->motion_from_ns = now_ns;
    }
    axis->motion_end_ns += (int64_t)(command->duration_s * 1e9);
    if (command->kind == AXIS_DO_MOVE)
        axis->ends_ns[axis->end_count++ % AXIS_LINE_ROOM] = axis->motion_end_ns;
}

/* Puts the next line into `out`; false when nothing may go now. */
static bool load(struct axis *axis, int64_t now_ns)
{
    if (axis->state != AXIS_STATE_RUNNING && axis->state != AXIS_STATE_HALTING)
        return false;
    if (axis->draining)
        return false;
    if (axis->next == axis->tail &&
        (axis->state == AXIS_STATE_HALTING || !compose_next(axis, now_ns)))
        return false;
    struct axis_line *line = axis_line_at(axis, axis->next);
    if (axis->next > axis->head && line->command.kind != AXIS_DO_HALT &&
        axis_bytes_in_flight(axis) + line->size > axis->dialect->budget(axis))
        return false;
    if (axis->state == AXIS_STATE_HALTING && line->alone && axis->next > axis->head)
        return false;
    axis->next++;
    if (line->command.kind == AXIS_DO_HOME)
        axis->position_known = false; /* until it has ended well */
    memcpy(axis->out, line->bytes, line->size);
    axis->out_size = line->size;
    axis->out_done = 0;
    line->sent_ns = now_ns;
    if (!line->said_sent) {
        line->said_sent = true;
        line->first_ns = now_ns;
        plan_motion(axis, &line->command, now_ns);
        if (line->command.kind == AXIS_DO_MOVE || line->command.kind == AXIS_DO_DWELL ||
            line->command.kind == AXIS_DO_SETTLE)
            axis_say(axis, AXIS_SENT, line->command.tag, now_ns, NULL);
    }
    return true;
}

size_t axis_output(struct axis *axis, char *bytes, size_t room, int64_t now_ns)
{
    axis_tick(axis, now_ns);
    if (axis->query_wanted && axis->dialect->ask)
        axis->dialect->ask(axis, now_ns);
    size_t size = 0;
    while (size < room) {
        if (axis->out_done < axis->out_size) {
            bytes[size++] = axis->out[axis->out_done++];
        } else if (axis->urgent_size) {
            bytes[size++] = axis->urgent[0];
            memmove(axis->urgent, axis->urgent + 1, --axis->urgent_size);
        } else if (!load(axis, now_ns)) {
            break;
        }
    }
    return size;
}

/* ---- what comes in ---- */

static void hear_line(struct axis *axis, int64_t now_ns)
{
    axis->heard[axis->heard_size] = '\0';
    size_t size = axis->heard_size;
    while (size && axis->heard[size - 1] == ' ')
        axis->heard[--size] = '\0';
    const char *text = axis->heard;
    while (*text == ' ')
        text++;
    bool too_long = axis->heard_long;
    axis->heard_size = 0;
    axis->heard_long = false;
    if (!*text)
        return;
    if (axis->state == AXIS_STATE_GREETING)
        axis->greeted_ns = now_ns;
    if (too_long || axis->state == AXIS_STATE_CLOSED)
        axis_say(axis, AXIS_CHATTER, 0, now_ns, text); /* never taken for an answer */
    else
        axis->dialect->hear(axis, text, now_ns);
}

void axis_receive(struct axis *axis, const char *bytes, size_t size, int64_t now_ns)
{
    axis->now_ns = later(axis->now_ns, now_ns);
    for (size_t i = 0; i < size; i++) {
        unsigned char byte = (unsigned char)bytes[i];
        if (byte == '\n' || byte == '\r')
            hear_line(axis, now_ns);
        else if (axis->heard_size + 1 < sizeof axis->heard)
            axis->heard[axis->heard_size++] = byte == '\t'                 ? ' '
                                              : byte < 0x20 || byte > 0x7e ? '?'
                                                                           : (char)byte;
        else
            axis->heard_long = true;
    }
}

/* ---- time ---- */

static void begin_halt(struct axis *axis, int64_t now_ns)
{
    bool now = axis->halt_now;
    axis->halt_wanted = axis->halt_now = false;
    bool talks = axis->ready && axis->state != AXIS_STATE_LOST;
    if (!talks && !now) {
        /* Nothing moves that was not set up yet, or has restarted. */
        if (axis->state != AXIS_STATE_LOST)
            axis->state = AXIS_STATE_CLOSED;
        axis->kept = axis->head = axis->next = axis->tail;
        axis_halted(axis, NAN, now_ns);
        return;
    }
    axis->halt_stale = axis->query_open ? 1 : 0;
    axis->query_open = axis->draining = axis->renumber = false;
    axis->tail = axis->next; /* what waited to be sent again */
    for (uint64_t i = axis->head; i < axis->tail; i++)
        axis_line_at(axis, i)->abandoned = true;
    axis->state = AXIS_STATE_HALTING;
    axis->halt_tries = 0;
    axis->halt_ns = now_ns;
    axis->dialect->halt(axis, now, now_ns);
}

void axis_answered(struct axis *axis, int64_t now_ns)
{
    axis->answered_ns = now_ns;
    if (axis->head < axis->tail)
        axis_line_at(axis, axis->head)->probes = 0;
}

int64_t axis_waiting_since(const struct axis *axis, int64_t *limit_ns)
{
    const struct axis_line *line = &axis->lines[axis->head % AXIS_LINE_ROOM];
    if (line->command.kind == AXIS_DO_HOME) {
        *limit_ns = HOME_LIMIT_NS;
        return line->first_ns;
    }
    int64_t since = later(line->first_ns, axis->answered_ns);
    *limit_ns = CONNECT_LIMIT_NS;
    if (line->command.kind == AXIS_DO_CONNECT)
        return since;
    *limit_ns = ANSWER_LIMIT_NS;
    if (axis->motion_end_ns > line->first_ns) {
        /* The motion takes at least as long as was reckoned; a quarter more is allowed. */
        *limit_ns += sooner((axis->motion_end_ns - axis->motion_from_ns) / 4, SLACK_LIMIT_NS);
        since = later(since, axis->motion_end_ns);
    }
    return since;
}

static bool waits(const struct axis *axis)
{
    return axis->head < axis->next && !axis->draining &&
           (axis->state == AXIS_STATE_RUNNING || axis->state == AXIS_STATE_HALTING);
}

/* A lost answer is asked for by sending the oldest line again, after half and three
 * quarters of the limit: a controller that had taken it says which number it wants. */
static int64_t probe_ns(const struct axis *axis)
{
    const struct axis_line *line = &axis->lines[axis->head % AXIS_LINE_ROOM];
    if (!line->again || line->probes >= 2 || axis->state == AXIS_STATE_HALTING)
        return INT64_MAX;
    /* When all lines before a question are taken, it is answered at once, or never. */
    int64_t limit_ns, since = axis_waiting_since(axis, &limit_ns), apart_ns = limit_ns / 4;
    int64_t due = since + apart_ns * (2 + line->probes);
    if (line->command.kind == AXIS_DO_QUERY) {
        apart_ns = QUERY_PROBE_NS;
        due = later(line->first_ns, axis->answered_ns) + apart_ns * (1 + line->probes);
    }
    return later(due, line->sent_ns + apart_ns);
}

static void watch_silence(struct axis *axis, int64_t now_ns)
{
    if (!waits(axis))
        return;
    int64_t limit_ns, since = axis_waiting_since(axis, &limit_ns);
    struct axis_line *line = axis_line_at(axis, axis->head);
    if (now_ns >= since + limit_ns) {
        char text[160];
        size_t size = line->size ? line->size - 1 : 0;
        snprintf(text, sizeof text, "no answer to '%.*s' within %.0f s", (int)size, line->bytes,
                 rig_ns_to_s(now_ns - line->first_ns));
        axis_freeze(axis, AXIS_SILENT, now_ns, text);
    } else if (now_ns >= probe_ns(axis)) {
        line->probes++;
        axis->next = axis->head;
    }
}

void axis_tick(struct axis *axis, int64_t now_ns)
{
    axis->now_ns = later(axis->now_ns, now_ns);
    if (axis->halt_wanted)
        begin_halt(axis, now_ns);
    axis->dialect->tick(axis, now_ns);
    watch_silence(axis, now_ns);
}

int64_t axis_deadline_ns(const struct axis *axis)
{
    if (axis->halt_wanted || axis->out_done < axis->out_size || axis->urgent_size)
        return axis->now_ns;
    int64_t deadline = axis->dialect->deadline_ns(axis);
    if (waits(axis)) {
        int64_t limit_ns, since = axis_waiting_since(axis, &limit_ns);
        deadline = sooner(deadline, sooner(since + limit_ns, probe_ns(axis)));
    }
    if (axis->state == AXIS_STATE_RUNNING && axis->queue_count) {
        int64_t after = after_ns(axis, &axis->queue[axis->queue_first]);
        if (after > axis->now_ns)
            deadline = sooner(deadline, after);
    }
    return deadline;
}
