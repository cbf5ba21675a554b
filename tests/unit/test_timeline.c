/* SPDX-License-Identifier: GPL-3.0-or-later
 * Benches with known start times: are the ties right, and is the stated uncertainty
 * the true one? All data is made here. */
#include "check.h"
#include "plans.h"
#include "results/timeline.h"

#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>

#include <math.h>
#include <stdlib.h>

/* The truth of one bench, and what a run would have written down. */
struct bench {
    const struct plan *plan;
    struct rig rig;
    double delay_s, delay_sd_s, end_s, end_sd_s, skew;
    double question_s, answer_s, answer_sd_s; /* transport; the latter on the answer's side */
    double wait_s; /* longest, behind lines that a full controller has yet to take */
    double poll_s;
    bool planned_positions; /* the controller answers where it will be */
    double *start_s;        /* true */
    struct motion_row *motion;
    struct stroke_row *rows;
    size_t motion_count, row_count;
};

static void run(struct bench *bench, gsl_rng *random)
{
    size_t count = plan_stroke_count(bench->plan);
    const struct plan_stroke *strokes = plan_strokes(bench->plan);
    bench->start_s = calloc(count, sizeof *bench->start_s);
    bench->rows = calloc(count, sizeof *bench->rows);
    size_t room = 64 * count + (size_t)(2 * plan_duration_s(bench->plan) / bench->poll_s);
    bench->motion = calloc(room, sizeof *bench->motion);
    double shift = 5, ended = 0;
    bench->motion_count = 0;
    bench->row_count = count;
    for (size_t k = 0; k < count; k++) {
        double duration = strokes[k].end_s - strokes[k].start_s;
        double sent = fmax(strokes[k].start_s + shift, ended);
        double delay = bench->delay_s + gsl_ran_gaussian(random, bench->delay_sd_s);
        double start = sent + fmax(delay, 0), end = start + (1 + bench->skew) * duration;
        ended = end + bench->end_s + fabs(gsl_ran_gaussian(random, bench->end_sd_s));
        shift = sent - strokes[k].start_s;
        bench->start_s[k] = start;
        bench->rows[k] = (struct stroke_row){.stroke = (uint32_t)k,
                                             .plan_s = strokes[k].start_s,
                                             .sent_s = sent,
                                             .accepted_s = sent + 0.004,
                                             .ended_s = ended};
        for (double asked = sent + bench->poll_s * gsl_rng_uniform(random); asked < ended;
             asked += bench->poll_s) {
            double there = asked + bench->question_s;
            if (strokes[k].line_count > (uint64_t)bench->rig.axis.lookahead_lines)
                there += bench->wait_s * gsl_rng_uniform(random);
            double answered = there + bench->answer_s;
            if (bench->answer_sd_s > 0)
                answered += gsl_ran_exponential(random, bench->answer_sd_s);
            double plan_s = strokes[k].start_s + (there - start) / (1 + bench->skew);
            plan_s = fmax(strokes[k].start_s, fmin(strokes[k].end_s, plan_s));
            if (bench->planned_positions)
                plan_s = strokes[k].end_s;
            double place = plan_depth_mm(bench->plan, plan_s);
            assert_true(bench->motion_count < room);
            bench->motion[bench->motion_count++] =
                (struct motion_row){.t_s = (asked + answered) / 2,
                                    .stroke = (uint32_t)k,
                                    .depth_mm = place,
                                    .reported_mm = rint(place * 100) / 100,
                                    .bracket_s = (answered - asked) / 2};
        }
    }
}

static void done(struct bench *bench)
{
    free(bench->start_s);
    free(bench->rows);
    free(bench->motion);
}

static void tie(const struct bench *bench, struct timeline *timeline)
{
    struct rig_err err = {0};
    assert_int_equal(timeline_make(timeline, bench->plan, bench->motion, bench->motion_count,
                                   bench->rows, bench->row_count, &bench->rig.axis, &err),
                     0);
}

struct tally {
    double n, covered, sum2, stated2;
};

static void count(struct tally *tally, double error, double stated)
{
    tally->n++;
    tally->covered += fabs(error) <= 1.96 * stated;
    tally->sum2 += error * error;
    tally->stated2 += stated * stated;
}

