/* SPDX-License-Identifier: GPL-3.0-or-later
 * Benches with known start times and a channel on the stage: are the ties right, and is the
 * stated uncertainty the true one? And channels that are no use. All data is made here. */
#include "check.h"
#include "plans.h"
#include "results/timeline_witness.h"
#include "stage_bench.h"

#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { BATCH = 4096, BENCHES = 40 };

/* Gathers in parts of `part` rows, as several threads do. */
static void gather(const struct stage_bench *bench, const struct timeline *timeline,
                   enum channel_role role, size_t part, struct witness *witness)
{
    struct rig_err err = {0};
    struct witness share;
    const double *values = role == ROLE_REFERENCE ? bench->reference : bench->trip;
    double late_s = (bench->low_s + bench->high_s) / 2;
    witness_begin(witness, role, timeline, late_s);
    for (size_t at = 0; at < bench->seen_count; at += part) {
        size_t rows = bench->seen_count - at < part ? bench->seen_count - at : part;
        witness_begin(&share, role, timeline, late_s);
        assert_int_equal(witness_add(&share, bench->t_s + at, values + at, rows, &err), 0);
        assert_int_equal(witness_merge(witness, &share, &err), 0);
        witness_free(&share);
    }
    witness_settle(witness);
}

static bool tie(const struct stage_bench *bench, enum channel_role role, struct timeline *timeline,
                char reason[TIMELINE_REASON_SIZE])
{
    struct rig_err err = {0};
    struct witness witness;
    bool used = false;
    const struct timeline_source source = {.index = 2,
                                           .trip_mm = bench->said_mm > 0 ? bench->said_mm : NAN,
                                           .delay_half_s = (bench->high_s - bench->low_s) / 2,
                                           .stamp_sd_s = bench->jitter_s / sqrt(12)};
    assert_int_equal(timeline_make(timeline, bench->plan, NULL, 0, bench->rows, bench->row_count,
                                   &bench->axis, &err),
                     0);
    gather(bench, timeline, role, BATCH, &witness);
    *reason = 0;
    assert_int_equal(timeline_witness(timeline, bench->plan, &bench->axis, &witness, &source, &used,
                                      reason, &err),
                     0);
    witness_free(&witness);
    return used;
}

struct fixture {
    struct units *units;
    struct rig rig;
    gsl_rng *random;
};

static void ties_are_honest(struct fixture *fixture, enum channel_role role)
{
    struct plan *plan = test_plan(&fixture->rig, fixture->units, stage_bench_speeds, NULL);
    struct tally all = {0}, scatter = {0}, common = {0}, skew = {0}, delay = {0}, play = {0};
    double spread = 0;
    for (int i = 0; i < BENCHES; i++) {
        struct stage_bench bench = stage_bench_draw(plan, &fixture->rig.axis, fixture->random);
        struct timeline timeline;
        char reason[TIMELINE_REASON_SIZE];
        stage_bench_run(&bench, fixture->random);
        stage_bench_see(&bench, fixture->random);
        if (!tie(&bench, role, &timeline, reason))
            fail_msg("bench %d: %s", i, reason);
        double mean = 0, n = 0;
        for (size_t k = 0; k < timeline.stroke_count; k++)
            mean += (timeline.strokes[k].host_start_s - bench.start_s[k] - mean) / ++n;
        for (size_t k = 0; k < timeline.stroke_count; k++) {
            const struct timeline_stroke *s = &timeline.strokes[k];
            double error = s->host_start_s - bench.start_s[k];
            double lever = timeline.skew_u * (s->plan_end_s - s->plan_start_s) / 2;
            tally_count(&all, error, hypot(hypot(s->scatter_s, timeline.common_u_s), lever));
            tally_count(&scatter, error - mean, hypot(s->scatter_s, lever) * sqrt((n - 1) / n));
        }
        tally_count(&common, mean, timeline.common_u_s);
        tally_count(&skew, timeline.skew - bench.skew, timeline.skew_u);
        tally_count(&delay, timeline.start_delay_s - bench.delay_s, timeline.start_delay_u_s);
        tally_count(&play, timeline.backlash_mm - bench.backlash_mm, timeline.backlash_u_mm);
        spread += log(timeline.start_delay_spread_s / bench.delay_sd_s) / BENCHES;
        timeline_free(&timeline);
        stage_bench_free(&bench);
    }
    print_message(
        "error over stated: all %.2f, scatter %.2f, common %.2f, skew %.2f, delay %.2f, play %.2f\n"
        "covered: all %.3f of %.0f, common %.3f, skew %.3f, delay %.3f, play %.3f\n"
        "rms: all %.3f ms, scatter %.3f ms, skew %.1f ppm, play %.4f mm; spread x %.2f\n",
        tally_ratio(&all), tally_ratio(&scatter), tally_ratio(&common), tally_ratio(&skew),
        tally_ratio(&delay), tally_ratio(&play), all.covered / all.n, all.n,
        common.covered / common.n, skew.covered / skew.n, delay.covered / delay.n,
        play.covered / play.n, 1e3 * sqrt(all.sum2 / all.n), 1e3 * sqrt(scatter.sum2 / scatter.n),
        1e6 * sqrt(skew.sum2 / skew.n), sqrt(play.sum2 / play.n), exp(spread));
    assert_in_range((int)(1000 * all.covered / all.n), 920, 1000);
    assert_near(tally_ratio(&scatter), 1, 0.3, "");
    assert_near(tally_ratio(&common), 1, 0.3, "");
    assert_near(tally_ratio(&skew), 1, 0.3, "");
    assert_near(tally_ratio(&delay), 1, 0.3, "");
    assert_near(tally_ratio(&play), 1, 0.4, "");
    plan_free(plan);
}

