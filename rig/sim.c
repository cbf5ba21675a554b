/* SPDX-License-Identifier: GPL-3.0-or-later
 * The simulated bench as a whole: parts moved on together in the order of what
 * happens, and the seams (clock, transports) that a run uses. */
#include "rig/sim.h"

#include "rig/sim_axis.h"
#include "rig/sim_board.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

struct sim_bench {
    struct sim_truth truth;
    struct rig_source source;
    struct sim_axis axis;
    struct sim_board board;
    struct sim_stage stage;
    struct sim_queue heard; /* bytes on their way to the axis */
    int64_t now_ns;
};

static double seconds(int64_t t_ns)
{
    return rig_ns_to_s(t_ns);
}

static double stage_mm(struct sim_bench *bench, double t)
{
    double place =
        sim_stage_follow_mm(&bench->stage, &bench->truth, sim_axis_motor_mm(&bench->axis, t));
    bench->axis.slip_mm = bench->stage.slip_mm;
    return place;
}

static void board_to(struct sim_bench *bench, double t)
{
    for (double node; (node = sim_board_next_s(&bench->board)) <= t;)
        sim_board_step(&bench->board, node, stage_mm(bench, node));
}

static void advance(struct sim_bench *bench, int64_t t_ns)
{
    double now = seconds(bench->now_ns), t = seconds(t_ns);
    for (double next; (next = fmax(sim_axis_next_s(&bench->axis), now)) <= t; now = next) {
        board_to(bench, next);
        sim_axis_step(&bench->axis, next);
    }
    board_to(bench, t);
    bench->now_ns = t_ns;
}

static void move_on(struct sim_bench *bench, int64_t t_ns)
{
    if (t_ns < bench->now_ns)
        return;
    int64_t at_ns;
    while ((at_ns = sim_queue_next_ns(&bench->heard, bench->now_ns)) <= t_ns) {
        char bytes[256];
        size_t size;
        advance(bench, at_ns);
        while ((size = sim_queue_take(&bench->heard, bytes, sizeof bytes, at_ns)) > 0)
            sim_axis_take(&bench->axis, bytes, size, seconds(at_ns));
        /* what the bytes set off at once, such as the answer to a wait at rest */
        advance(bench, at_ns);
    }
    advance(bench, t_ns);
}

static const struct rig_source *pick_source(const struct rig *rig)
{
    for (size_t i = 0; i < rig->source_count; i++)
        for (size_t k = 0; k < rig->sources[i].channel_count; k++)
            if (rig->sources[i].channels[k].role == ROLE_SENSOR)
                return &rig->sources[i];
    return rig->source_count ? &rig->sources[0] : NULL;
}

struct sim_bench *sim_open(const struct sim_truth *truth, const struct rig *rig, uint64_t seed,
                           struct rig_err *err)
{
    const struct rig_source *source = pick_source(rig);
    if (!source) {
        rig_fail(err, RIG_EINPUT,
                 "the rig has no source; the simulated board needs one to "
                 "know how its lines look");
        return NULL;
    }
    struct sim_bench *bench = calloc(1, sizeof *bench);
    if (!bench) {
        rig_fail_memory(err, "the simulated bench");
        return NULL;
    }
    bench->truth = *truth;
    bench->source = *source;
    if (!isfinite(bench->truth.home_mm))
        bench->truth.home_mm = isfinite(rig->axis.home_mm) ? rig->axis.home_mm : 0;
    /* An axis that homes wakes up with the board clear of the water, somewhere. */
    double at_mm =
        rig->axis.homes ? fmax(truth->travel_low_mm, truth->datum_mm - 15) : bench->truth.home_mm;
    int code = sim_axis_init(&bench->axis, &bench->truth, rig, at_mm, seed * 3 + 1, err);
    bench->stage.place_mm = at_mm;
    if (!code)
        code = sim_queue_init(&bench->heard, err);
    if (!code)
        code = sim_board_init(&bench->board, &bench->truth, &bench->source, stage_mm(bench, 0),
                              seed, err);
    if (code) {
        sim_close(bench);
        return NULL;
    }
    sim_axis_power_up(&bench->axis, 0, !rig->axis.homes);
    board_to(bench, 0);
    return bench;
}

void sim_close(struct sim_bench *bench)
{
    if (!bench)
        return;
    sim_axis_drop(&bench->axis);
    sim_queue_drop(&bench->heard);
    sim_board_drop(&bench->board);
    free(bench);
}

void sim_axis_hears(struct sim_bench *bench, const char *bytes, size_t size, int64_t t_ns)
{
    move_on(bench, t_ns);
    if (bench->truth.question_delay_s > 0) {
        sim_queue_put(&bench->heard, bytes, size,
                      bench->now_ns + (int64_t)ceil(bench->truth.question_delay_s * 1e9));
        return;
    }
    sim_axis_take(&bench->axis, bytes, size, seconds(bench->now_ns));
    /* what the bytes set off at once, such as the answer to a wait at rest */
    move_on(bench, bench->now_ns);
}

size_t sim_axis_says(struct sim_bench *bench, char *bytes, size_t room, int64_t t_ns)
{
    move_on(bench, t_ns);
    return sim_queue_take(&bench->axis.out, bytes, room, bench->now_ns);
}