static double ratio(const struct tally *tally)
{
    return sqrt(tally->sum2 / tally->stated2);
}

static const char MANY_RAMPS[] = "start at 10 mm\n"
                                 "each speed 5, 10, 20, 40 mm/s\n"
                                 "repeat 3\n"
                                 "ramp to 150 mm at speed\nhold 4 s\n"
                                 "ramp to 10 mm at speed\nhold 4 s\n"
                                 "end\nend\n"
                                 "stairs from 10 mm to 150 mm in 7 steps, hold 2 s, up and down\n"
                                 "step to 100 mm\nhold 3 s\nstep to 20 mm\nhold 3 s\n";

struct fixture {
    struct units *units;
    struct rig rig;
    gsl_rng *random;
};

static struct plan *plan_of(struct fixture *fixture, const char *text)
{
    return test_plan(&fixture->rig, fixture->units, text, NULL);
}

/* Random benches: the random part within a bench, the common part between benches. */
static void polled_uncertainty_is_honest(void **state)
{
    struct fixture *fixture = *state;
    struct plan *plan = plan_of(fixture, MANY_RAMPS);
    struct tally all = {0}, scatter = {0}, common = {0}, skew = {0}, delay = {0};
    for (int i = 0; i < 150; i++) {
        gsl_rng *random = fixture->random;
        /* How a gap of a given length splits is what the uncertainty is about. */
        double gap = 0.002 + 0.006 * gsl_rng_uniform(random), share = gsl_rng_uniform(random);
        struct bench bench = {.plan = plan,
                              .rig = fixture->rig,
                              .delay_s = 0.02 + 0.2 * gsl_rng_uniform(random),
                              .delay_sd_s = i % 3 ? 0.004 : 0,
                              .end_s = 0.01 + 0.05 * gsl_rng_uniform(random),
                              .end_sd_s = 0.003,
                              .skew = gsl_ran_flat(random, -0.005, 0.005),
                              .question_s = gap * share,
                              .answer_s = gap * (1 - share),
                              .answer_sd_s = 0.002 * gsl_rng_uniform(random),
                              .poll_s = 0.1};
        struct timeline timeline;
        run(&bench, random);
        tie(&bench, &timeline);
        assert_int_equal(timeline.anchor, ANCHOR_POLLED);
        double mean = 0, n = 0;
        for (size_t k = 0; k < timeline.stroke_count; k++) {
            assert_true(timeline.strokes[k].known);
            mean += (timeline.strokes[k].host_start_s - bench.start_s[k] - mean) / ++n;
        }
        for (size_t k = 0; k < timeline.stroke_count; k++) {
            const struct timeline_stroke *s = &timeline.strokes[k];
            double error = s->host_start_s - bench.start_s[k];
            /* The skew's share at the start, away from the middle of the motion. */
            double lever = timeline.skew_u * (s->plan_end_s - s->plan_start_s) / 2;
            count(&all, error, hypot(hypot(s->scatter_s, timeline.common_u_s), lever));
            count(&scatter, error - mean, hypot(s->scatter_s, lever) * sqrt((n - 1) / n));
        }
        count(&common, mean, timeline.common_u_s);
        count(&skew, timeline.skew - bench.skew, timeline.skew_u);
        count(&delay, timeline.start_delay_s - bench.delay_s, timeline.start_delay_u_s);
        timeline_free(&timeline);
        done(&bench);
    }
    print_message("error over stated: all %.2f, scatter %.2f, common %.2f, skew %.2f, delay %.2f\n"
                  "covered at 95 %%: all %.3f, scatter %.3f, common %.3f, skew %.3f, delay %.3f\n"
                  "rms: all %.2f ms, scatter %.3f ms, skew %.0f ppm\n",
                  ratio(&all), ratio(&scatter), ratio(&common), ratio(&skew), ratio(&delay),
                  all.covered / all.n, scatter.covered / scatter.n, common.covered / common.n,
                  skew.covered / skew.n, delay.covered / delay.n, 1e3 * sqrt(all.sum2 / all.n),
                  1e3 * sqrt(scatter.sum2 / scatter.n), 1e6 * sqrt(skew.sum2 / skew.n));
    assert_in_range((int)(1000 * all.covered / all.n), 920, 1000);
    assert_near(ratio(&scatter), 1, 0.25, "");
    assert_near(ratio(&common), 1, 0.25, "");
    assert_near(ratio(&skew), 1, 0.25, "");
    assert_near(ratio(&delay), 1, 0.25, "");
    plan_free(plan);
}

