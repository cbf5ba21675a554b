/* SPDX-License-Identifier: GPL-3.0-or-later
 * The board: wetted length after play and after a lag of its own for rising and for
 * falling water, dead time, curve, drift and noise; the controller and the actuator
 * behind it. Integrated from node to node, at most TICK_S apart, each step exact for an
 * input that goes straight in between: at an acceleration a the input is off by less
 * than a TICK_S^2 / 8, 0.0001 mm at 900 mm/s2. */
#include "rig/sim_board.h"

#include <gsl/gsl_randist.h>
#include <math.h>

static const double TICK_S = 1e-3;
static const double SAME_S = 1e-10; /* nodes this close are one */

/* The board's clock and all that it times. */
static double true_s(const struct sim_board *board, double board_s)
{
    return board_s / (1 + board->truth->clock_skew_ppm * 1e-6);
}

static int init_held(struct sim_held *held, const struct sim_link *link, double rate_hz,
                     struct rig_err *err)
{
    *held = (struct sim_held){.link = link, .next_s = INFINITY, .decay_h = -1};
    if (!link->present)
        return 0;
    return sim_trail_init(&held->trail, link->dead_time_s + 2 * TICK_S, rate_hz, err);
}

/* The links recompute half a line away from the lines, so that the age of a held
 * value at the lines has the mean interval / 2 whenever the intervals divide. */
static void plan_update(struct sim_board *board, struct sim_held *held)
{
    double interval_s = held->link->interval_s, line_s = board->truth->line_interval_s;
    if (!held->link->present || !(interval_s > 0))
        return;
    held->next_s = true_s(board, line_s / 2 + (double)held->updates * interval_s);
}

static void set_reading(struct sim_board *board)
{
    const struct sim_truth *truth = board->truth;
    double hours = board->t / 3600;
    double wetted_mm = truth->sensor_dead_time_s > 0
                           ? sim_trail_at(&board->wetted, board->t - truth->sensor_dead_time_s)
                           : board->wetted_mm;
    double value = sim_truth_reading(truth, wetted_mm);
    double span_ppm = truth->span_drift_ppm_h * hours;
    if (truth->temperature_coefficient != 0 || truth->span_temperature_ppm != 0) {
        double warmer = sim_water_degc(truth, board->t) - 20;
        span_ppm += truth->span_temperature_ppm * warmer;
        value += span_ppm * 1e-6 * (value - truth->curve[0]);
        value += truth->temperature_coefficient * warmer;
    } else {
        value += span_ppm * 1e-6 * (value - truth->curve[0]);
    }
    value += truth->zero_drift_per_h * hours + board->wander;
    board->reading = value;
}

/* Play in depth, of the wetted length: half of it late on either side. */
static double play_mm(const struct sim_truth *truth, double played_mm, double depth_mm)
{
    double wetted_mm = fmax(depth_mm, 0), half = truth->hysteresis_mm / 2;
    return fmin(fmax(played_mm, wetted_mm - half), wetted_mm + half);
}

int sim_board_init(struct sim_board *board, const struct sim_truth *truth,
                   const struct rig_source *source, double stage_mm, uint64_t seed,
                   struct rig_err *err)
{
    *board = (struct sim_board){.truth = truth,
                                .source = source,
                                .stage_mm = stage_mm,
                                .greeted = !source->greeting[0],
                                .decay_h = -1};
    int code = sim_board_check_source(board, err);
    if (code)
        return code;
    double rate_hz = 1 / TICK_S + 1 / truth->line_interval_s;
    const struct sim_link *links[] = {&truth->controller, &truth->actuator};
    for (size_t i = 0; i < 2; i++)
        if (links[i]->present && links[i]->interval_s > 0)
            rate_hz += 1 / links[i]->interval_s;
    code = sim_queue_init(&board->out, err);
    if (!code)
        code = sim_trail_init(&board->wetted, truth->sensor_dead_time_s + 2 * TICK_S, rate_hz, err);
    if (!code)
        code = init_held(&board->controller, &truth->controller, rate_hz, err);
    if (!code)
        code = init_held(&board->actuator, &truth->actuator, rate_hz, err);
    if (code)
        return code;
    /* Streams of their own, so that the noise doesn't depend on what the host asks. */
    board->noise_random = gsl_rng_alloc(gsl_rng_mt19937);
    board->delay_random = gsl_rng_alloc(gsl_rng_mt19937);
    board->wander_random = gsl_rng_alloc(gsl_rng_mt19937);
    board->place_random = gsl_rng_alloc(gsl_rng_mt19937);
    if (!board->noise_random || !board->delay_random || !board->wander_random ||
        !board->place_random)
        return rig_fail_memory(err, "the simulated board");
    gsl_rng_set(board->noise_random, (unsigned long)(seed * 2654435761u + 1));
    gsl_rng_set(board->delay_random, (unsigned long)(seed * 2654435761u + 2));
    gsl_rng_set(board->wander_random, (unsigned long)(seed * 2654435761u + 3));
    gsl_rng_set(board->place_random, (unsigned long)(seed * 2654435761u + 4));
    if (truth->zero_wander > 0)
        board->wander = gsl_ran_gaussian_ziggurat(board->wander_random, truth->zero_wander);