static void a_reference_is_honest(void **state)
{
    ties_are_honest(*state, ROLE_REFERENCE);
}

static void a_trip_is_honest(void **state)
{
    ties_are_honest(*state, ROLE_TRIP);
}

static void need_refusal(struct stage_bench *bench, enum channel_role role, const char *why)
{
    struct timeline timeline;
    char reason[TIMELINE_REASON_SIZE];
    assert_false(tie(bench, role, &timeline, reason));
    assert_contains(reason, why);
    /* All is as the acknowledgements had it. */
    assert_int_equal(timeline.anchor, ANCHOR_ACKNOWLEDGED);
    assert_true(isnan(timeline.start_delay_s));
    assert_true(timeline.source == SIZE_MAX);
    timeline_free(&timeline);
}

static void channels_that_are_no_use(void **state)
{
    struct fixture *fixture = *state;
    struct plan *plan = test_plan(&fixture->rig, fixture->units, stage_bench_speeds, NULL);
    struct stage_bench bench = stage_bench_quiet(plan, &fixture->rig.axis);
    stage_bench_run(&bench, fixture->random);
    stage_bench_see(&bench, fixture->random);
    size_t n = bench.seen_count;
    double *kept = malloc(n * sizeof *kept);
    assert_non_null(kept);
    memcpy(kept, bench.reference, n * sizeof *kept);

    for (size_t i = 0; i < n; i++)
        bench.reference[i] = fmin(kept[i], 70);
    need_refusal(&bench, ROLE_REFERENCE, "end of its range");
    for (size_t i = 0; i < n; i++)
        bench.reference[i] = 55;
    need_refusal(&bench, ROLE_REFERENCE, "never changes");
    for (size_t i = 0; i < n; i++)
        bench.reference[i] = i % 3 ? NAN : kept[i];
    need_refusal(&bench, ROLE_REFERENCE, "no value");
    for (size_t i = 0; i < n; i++) /* another axis' */
        bench.reference[i] = 100 + 60 * sin((double)i / 200);
    need_refusal(&bench, ROLE_REFERENCE, "does not follow");
    memcpy(bench.reference, kept, n * sizeof *kept);
    bench.low_s = bench.high_s = 0.5; /* wrongly stated */
    need_refusal(&bench, ROLE_REFERENCE, "'delay'");
    bench.low_s = 0;
    bench.high_s = 0.002;
    bench.seen_count = 20;
    need_refusal(&bench, ROLE_REFERENCE, "");
    bench.seen_count = n;

    memcpy(kept, bench.trip, n * sizeof *kept);
    for (size_t i = 0; i < n; i++)
        bench.trip[i] = 1;
    need_refusal(&bench, ROLE_TRIP, "never changes");
    for (size_t i = 0; i < n; i++)
        bench.trip[i] = (double)(i / 70 % 2); /* a clock of its own */
    need_refusal(&bench, ROLE_TRIP, "");
    for (size_t i = 0; i < n; i++)
        bench.trip[i] = bench.t_s[i] > bench.rows[3].sent_s;
    need_refusal(&bench, ROLE_TRIP, "fewer than six");
    free(kept);
    stage_bench_free(&bench);
    plan_free(plan);
}

