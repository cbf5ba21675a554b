/* SPDX-License-Identifier: GPL-3.0-or-later
 * The ties of strokes to the clock, against a board without lag and noise on an axis whose start
 * delay varies: where its readings lie on the plan, each stroke's tie is seen directly. Waves,
 * whose questions wait in a full controller, must lie where ramps do, within what the timeline
 * says of its own ties. */
#include "check.h"
#include "fault_bench.h"

#include "results/recording.h"

#include <math.h>
#include <stdlib.h>

static const char profile[] = "title \"Ramps and waves\"\n"
                              "start at 40 mm\n"
                              "hold 3 s\n"
                              "each speed 8, 16, 28, 45 mm/s\n"
                              "  repeat 2\n"
                              "    ramp to 120 mm at speed\n"
                              "    hold 2 s\n"
                              "    ramp to 40 mm at speed\n"
                              "    hold 2 s\n"
                              "  end\n"
                              "end\n"
                              "sine about 80 mm amplitude up to 6 mm from 0.1 Hz to 2 Hz in "
                              "5 frequencies, 6 cycles each\n";

/* Of one stroke: least squares of what the reading is late, in seconds, on the speed. */
struct late {
    double product, square;
};

struct rows {
    const struct plan *plan;
    const struct timeline *timeline;
    const struct sim_truth *truth;
    struct late *strokes;
    size_t hint;
};

static int take(void *context, const struct row_batch *batch, struct rig_err *err)
{
    (void)err;
    struct rows *rows = context;
    for (size_t i = 0; i < batch->rows; i++) {
        size_t stroke;
        double plan_s = timeline_plan_s(rows->timeline, batch->values[0][i], &stroke, &rows->hint);
        double speed = isnan(plan_s) ? 0 : plan_speed_mm_s(rows->plan, plan_s);
        if (speed == 0 || plan_depth_mm(rows->plan, plan_s) < 1)
            continue; /* above the water it reads the same */
        double depth = (batch->values[2][i] - rows->truth->curve[0]) / rows->truth->curve[1];
        rows->strokes[stroke].product += speed * (depth - plan_depth_mm(rows->plan, plan_s));
        rows->strokes[stroke].square += speed * speed;
    }
    return 0;
}

static void compare(const struct fault_bench *bench)
{
    struct rig_err err = {0};
    struct recording *recording = recording_open(bench->folder, &err);
    assert_non_null(recording);
    struct motion_row *motion;
    struct stroke_row *strokes;
    size_t motion_count, stroke_count;
    struct scan_report report;
    struct timeline timeline;
    const struct plan *plan = recording_plan(recording);
    assert_int_equal(recording_motion_rows(recording, &motion, &motion_count, &report, &err), 0);
    assert_int_equal(recording_stroke_rows(recording, &strokes, &stroke_count, &report, &err), 0);
    assert_int_equal(timeline_make(&timeline, plan, motion, motion_count, strokes, stroke_count,
                                   &recording_rig(recording)->axis, &err),
                     0);
    assert_int_equal(timeline.anchor, ANCHOR_POLLED);
    struct rows rows = {.plan = plan,
                        .timeline = &timeline,
                        .truth = &bench->truth,
                        .strokes = calloc(timeline.stroke_count, sizeof *rows.strokes)};
    assert_non_null(rows.strokes);
    assert_int_equal(recording_scan(recording, 0, take, &rows, &report, &err), 0);

    double mean_s = 0, n = 0, queued = 0;
    for (size_t k = 0; k < timeline.stroke_count; k++)
        if (rows.strokes[k].square > 0 && !timeline.strokes[k].queued) {
            n++;
            mean_s += (rows.strokes[k].product / rows.strokes[k].square - mean_s) / n;
        }
    assert_true(n >= 16);
    for (size_t k = 0; k < timeline.stroke_count; k++) {
        const struct timeline_stroke *stroke = &timeline.strokes[k];
        if (!(rows.strokes[k].square > 0))
            continue;
        double off_s = rows.strokes[k].product / rows.strokes[k].square - mean_s;
        double u_s = hypot(stroke->scatter_s, stroke->queued ? timeline.queue_u_s : 0);
        queued += stroke->queued;
        if (fabs(off_s) > 4 * u_s + 2e-4)
            fail_msg("bench %u, stroke %zu (%s): off by %.3f ms, u = %.3f ms",
                     (unsigned)bench->seed, k, stroke->queued ? "queued" : "plain", 1000 * off_s,
                     1000 * u_s);
    }
    assert_true(queued >= 5);
    free(rows.strokes);
    free(motion);
    free(strokes);
    timeline_free(&timeline);
    recording_free(recording);
}

static void waves_lie_where_ramps_do(void **state)
{
    (void)state;
    for (unsigned seed = 1; seed <= 6; seed++) {
        struct fault_bench bench;
        fault_bench_defaults(&bench);
        bench.profile_text = profile;
        bench.seed = seed;
        bench.truth.start_delay_s = 0.02;
        bench.truth.start_delay_sd_s = 0.002;
        bench.truth.axis_skew_ppm = 40;
        bench.truth.question_delay_s = 0.0003 * seed;
        bench.truth.answer_delay_s = 0.002 - 0.0003 * seed;
        bench.truth.answer_delay_sd_s = 0.0001 + 0.00015 * seed;
        bench.truth.position_digits = seed % 2 ? 2 : 3;
        fault_bench_run(&bench);
        assert_int_equal(bench.end.state, RUN_COMPLETE);
        compare(&bench);
        fault_bench_free(&bench);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(waves_lie_where_ramps_do)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