static void acknowledged_uncertainty_is_honest(void **state)
{
    struct fixture *fixture = *state;
    struct plan *plan = plan_of(fixture, MANY_RAMPS);
    struct tally all = {0}, scatter = {0}, common = {0}, skew = {0};
    for (int i = 0; i < 300; i++) {
        gsl_rng *random = fixture->random;
        double slack = 0.05 + 0.2 * gsl_rng_uniform(random), share = gsl_rng_uniform(random);
        struct bench bench = {.plan = plan,
                              .rig = fixture->rig,
                              .delay_s = slack * share + 0.02,
                              .delay_sd_s = 0.003,
                              .end_s = slack * (1 - share) + 0.02,
                              .end_sd_s = 0.004,
                              .skew = gsl_ran_flat(random, -0.005, 0.005),
                              .poll_s = 1};
        struct timeline timeline;
        bench.rig.axis.live_position = false;
        run(&bench, random);
        tie(&bench, &timeline);
        assert_int_equal(timeline.anchor, ANCHOR_ACKNOWLEDGED);
        assert_true(isnan(timeline.start_delay_s));
        double mean = 0, n = 0;
        for (size_t k = 0; k < timeline.stroke_count; k++)
            mean += (timeline.strokes[k].host_start_s - bench.start_s[k] - mean) / ++n;
        for (size_t k = 0; k < timeline.stroke_count; k++) {
            const struct timeline_stroke *s = &timeline.strokes[k];
            double error = s->host_start_s - bench.start_s[k];
            count(&all, error, hypot(s->scatter_s, timeline.common_u_s));
            count(&scatter, error - mean, s->scatter_s);
        }
        count(&common, mean, timeline.common_u_s);
        count(&skew, timeline.skew - bench.skew, timeline.skew_u);
        timeline_free(&timeline);
        done(&bench);
    }
    print_message("error over stated: all %.2f, scatter %.2f, common %.2f, skew %.2f\n"
                  "covered: all %.3f, scatter %.3f, common %.3f, skew %.3f\n",
                  ratio(&all), ratio(&scatter), ratio(&common), ratio(&skew), all.covered / all.n,
                  scatter.covered / scatter.n, common.covered / common.n, skew.covered / skew.n);
    assert_in_range((int)(1000 * all.covered / all.n), 940, 1000);
    assert_near(ratio(&scatter), 1, 0.25, "");
    assert_near(ratio(&common), 1, 0.25, "");
    assert_near(ratio(&skew), 1, 0.25, "");
    plan_free(plan);
}

static struct bench quiet(struct fixture *fixture, const struct plan *plan)
{
    return (struct bench){.plan = plan,
                          .rig = fixture->rig,
                          .delay_s = 0.18,
                          .delay_sd_s = 0.002,
                          .end_s = 0.03,
                          .question_s = 0.002,
                          .answer_s = 0.002,
                          .answer_sd_s = 0.0005,
                          .poll_s = 0.1};
}

/* Fast sines: a tie that is off by a period would look nearly as good. */
static void sines_are_tied_to_the_right_cycle(void **state)
{
    struct fixture *fixture = *state;
    struct plan *plan = plan_of(fixture, "start at 80 mm\nhold 1 s\n"
                                         "sine about 80 mm amplitude up to 5 mm from 0.2 Hz to 2 "
                                         "Hz in 5 frequencies, 6 cycles each\nhold 1 s\n");
    struct bench bench = quiet(fixture, plan);
    struct timeline timeline;
    run(&bench, fixture->random);
    tie(&bench, &timeline);
    assert_int_equal(timeline.anchor, ANCHOR_POLLED);
    for (size_t k = 0; k < timeline.stroke_count; k++)
        assert_near(timeline.strokes[k].host_start_s, bench.start_s[k], 0.004, "s");
    timeline_free(&timeline);
    done(&bench);
    plan_free(plan);
}

/* Where motion is made of many short lines the controller is full of them, and a question
 * waits behind those. A tie that takes the middle of the wait is off by half of it. */