    board->depth_mm = sim_water_depth_mm(truth, stage_mm, 0);
    board->played_mm = board->wetted_mm = play_mm(truth, 0, board->depth_mm);
    sim_trail_put(&board->wetted, 0, board->wetted_mm);
    set_reading(board);
    board->controller.filter = board->reading;
    if (truth->controller.present)
        sim_trail_put(&board->controller.trail, 0, board->reading);
    struct sim_held *controller = &board->controller, *actuator = &board->actuator;
    controller->exact = controller->value =
        truth->controller.offset + truth->controller.gain * board->reading;
    actuator->filter = truth->controller.present ? controller->value : board->reading;
    if (truth->actuator.present)
        sim_trail_put(&actuator->trail, 0, actuator->filter);
    actuator->exact = actuator->value =
        truth->actuator.offset + truth->actuator.gain * actuator->filter;
    if (!truth->controller.present)
        controller->value = 0;
    if (!truth->actuator.present)
        actuator->value = 0;
    plan_update(board, controller);
    plan_update(board, actuator);
    return 0;
}

void sim_board_drop(struct sim_board *board)
{
    sim_queue_drop(&board->out);
    sim_trail_drop(&board->wetted);
    sim_trail_drop(&board->controller.trail);
    sim_trail_drop(&board->actuator.trail);
    if (board->noise_random)
        gsl_rng_free(board->noise_random);
    if (board->delay_random)
        gsl_rng_free(board->delay_random);
    if (board->wander_random)
        gsl_rng_free(board->wander_random);
    if (board->place_random)
        gsl_rng_free(board->place_random);
    *board = (struct sim_board){0};
}

double sim_board_next_s(const struct sim_board *board)
{
    double next = (double)(board->ticks + 1) * TICK_S;
    next = fmin(next, board->next_sample_s);
    next = fmin(next, board->controller.next_s);
    return fmin(next, board->actuator.next_s);
}

static void filter_on(struct sim_held *held, double t, double u0, double u1, double h)
{
    const struct sim_link *link = held->link;
    if (!link->present)
        return;
    if (held->decay_h != h) {
        held->decay_h = h;
        held->decay = link->time_constant_s > 0 ? exp(-h / link->time_constant_s) : 0;
    }
    held->filter = sim_lag(held->filter, u0, u1, h, link->time_constant_s, held->decay);
    if (link->dead_time_s > 0)
        sim_trail_put(&held->trail, t, held->filter);
}

static double quantised(double value, double resolution)
{
    return resolution > 0 ? rint(value / resolution) * resolution : value;
}

static void update(struct sim_board *board, struct sim_held *held)
{
    const struct sim_link *link = held->link;
    double input = link->dead_time_s > 0 ? sim_trail_at(&held->trail, board->t - link->dead_time_s)
                                         : held->filter;
    double wanted = link->offset + link->gain * input;
    if (link->rate_limit > 0) {
        double interval_s = link->interval_s > 0 ? link->interval_s : board->truth->line_interval_s;
        double most = link->rate_limit * interval_s;
        wanted = held->exact + fmin(fmax(wanted - held->exact, -most), most);
    }
    held->exact = wanted;
    held->value = quantised(wanted, link->resolution);
    held->updates++;
    plan_update(board, held);
}