void sim_board_hears(struct sim_bench *bench, const char *bytes, size_t size, int64_t t_ns)
{
    move_on(bench, t_ns);
    const char *greeting = bench->source.greeting;
    struct sim_board *board = &bench->board;
    for (size_t i = 0; i < size && !board->greeted; i++) {
        size_t matched = board->greeting_matched;
        bool ends = bytes[i] == '\n' || bytes[i] == '\r';
        if (ends) {
            board->greeted = matched != SIZE_MAX && matched == strlen(greeting);
            board->greeting_matched = 0;
        } else if (matched != SIZE_MAX) {
            bool same = matched < strlen(greeting) && greeting[matched] == bytes[i];
            board->greeting_matched = same ? matched + 1 : SIZE_MAX;
        }
    }
}

size_t sim_board_says(struct sim_bench *bench, char *bytes, size_t room, int64_t t_ns)
{
    move_on(bench, t_ns);
    return sim_queue_take(&bench->board.out, bytes, room, bench->now_ns);
}

void sim_axis_power_cycle(struct sim_bench *bench, int64_t t_ns)
{
    move_on(bench, t_ns);
    bench->axis.halted = false;
    sim_queue_clear(&bench->axis.out);
    sim_axis_power_up(&bench->axis, seconds(bench->now_ns), false);
}

int64_t sim_next_ns(const struct sim_bench *bench)
{
    int64_t next = sim_queue_next_ns(&bench->axis.out, bench->now_ns);
    int64_t board = sim_queue_next_ns(&bench->board.out, bench->now_ns);
    int64_t heard = sim_queue_next_ns(&bench->heard, bench->now_ns);
    if (board < next)
        next = board;
    if (heard < next)
        next = heard;
    const double ahead[] = {sim_axis_next_s(&bench->axis), bench->board.next_sample_s};
    for (size_t i = 0; i < sizeof ahead / sizeof ahead[0]; i++) {
        if (!(ahead[i] < 9e9)) /* never, or in centuries */
            continue;
        /* rounded up: at that very time it has happened */
        int64_t at_ns = (int64_t)ceil(ahead[i] * 1e9);
        if (at_ns <= bench->now_ns)
            at_ns = bench->now_ns + 1;
        if (at_ns < next)
            next = at_ns;
    }
    return next;
}

double sim_true_stage_mm(struct sim_bench *bench, int64_t t_ns)
{
    move_on(bench, t_ns);
    return stage_mm(bench, seconds(bench->now_ns));
}

double sim_true_depth_mm(struct sim_bench *bench, int64_t t_ns)
{
    double place = sim_true_stage_mm(bench, t_ns);
    return sim_water_depth_mm(&bench->truth, place, seconds(bench->now_ns));
}

struct sim_tally sim_tally(const struct sim_bench *bench)
{
    return (struct sim_tally){.lines_taken = bench->axis.lines_taken,
                              .lines_refused = bench->axis.lines_refused,
                              .overruns = bench->axis.overruns,
                              .starved = bench->axis.motion.starved,
                              .end_stops = bench->stage.end_stops,
                              .board_lines = bench->board.lines,
                              .lost_bytes = bench->axis.out.lost + bench->board.out.lost};
}

/* The clock: moves the bench on to what comes next. */

static int64_t clock_now(void *context)
{
    const struct sim_bench *bench = context;
    return bench->now_ns;
}

static void clock_sleep(void *context, int64_t until_ns)
{
    struct sim_bench *bench = context;
    while (bench->now_ns < until_ns) {
        int64_t next_ns = sim_next_ns(bench), before_ns = bench->now_ns;
        if (next_ns > until_ns)
            next_ns = until_ns;
        move_on(bench, next_ns);
        /* bytes that arrived just now end the sleep; older unread ones don't */
        const struct sim_queue *queues[] = {&bench->axis.out, &bench->board.out};
        for (size_t i = 0; i < 2; i++)
            if (sim_queue_next_ns(queues[i], before_ns) <= bench->now_ns)
                return;
    }
}

struct rig_clock sim_clock(struct sim_bench *bench)
{
    return (struct rig_clock){clock_now, clock_sleep, bench};
}

/* The ports: never blocked, never gone. */

static long axis_read(void *context, void *bytes, size_t room, struct rig_err *err)
{
    (void)err;
    struct sim_bench *bench = context;
    return (long)sim_axis_says(bench, bytes, room, bench->now_ns);
}

static long axis_write(void *context, const void *bytes, size_t size, struct rig_err *err)
{
    (void)err;
    struct sim_bench *bench = context;
    sim_axis_hears(bench, bytes, size, bench->now_ns);
    return (long)size;
}

static long board_read(void *context, void *bytes, size_t room, struct rig_err *err)
{
    (void)err;
    struct sim_bench *bench = context;
    return (long)sim_board_says(bench, bytes, room, bench->now_ns);
}

static long board_write(void *context, const void *bytes, size_t size, struct rig_err *err)
{
    (void)err;
    struct sim_bench *bench = context;
    sim_board_hears(bench, bytes, size, bench->now_ns);
    return (long)size;
}

static int no_fd(void *context)
{
    (void)context;
    return -1;
}

static void no_close(void *context)
{
    (void)context;
}

struct transport sim_axis_transport(struct sim_bench *bench)
{
    return (struct transport){axis_read, axis_write, no_fd, no_close, bench};
}

struct transport sim_board_transport(struct sim_bench *bench)
{
    return (struct transport){board_read, board_write, no_fd, no_close, bench};
}