static void questions_wait_behind_lines(void **state)
{
    struct fixture *fixture = *state;
    struct plan *plan = plan_of(fixture, "start at 10 mm\nhold 1 s\n"
                                         "each speed 10, 20, 40 mm/s\nrepeat 4\n"
                                         "ramp to 150 mm at speed\nhold 2 s\n"
                                         "ramp to 10 mm at speed\nhold 2 s\nend\nend\n"
                                         "sine about 80 mm amplitude up to 5 mm from 0.1 Hz to 2 "
                                         "Hz in 5 frequencies, 10 cycles each\nhold 1 s\n");
    for (int i = 0; i < 5; i++) {
        struct bench bench = quiet(fixture, plan);
        struct timeline timeline;
        bench.question_s = bench.answer_s = 0.0005;
        bench.wait_s = 0.02 * (i + 1);
        run(&bench, fixture->random);
        tie(&bench, &timeline);
        assert_int_equal(timeline.anchor, ANCHOR_POLLED);
        for (size_t k = 0; k < timeline.stroke_count; k++)
            if (plan_strokes(plan)[k].line_count > 16)
                assert_near(timeline.strokes[k].host_start_s, bench.start_s[k],
                            4 * hypot(timeline.strokes[k].scatter_s, timeline.common_u_s), "s");
        assert_true(timeline.common_u_s < 1.5e-3);
        timeline_free(&timeline);
        done(&bench);
    }
    plan_free(plan);
}

static void wild_reports_and_bare_strokes(void **state)
{
    struct fixture *fixture = *state;
    struct plan *plan = plan_of(fixture, MANY_RAMPS);
    struct bench bench = quiet(fixture, plan);
    struct timeline timeline;
    run(&bench, fixture->random);
    for (size_t i = 0; i < bench.motion_count; i++) {
        if (i % 10 == 3)
            bench.motion[i].reported_mm += 7; /* a slip of digits */
        if (i % 10 == 5)
            bench.motion[i].reported_mm = NAN;
        if (i % 50 == 7)
            bench.motion[i].bracket_s = NAN;
        if (bench.motion[i].stroke % 5 == 2)
            bench.motion[i].reported_mm = NAN; /* no report in the whole stroke */
    }
    tie(&bench, &timeline);
    assert_int_equal(timeline.anchor, ANCHOR_POLLED);
    for (size_t k = 0; k < timeline.stroke_count; k++) {
        const struct timeline_stroke *s = &timeline.strokes[k];
        double stated = hypot(s->scatter_s, timeline.common_u_s);
        assert_near(s->host_start_s, bench.start_s[k], 4 * stated, "s");
        if (k % 5 == 2) {
            assert_in_range((int)(1e6 * s->scatter_s), 800, 5000); /* 2 ms, the delay's spread */
        } else {
            assert_true(s->scatter_s < 1.5e-3);
        }
    }
    timeline_free(&timeline);
    done(&bench);
    plan_free(plan);
}

/* A rig file that says 'live' where the controller answers its target. */
static void planned_positions_are_not_believed(void **state)
{
    struct fixture *fixture = *state;
    struct plan *plan = plan_of(fixture, MANY_RAMPS);
    struct bench bench = quiet(fixture, plan);
    struct timeline timeline;
    bench.planned_positions = true;
    run(&bench, fixture->random);
    tie(&bench, &timeline);
    assert_int_equal(timeline.anchor, ANCHOR_ACKNOWLEDGED);
    for (size_t k = 0; k < timeline.stroke_count; k++)
        assert_near(timeline.strokes[k].host_start_s, bench.start_s[k],
                    2.5 * hypot(timeline.strokes[k].scatter_s, timeline.common_u_s), "s");
    timeline_free(&timeline);
    done(&bench);
    plan_free(plan);
}

