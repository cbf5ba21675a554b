/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "stage_bench.h"

#include <gsl/gsl_randist.h>
#include <math.h>
#include <stdlib.h>

const char stage_bench_speeds[] = "start at 10 mm\n"
                                  "each speed 5, 10, 20, 40 mm/s\n"
                                  "repeat 2\n"
                                  "ramp to 150 mm at speed\nhold 2 s\n"
                                  "ramp to 10 mm at speed\nhold 2 s\n"
                                  "end\nend\n"
                                  "step to 100 mm\nhold 3 s\nstep to 20 mm\nhold 3 s\n";

struct stage_bench stage_bench_draw(const struct plan *plan, const struct rig_axis *axis,
                                    gsl_rng *random)
{
    struct stage_bench bench = {.plan = plan,
                                .axis = *axis,
                                .delay_s = gsl_ran_flat(random, 0.02, 0.15),
                                .delay_sd_s = gsl_ran_flat(random, 0.0005, 0.005),
                                .end_s = gsl_ran_flat(random, 0.01, 0.06),
                                .end_sd_s = 0.003,
                                .skew = gsl_ran_flat(random, -0.005, 0.005),
                                .backlash_mm = gsl_ran_flat(random, 0, 0.05),
                                .interval_s = gsl_ran_flat(random, 0.005, 0.02),
                                .high_s = gsl_ran_flat(random, 0, 0.004),
                                .gain = gsl_ran_flat(random, 0.5, 2),
                                .bend = gsl_ran_flat(random, -0.2, 0.2),
                                .noise = gsl_ran_flat(random, 0.001, 0.05),
                                .step = gsl_rng_uniform(random) < 0.5 ? 0.01 : 0,
                                .trip_mm = gsl_ran_flat(random, 60, 140)};
    bench.line_s = gsl_ran_flat(random, bench.low_s, bench.high_s);
    bench.axis.live_position = false;
    bench.axis.backlash_mm = 0.05;
    return bench;
}

struct stage_bench stage_bench_quiet(const struct plan *plan, const struct rig_axis *axis)
{
    return (struct stage_bench){.plan = plan,
                                .axis = *axis,
                                .delay_s = 0.06,
                                .delay_sd_s = 0.002,
                                .end_s = 0.02,
                                .interval_s = 0.01,
                                .line_s = 0.001,
                                .high_s = 0.002,
                                .gain = 1,
                                .noise = 0.01,
                                .trip_mm = 90};
}

void stage_bench_run(struct stage_bench *bench, gsl_rng *random)
{
    size_t count = plan_stroke_count(bench->plan);
    const struct plan_stroke *strokes = plan_strokes(bench->plan);
    double shift = 5, ended = 0;
    bench->start_s = calloc(count, sizeof *bench->start_s);
    bench->rows = calloc(count, sizeof *bench->rows);
    bench->row_count = count;
    for (size_t k = 0; k < count; k++) {
        double duration = strokes[k].end_s - strokes[k].start_s;
        double sent = fmax(strokes[k].start_s + shift, ended);
        double delay = bench->delay_s + gsl_ran_gaussian(random, bench->delay_sd_s);
        bench->start_s[k] = sent + fmax(delay, 0);
        ended = bench->start_s[k] + (1 + bench->skew) * duration + bench->end_s +
                fabs(gsl_ran_gaussian(random, bench->end_sd_s));
        shift = sent - strokes[k].start_s;
        bench->rows[k] = (struct stroke_row){.stroke = (uint32_t)k,
                                             .plan_s = strokes[k].start_s,
                                             .sent_s = sent,
                                             .accepted_s = sent + 0.004,
                                             .ended_s = ended};
    }
}

/* The stage, half the play behind the motor; and what the channels make of it. */
void stage_bench_see(struct stage_bench *bench, gsl_rng *random)
{
    size_t count = bench->row_count, stroke = 0;
    const struct plan_stroke *strokes = plan_strokes(bench->plan);
    double end_s = bench->rows[count - 1].ended_s + 2, half = bench->backlash_mm / 2;
    double place = plan_stage_mm(bench->plan, 0), phase = gsl_rng_uniform(random), changed = -1;
    size_t room = (size_t)(end_s / bench->interval_s) + 2;
    bool closed = false;
    bench->t_s = calloc(room, sizeof *bench->t_s);
    bench->reference = calloc(room, sizeof *bench->reference);
    bench->trip = calloc(room, sizeof *bench->trip);
    bench->seen_count = 0;
    for (size_t i = 0; bench->seen_count < room - 1; i++) {
        double t = bench->interval_s * ((double)i + phase);
        if (t > end_s)
            break;
        while (stroke + 1 < count && bench->start_s[stroke + 1] <= t)
            stroke++;
        double since = fmax(0, t - bench->start_s[stroke]) / (1 + bench->skew);
        double plan_s = fmin(strokes[stroke].start_s + since, strokes[stroke].end_s);
        double motor = plan_stage_mm(bench->plan, plan_s);
        place = fmin(fmax(place, motor - half), motor + half);
        double x = (place - 100) / 100, seen = place + bench->bend * (1 - x * x);
        double reading = bench->gain * seen + 3 + gsl_ran_gaussian(random, bench->noise);
        bool closes = place >= bench->trip_mm;
        if (closes != closed)
            changed = t;
        closed = closes;
        bool bounces = t - changed < bench->bounce_s && gsl_rng_uniform(random) < 0.5;
        size_t n = bench->seen_count++;
        bench->t_s[n] = t + bench->line_s +
                        (bench->jitter_s > 0 ? gsl_ran_flat(random, 0, bench->jitter_s) : 0);
        bench->reference[n] = bench->step > 0 ? rint(reading / bench->step) * bench->step : reading;
        bench->trip[n] = closes != bounces;
    }
}

void stage_bench_free(struct stage_bench *bench)
{
    free(bench->start_s);
    free(bench->rows);
    free(bench->t_s);
    free(bench->reference);
    free(bench->trip);
}

void tally_count(struct tally *tally, double error, double stated)
{
    tally->n++;
    tally->covered += fabs(error) <= 1.96 * stated;
    tally->sum2 += error * error;
    tally->stated2 += stated * stated;
}

double tally_ratio(const struct tally *tally)
{
    return sqrt(tally->sum2 / tally->stated2);
}
