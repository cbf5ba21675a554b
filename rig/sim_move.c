/* SPDX-License-Identifier: GPL-3.0-or-later
 * The simulated controller's queue of moves. Speed at a junction of moves in one
 * direction is the lower of both feeds, as far as the axis can still stop at the end of
 * the last move that it knows; a dwell or a reversal is a stop. A move under way is
 * planned anew when more becomes known: under constant acceleration from where it is,
 * under bounded jerk from the end of the speed change that it is in. */
#include "rig/sim_move.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Rounding of a sum of path lengths; far below any step. */
static const double PATH_SLACK_MM = 1e-9;

int sim_motion_init(struct sim_motion *motion, const struct sim_law *law, double top_speed_mm_s,
                    int lookahead_lines, double at_mm, struct rig_err *err)
{
    *motion = (struct sim_motion){.law = *law,
                                  .top_speed_mm_s = top_speed_mm_s,
                                  .rest_mm = at_mm,
                                  .end_mm = at_mm,
                                  .room = (size_t)lookahead_lines};
    motion->blocks = calloc(motion->room, sizeof *motion->blocks);
    return motion->blocks ? 0 : rig_fail_memory(err, "the simulated controller's queue");
}

void sim_motion_drop(struct sim_motion *motion)
{
    free(motion->blocks);
    *motion = (struct sim_motion){0};
}

static struct sim_block *block_at(const struct sim_motion *motion, size_t index)
{
    return &motion->blocks[(motion->head + index) % motion->room];
}

bool sim_motion_idle(const struct sim_motion *motion)
{
    return motion->count == 0 && !motion->running;
}

bool sim_motion_full(const struct sim_motion *motion)
{
    return motion->count == motion->room;
}

void sim_motion_forgive(struct sim_motion *motion)
{
    motion->was_move = false;
}

static const struct sim_phase *phase_at(const struct sim_motion *motion, double t_s)
{
    size_t i = 0;
    while (i + 1 < motion->phase_count && motion->phases[i].t1 <= t_s)
        i++;
    return motion->phase_count ? &motion->phases[i] : NULL;
}

static double path_at(const struct sim_phase *phase, double t_s)
{
    double u = fmin(fmax(t_s, phase->t0), phase->t1) - phase->t0;
    return phase->s0 + (phase->v0 + (phase->a0 / 2 + phase->j * u / 6) * u) * u;
}

static double speed_at(const struct sim_phase *phase, double t_s)
{
    double u = fmin(fmax(t_s, phase->t0), phase->t1) - phase->t0;
    return phase->v0 + (phase->a0 + phase->j * u / 2) * u;
}

double sim_motion_at_mm(const struct sim_motion *motion, double t_s)
{
    const struct sim_phase *phase = motion->running ? phase_at(motion, t_s) : NULL;
    if (!phase)
        return motion->rest_mm;
    return motion->rest_mm + motion->last_sign * path_at(phase, t_s);
}

double sim_motion_next_s(const struct sim_motion *motion)
{
    if (motion->running)
        return motion->block_end_s;
    return motion->waiting ? motion->start_s : INFINITY;
}

/* Speed that the running block may end with. */
static double exit_limit_mm_s(const struct sim_motion *motion)
{
    double limit = 0;
    for (size_t i = motion->count; i-- > 1;) {
        const struct sim_block *block = block_at(motion, i), *before = block_at(motion, i - 1);
        if (block->dwell || before->dwell || before->sign != block->sign) {
            limit = 0;
            continue;
        }
        /* Under bounded jerk it can take a longer path to slow down a little than to
         * stop: the move may then end slower than it must. */
        double entry = fmax(sim_reach_mm_s(&motion->law, limit, block->path_mm),
                            sim_reach_mm_s(&motion->law, 0, block->path_mm));
        limit = fmin(entry, fmin(before->feed_mm_s, block->feed_mm_s));
    }
    return limit;
}

/* The greatest exit speed <= limit for a path that starts at v_in; the least possible
 * when none of them fits. */