static void bad_rows_leave_strokes_unknown(void **state)
{
    struct fixture *fixture = *state;
    struct plan *plan = plan_of(fixture, MANY_RAMPS);
    struct bench bench = quiet(fixture, plan);
    struct timeline timeline;
    run(&bench, fixture->random);
    bench.rows[3].ended_s = NAN;
    bench.rows[4].sent_s = NAN;
    bench.rows[5].ended_s = bench.rows[5].sent_s - 1;
    bench.rows[6].stroke = 4000000000u;
    bench.motion[0].stroke = 4000000000u;
    bench.row_count = 20;
    tie(&bench, &timeline);
    for (size_t k = 0; k < timeline.stroke_count; k++) {
        bool bad = (k >= 3 && k <= 6) || k >= 20;
        assert_int_equal(timeline.strokes[k].known, !bad);
        size_t stroke, hint = 0;
        double middle = bench.start_s[k] + 1;
        double plan_s = timeline_plan_s(&timeline, middle, &stroke, &hint);
        if (bad) {
            assert_true(isnan(plan_s));
            assert_true(isnan(timeline.strokes[k].host_start_s));
        } else {
            assert_int_equal(stroke, k);
            assert_near(plan_s, timeline.strokes[k].plan_start_s + 1, 0.01, "s");
        }
    }
    timeline_free(&timeline);
    struct rig_err err = {0};
    assert_int_equal(timeline_make(&timeline, plan, NULL, 0, NULL, 0, &fixture->rig.axis, &err), 0);
    assert_int_equal(timeline.anchor, ANCHOR_NONE);
    size_t hint = 0;
    assert_true(isnan(timeline_plan_s(&timeline, 10, NULL, &hint)));
    timeline_free(&timeline);
    done(&bench);
    plan_free(plan);
}

/* Plan time grows with host time, never leaves the hold for the stroke that hasn't
 * begun, and the order of questions doesn't matter. */
static void plan_time_of_a_host_time(void **state)
{
    struct fixture *fixture = *state;
    struct plan *plan = plan_of(fixture, MANY_RAMPS);
    struct bench bench = quiet(fixture, plan);
    struct timeline timeline;
    run(&bench, fixture->random);
    tie(&bench, &timeline);
    size_t hint = 0, last = timeline.stroke_count - 1, other = last;
    double first = timeline.strokes[0].host_start_s;
    double after = plan_duration_s(plan) - timeline.strokes[last].plan_end_s;
    double end = timeline.strokes[last].host_end_s + after * (1 + timeline.skew);
    assert_true(isnan(timeline_plan_s(&timeline, first - 1e-6, NULL, &hint)));
    assert_true(isnan(timeline_plan_s(&timeline, NAN, NULL, &hint)));
    assert_true(isnan(timeline_plan_s(&timeline, end + 0.1, NULL, &hint)));
    double before = -1;
    hint = 0;
    for (double host = first; host < end - 1e-3; host += 0.0137) {
        size_t stroke = 99;
        double plan_s = timeline_plan_s(&timeline, host, &stroke, &hint);
        assert_true(plan_s >= before);
        assert_true(plan_s == timeline_plan_s(&timeline, host, NULL, &other));
        assert_true(stroke < timeline.stroke_count);
        if (stroke < last)
            assert_true(plan_s < timeline.strokes[stroke + 1].plan_start_s);
        assert_true(plan_s >= timeline.strokes[stroke].plan_start_s);
        other = (size_t)(host * 1000) % timeline.stroke_count;
        before = plan_s;
    }
    timeline_free(&timeline);
    done(&bench);
    plan_free(plan);
}

static int open_fixture(void **state)
{
    static struct fixture fixture;
    struct rig_err err = {0};
    fixture.units = units_open(&err);
    fixture.random = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(fixture.random, 20260417);
    test_rig(&fixture.rig, fixture.units, "position live\nlines up to 300 lines/s", "");
    *state = &fixture;
    return 0;
}

static int close_fixture(void **state)
{
    struct fixture *fixture = *state;
    gsl_rng_free(fixture->random);
    units_close(fixture->units);
    return 0;
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(polled_uncertainty_is_honest),
        cmocka_unit_test(acknowledged_uncertainty_is_honest),
        cmocka_unit_test(sines_are_tied_to_the_right_cycle),
        cmocka_unit_test(wild_reports_and_bare_strokes),
        cmocka_unit_test(planned_positions_are_not_believed),
        cmocka_unit_test(bad_rows_leave_strokes_unknown),
        cmocka_unit_test(plan_time_of_a_host_time),
        cmocka_unit_test(questions_wait_behind_lines),
    };
    return cmocka_run_group_tests(tests, open_fixture, close_fixture);
}