static void send_line(struct sim_board *board)
{
    const struct sim_truth *truth = board->truth;
    double delay_s = truth->line_delay_s;
    if (truth->line_delay_sd_s > 0)
        delay_s += gsl_ran_exponential(board->delay_random, truth->line_delay_sd_s);
    if (!board->greeted)
        return;
    char line[1024];
    size_t size = sim_board_line(board, board->t, line, sizeof line);
    sim_queue_put(&board->out, line, size, rig_s_to_ns(board->t + delay_s));
    board->lines++;
}

static void move_on(struct sim_board *board, double t, double stage_mm)
{
    const struct sim_truth *truth = board->truth;
    double h = t - board->t;
    if (fabs(h - TICK_S) < SAME_S)
        h = TICK_S; /* one exponential for almost all steps */
    if (board->decay_h != h) {
        board->decay_h = h;
        board->decay[0] = truth->lag_rising_s > 0 ? exp(-h / truth->lag_rising_s) : 0;
        board->decay[1] = truth->lag_falling_s > 0 ? exp(-h / truth->lag_falling_s) : 0;
    }
    double before_mm = board->played_mm, reading = board->reading;
    board->t = t;
    board->stage_mm = stage_mm;
    board->depth_mm = sim_water_depth_mm(truth, stage_mm, t);
    board->played_mm = play_mm(truth, before_mm, board->depth_mm);
    /* The board follows rising water where it reads too little, falling where too much. */
    bool falling = (before_mm + board->played_mm) / 2 < board->wetted_mm;
    board->wetted_mm =
        sim_lag(board->wetted_mm, before_mm, board->played_mm, h,
                falling ? truth->lag_falling_s : truth->lag_rising_s, board->decay[falling]);
    if (truth->sensor_dead_time_s > 0)
        sim_trail_put(&board->wetted, t, board->wetted_mm);
    set_reading(board);
    filter_on(&board->controller, t, reading + board->noise, board->reading + board->noise, h);
    if (truth->controller.present)
        filter_on(&board->actuator, t, board->controller.value, board->controller.value, h);
    else
        filter_on(&board->actuator, t, reading + board->noise, board->reading + board->noise, h);
}

/* Decays towards 0 and is pushed on, so that its spread stays (Ornstein-Uhlenbeck, exact). */
static void wander_on(struct sim_board *board)
{
    const struct sim_truth *truth = board->truth;
    double kept =
        truth->zero_wander_s > 0 ? exp(-truth->line_interval_s / truth->zero_wander_s) : 0;
    double push = truth->zero_wander * sqrt(1 - kept * kept);
    board->wander = kept * board->wander + gsl_ran_gaussian_ziggurat(board->wander_random, push);
}

static void see_stage(struct sim_board *board)
{
    double noise_mm = board->truth->reference_noise_mm, step_mm = board->truth->reference_step_mm;
    board->place_mm = board->stage_mm;
    if (noise_mm > 0)
        board->place_mm += gsl_ran_gaussian_ziggurat(board->place_random, noise_mm);
    if (step_mm > 0)
        board->place_mm = rint(board->place_mm / step_mm) * step_mm;
}

void sim_board_step(struct sim_board *board, double t, double stage_mm)
{
    const struct sim_truth *truth = board->truth;
    if (t > board->t)
        move_on(board, t, stage_mm);
    if ((double)(board->ticks + 1) * TICK_S <= t + SAME_S)
        board->ticks++;
    bool sampled = board->next_sample_s <= t + SAME_S;
    if (sampled && truth->noise_sd > 0)
        board->noise = gsl_ran_gaussian_ziggurat(board->noise_random, truth->noise_sd);
    if (sampled && truth->zero_wander > 0)
        wander_on(board);
    if (board->controller.next_s <= t + SAME_S ||
        (sampled && truth->controller.present && !(truth->controller.interval_s > 0)))
        update(board, &board->controller);
    if (board->actuator.next_s <= t + SAME_S ||
        (sampled && truth->actuator.present && !(truth->actuator.interval_s > 0)))
        update(board, &board->actuator);
    if (!sampled)
        return;
    see_stage(board);
    send_line(board);
    board->samples++;
    board->next_sample_s = true_s(board, (double)board->samples * truth->line_interval_s);
}