static double exit_speed_mm_s(const struct sim_motion *motion, double v_in, double path_mm,
                              double limit)
{
    const struct sim_law *law = &motion->law;
    if (limit >= v_in)
        return fmin(limit, sim_reach_mm_s(law, v_in, path_mm));
    if (sim_change_path_mm(law, v_in, limit) <= path_mm + PATH_SLACK_MM)
        return limit;
    if (law->law == SPEED_TRAPEZOID)
        return sqrt(fmax(0, v_in * v_in - 2 * law->acceleration_mm_s2 * path_mm));
    double low = 0, high = fmin(limit, v_in / 3); /* the path grows up to v_in / 3 */
    for (int i = 0; i < 100; i++) {
        double middle = low + (high - low) / 2;
        if (sim_change_path_mm(law, v_in, middle) <= path_mm)
            low = middle;
        else
            high = middle;
    }
    return low;
}

static void end_phases(struct sim_motion *motion)
{
    if (motion->phase_count)
        motion->block_end_s = motion->phases[motion->phase_count - 1].t1;
}

static void begin_block(struct sim_motion *motion, double t_s, double speed_mm_s)
{
    const struct sim_block *block = block_at(motion, 0);
    motion->waiting = false;
    motion->running = true;
    motion->phase_count = 0;
    motion->exit_mm_s = 0;
    motion->block_end_s = t_s;
    if (block->dwell) {
        motion->block_end_s = t_s + block->dwell_s;
        return;
    }
    motion->last_sign = block->sign;
    motion->exit_mm_s =
        exit_speed_mm_s(motion, speed_mm_s, block->path_mm, exit_limit_mm_s(motion));
    motion->phase_count = sim_phases(&motion->law, block->path_mm, speed_mm_s, block->feed_mm_s,
                                     motion->exit_mm_s, t_s, 0, motion->phases);
    end_phases(motion);
}

/* More is known than when the running move was planned: let it end faster. */
static void plan_anew(struct sim_motion *motion, double now_s)
{
    const struct sim_block *block = block_at(motion, 0);
    if (!motion->running || motion->stopping || block->dwell || !motion->phase_count)
        return;
    double limit = exit_limit_mm_s(motion);
    if (limit <= motion->exit_mm_s)
        return;
    size_t past = 0;
    while (past + 1 < motion->phase_count && motion->phases[past].t1 <= now_s)
        past++;
    size_t keep = past;
    double t_s = fmax(now_s, motion->phases[keep].t0);
    bool changing = motion->phases[keep].a0 != 0 || motion->phases[keep].j != 0;
    if (changing && motion->law.law == SPEED_JERK_LIMITED) {
        while (keep + 1 < motion->phase_count &&
               motion->phases[keep + 1].part == motion->phases[keep].part)
            keep++;
        t_s = motion->phases[keep].t1;
    }
    double path_mm = path_at(&motion->phases[keep], t_s);
    double speed_mm_s = speed_at(&motion->phases[keep], t_s);
    double left_mm = block->path_mm - path_mm;
    double exit = left_mm > PATH_SLACK_MM ? exit_speed_mm_s(motion, speed_mm_s, left_mm, limit) : 0;
    if (exit <= motion->exit_mm_s)
        return;
    /* Nobody asks for the past again. */
    size_t kept = keep + 1 - past;
    memmove(motion->phases, motion->phases + past, kept * sizeof motion->phases[0]);
    motion->phases[kept - 1].t1 = t_s;
    struct sim_phase *fresh = &motion->phases[kept];
    size_t count =
        sim_phases(&motion->law, left_mm, speed_mm_s, block->feed_mm_s, exit, t_s, path_mm, fresh);
    for (size_t i = 0; i < count; i++)
        fresh[i].part += motion->phases[kept - 1].part + 1;
    motion->phase_count = kept + count;
    motion->exit_mm_s = exit;
    end_phases(motion);
}