/* Bouncing contacts, an edge in volts with noise, lost rows, a stroke that nobody saw. */
static void a_trip_as_switches_are(void **state)
{
    struct fixture *fixture = *state;
    struct plan *plan = test_plan(&fixture->rig, fixture->units, stage_bench_speeds, NULL);
    struct stage_bench bench = stage_bench_quiet(plan, &fixture->rig.axis);
    struct timeline timeline;
    char reason[TIMELINE_REASON_SIZE];
    bench.interval_s = 0.002;
    bench.bounce_s = 0.008;
    stage_bench_run(&bench, fixture->random);
    stage_bench_see(&bench, fixture->random);
    for (size_t i = 0; i < bench.seen_count; i++) {
        bench.trip[i] = 0.2 + 4.5 * bench.trip[i] + gsl_ran_gaussian(fixture->random, 0.1);
        if (i % 97 == 5)
            bench.trip[i] = NAN;
        if (bench.t_s[i] > bench.rows[4].sent_s && bench.t_s[i] < bench.rows[4].ended_s)
            bench.trip[i] = NAN;
    }
    if (!tie(&bench, ROLE_TRIP, &timeline, reason))
        fail_msg("%s", reason);
    assert_int_equal(timeline.anchor, ANCHOR_TRIP);
    assert_int_equal(timeline.source, 2);
    for (size_t k = 0; k < timeline.stroke_count; k++) {
        const struct timeline_stroke *s = &timeline.strokes[k];
        double lever = timeline.skew_u * (s->plan_end_s - s->plan_start_s) / 2;
        assert_near(s->host_start_s, bench.start_s[k],
                    4 * hypot(hypot(s->scatter_s, timeline.common_u_s), lever), "s");
    }
    assert_true(timeline.strokes[4].scatter_s > 0.001); /* what is usual */
    timeline_free(&timeline);
    stage_bench_free(&bench);
    plan_free(plan);
}

static const char ONE_SPEED[] = "start at 10 mm\nrepeat 8\n"
                                "ramp to 150 mm at 20 mm/s\nhold 2 s\n"
                                "ramp to 20 mm at 20 mm/s\nhold 2 s\nend\n";

/* Where the place of a switch is known, one speed one way tells the start delay; a wrong place is
 * not believed. */
static void a_trip_whose_place_is_said(void **state)
{
    struct fixture *fixture = *state;
    struct plan *plan = test_plan(&fixture->rig, fixture->units, ONE_SPEED, NULL);
    struct tally said = {0}, found = {0};
    struct timeline timeline;
    char reason[TIMELINE_REASON_SIZE];
    for (int i = 0; i < 20; i++) {
        struct stage_bench bench = stage_bench_draw(plan, &fixture->rig.axis, fixture->random);
        bench.axis.backlash_mm = 0.05;
        bench.high_s = bench.line_s = 0;
        stage_bench_run(&bench, fixture->random);
        stage_bench_see(&bench, fixture->random);
        assert_true(tie(&bench, ROLE_TRIP, &timeline, reason));
        tally_count(&found, timeline.start_delay_s - bench.delay_s, timeline.start_delay_u_s);
        timeline_free(&timeline);
        bench.said_mm = bench.trip_mm + gsl_ran_flat(fixture->random, -0.05, 0.05);
        assert_true(tie(&bench, ROLE_TRIP, &timeline, reason));
        assert_string_equal(reason, "");
        tally_count(&said, timeline.start_delay_s - bench.delay_s, timeline.start_delay_u_s);
        timeline_free(&timeline);
        stage_bench_free(&bench);
    }
    print_message("start delay, error over stated: %.2f (%.2f ms stated), said: %.2f (%.2f ms)\n",
                  tally_ratio(&found), 1e3 * sqrt(found.stated2 / found.n), tally_ratio(&said),
                  1e3 * sqrt(said.stated2 / said.n));
    assert_true(tally_ratio(&said) < 1.3 && said.covered >= 17);
    assert_true(said.stated2 <= found.stated2 * 1.001);
    struct stage_bench bench = stage_bench_quiet(plan, &fixture->rig.axis);
    stage_bench_run(&bench, fixture->random);
    stage_bench_see(&bench, fixture->random);
    bench.said_mm = bench.trip_mm + 1.5;
    assert_true(tie(&bench, ROLE_TRIP, &timeline, reason));
    assert_contains(reason, "and not at 91.50 mm");
    assert_near(timeline.start_delay_s, bench.delay_s, 4 * timeline.start_delay_u_s, "s");
    timeline_free(&timeline);
    stage_bench_free(&bench);
    plan_free(plan);
}