/* Has the axis begun to stop, or stopped, only since nothing more was known? */
static bool came_late(const struct sim_motion *motion, double now_s, int sign)
{
    if (motion->stopping || motion->last_sign != sign)
        return false;
    if (motion->count == 0)
        return motion->was_move;
    if (motion->count > 1 || !motion->running || block_at(motion, 0)->dwell)
        return false;
    const struct sim_phase *phase = phase_at(motion, now_s);
    return phase && (phase->a0 < 0 || (phase->a0 == 0 && phase->j < 0));
}

static void append(struct sim_motion *motion, double now_s, const struct sim_block *block,
                   double start_delay_s)
{
    if (sim_motion_idle(motion)) {
        motion->waiting = true;
        motion->start_s = now_s + start_delay_s;
    }
    *block_at(motion, motion->count) = *block;
    motion->count++;
    plan_anew(motion, now_s);
}

void sim_motion_move(struct sim_motion *motion, double now_s, double to_mm, double feed_mm_s,
                     double start_delay_s)
{
    struct sim_block block = {.from_mm = motion->end_mm,
                              .to_mm = to_mm,
                              .path_mm = fabs(to_mm - motion->end_mm),
                              .feed_mm_s = fmin(feed_mm_s, motion->top_speed_mm_s),
                              .sign = to_mm < motion->end_mm ? -1 : 1};
    if (block.path_mm <= PATH_SLACK_MM)
        return;
    if (came_late(motion, now_s, block.sign))
        motion->starved++;
    motion->end_mm = to_mm;
    append(motion, now_s, &block, start_delay_s);
}

void sim_motion_dwell(struct sim_motion *motion, double now_s, double dwell_s, double start_delay_s)
{
    struct sim_block block = {.dwell = true,
                              .dwell_s = fmax(dwell_s, 0),
                              .from_mm = motion->end_mm,
                              .to_mm = motion->end_mm};
    append(motion, now_s, &block, start_delay_s);
}

void sim_motion_step(struct sim_motion *motion)
{
    if (!motion->running) {
        if (motion->waiting)
            begin_block(motion, motion->start_s, 0);
        return;
    }
    double end_s = motion->block_end_s, speed_mm_s = motion->exit_mm_s;
    motion->running = false;
    if (motion->stopping) {
        motion->rest_mm = motion->stop_mm;
        motion->stopping = false;
        motion->was_move = false;
    } else {
        const struct sim_block *block = block_at(motion, 0);
        motion->rest_mm = block->to_mm; /* exactly: rounding doesn't add up */
        motion->was_move = !block->dwell;
        motion->head = (motion->head + 1) % motion->room;
        motion->count--;
    }
    motion->phase_count = 0;
    if (motion->count)
        begin_block(motion, end_s, speed_mm_s);
}

void sim_motion_halt(struct sim_motion *motion, double now_s, bool dead)
{
    const struct sim_phase *phase = motion->running ? phase_at(motion, now_s) : NULL;
    double speed_mm_s = phase && !dead ? speed_at(phase, now_s) : 0;
    double place_mm = sim_motion_at_mm(motion, now_s);
    if (motion->stopping && !dead) {
        motion->count = 0;
        motion->end_mm = motion->stop_mm;
        return;
    }
    motion->count = 0;
    motion->waiting = motion->running = motion->stopping = motion->was_move = false;
    motion->phase_count = 0;
    motion->rest_mm = motion->end_mm = place_mm;
    if (!(speed_mm_s > 0))
        return;
    double a = motion->law.acceleration_mm_s2;
    motion->phases[0] =
        (struct sim_phase){.t0 = now_s, .t1 = now_s + speed_mm_s / a, .v0 = speed_mm_s, .a0 = -a};
    motion->phase_count = 1;
    motion->running = motion->stopping = true;
    motion->exit_mm_s = 0;
    motion->stop_mm = place_mm + motion->last_sign * speed_mm_s * speed_mm_s / (2 * a);
    motion->end_mm = motion->stop_mm;
    end_phases(motion);
}