/* However a file is cut between threads. */
static void parts_add_up(void **state)
{
    struct fixture *fixture = *state;
    struct plan *plan = test_plan(&fixture->rig, fixture->units, stage_bench_speeds, NULL);
    struct stage_bench bench = stage_bench_quiet(plan, &fixture->rig.axis);
    struct rig_err err = {0};
    struct timeline timeline;
    stage_bench_run(&bench, fixture->random);
    stage_bench_see(&bench, fixture->random);
    assert_int_equal(
        timeline_make(&timeline, plan, NULL, 0, bench.rows, bench.row_count, &bench.axis, &err), 0);
    static const enum channel_role roles[] = {ROLE_REFERENCE, ROLE_TRIP};
    for (size_t r = 0; r < 2; r++) {
        struct witness whole, parts;
        gather(&bench, &timeline, roles[r], bench.seen_count, &whole);
        gather(&bench, &timeline, roles[r], 7, &parts);
        assert_int_equal(whole.count, parts.count);
        assert_int_equal(whole.edge_count, parts.edge_count);
        assert_true(r == 0 ? whole.count > 3000 : whole.edge_count == 18);
        for (size_t i = 0; i < whole.count; i++)
            assert_true(whole.rows[i].t_s == parts.rows[i].t_s &&
                        whole.rows[i].value == parts.rows[i].value);
        for (size_t i = 0; i < whole.edge_count; i++)
            assert_true(whole.edges[i].t_s == parts.edges[i].t_s);
        assert_int_equal(whole.seen, parts.seen);
        witness_free(&whole);
        witness_free(&parts);
    }
    timeline_free(&timeline);
    stage_bench_free(&bench);
    plan_free(plan);
}

static int set_up(void **state)
{
    struct fixture *fixture = calloc(1, sizeof *fixture);
    struct rig_err err = {0};
    unsigned long seed = 20260412;
    fixture->units = units_open(&err);
    assert_non_null(fixture->units);
    test_rig(&fixture->rig, fixture->units, "", "");
    fixture->random = gsl_rng_alloc(gsl_rng_mt19937);
    gsl_rng_set(fixture->random, seed);
    print_message("seed %lu\n", seed);
    *state = fixture;
    return 0;
}

static int tear_down(void **state)
{
    struct fixture *fixture = *state;
    units_close(fixture->units);
    gsl_rng_free(fixture->random);
    free(fixture);
    return 0;
}

/* Strokes tied by acknowledgements, with what another day's sync measured. */
static void a_sync_file_is_honest(void **state)
{
    struct fixture *fixture = *state;
    struct plan *plan = test_plan(&fixture->rig, fixture->units, stage_bench_speeds, NULL);
    struct tally all = {0}, common = {0}, skew = {0};
    for (int i = 0; i < 150; i++) {
        struct stage_bench bench = stage_bench_draw(plan, &fixture->rig.axis, fixture->random);
        struct rig_err err = {0};
        struct timeline timeline;
        struct timeline_prior prior = {
            .start_delay_s = bench.delay_s + gsl_ran_gaussian(fixture->random, 0.001),
            .start_delay_u_s = 0.001,
            .spread_s = bench.delay_sd_s,
            .skew = bench.skew + gsl_ran_gaussian(fixture->random, 50e-6),
            .skew_u = 2e-6};
        stage_bench_run(&bench, fixture->random);
        assert_int_equal(timeline_make_knowing(&timeline, plan, NULL, 0, bench.rows,
                                               bench.row_count, &bench.axis, &prior, &err),
                         0);
        assert_int_equal(timeline.anchor, ANCHOR_SYNCED);
        assert_true(timeline.start_delay_u_s == 0.001);
        double mean = 0, n = 0;
        for (size_t k = 0; k < timeline.stroke_count; k++) {
            double error = timeline.strokes[k].host_start_s - bench.start_s[k];
            mean += (error - mean) / ++n;
            tally_count(&all, error, hypot(timeline.strokes[k].scatter_s, timeline.common_u_s));
        }
        tally_count(&common, mean,
                    hypot(timeline.common_u_s, timeline.start_delay_spread_s / sqrt(n)));
        tally_count(&skew, timeline.skew - bench.skew, timeline.skew_u);
        timeline_free(&timeline);

        /* One that can't be: strokes would end before they began. */
        prior.start_delay_s = 3;
        assert_int_equal(timeline_make_knowing(&timeline, plan, NULL, 0, bench.rows,
                                               bench.row_count, &bench.axis, &prior, &err),
                         0);
        assert_int_equal(timeline.anchor, ANCHOR_ACKNOWLEDGED);
        timeline_free(&timeline);
        stage_bench_free(&bench);
    }
    print_message("error over stated: all %.2f, common %.2f, skew %.2f; covered %.3f\n",
                  tally_ratio(&all), tally_ratio(&common), tally_ratio(&skew), all.covered / all.n);
    assert_in_range((int)(1000 * all.covered / all.n), 920, 985);
    assert_near(tally_ratio(&common), 1, 0.2, "");
    assert_near(tally_ratio(&skew), 1, 0.25, "");
    plan_free(plan);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_reference_is_honest),      cmocka_unit_test(a_trip_is_honest),
        cmocka_unit_test(channels_that_are_no_use),   cmocka_unit_test(a_trip_as_switches_are),
        cmocka_unit_test(a_trip_whose_place_is_said), cmocka_unit_test(parts_add_up),
        cmocka_unit_test(a_sync_file_is_honest),
    };
    return cmocka_run_group_tests(tests, set_up, tear_down);
}
