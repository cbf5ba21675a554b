/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "plans.h"

#include "check.h"

#include "motion/axis.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

void test_rig(struct rig *rig, struct units *units, const char *axis_extra, const char *water_extra)
{
    char text[2000];
    struct rig_err err = {0};
    snprintf(text, sizeof text,
             "axis\n port axis\n travel 0 mm to 220 mm\n speed up to 60 mm/s\n"
             " acceleration up to 900 mm/s2\n resolution 400 steps/mm\n park at -20 mm\n"
             "%s\nend\nwater\n datum at stage 31.4 mm\n%s\nend\n",
             axis_extra, water_extra);
    if (rig_read(rig, "test.rig", text, strlen(text), units, &err)) {
        print_error("%s\n", err.text);
        fail();
    }
}

struct plan *test_plan(const struct rig *rig, struct units *units, const char *text,
                       const struct plan_files *files)
{
    struct rig_err err = {0};
    struct plan *plan = plan_make(rig, "test.profile", text, strlen(text), units, files, &err);
    if (!plan)
        print_error("%s\n%s\n", text, err.text);
    assert_non_null(plan);
    return plan;
}

static void check_segments(const struct plan *plan)
{
    const struct plan_segment *segments = plan_segments(plan);
    size_t count = plan_segment_count(plan);
    const struct plan_family *families = plan_families(plan);
    uint64_t *seen = calloc(plan_family_count(plan) + 1, sizeof *seen);
    assert_non_null(seen);
    assert_near(segments[0].start_s, 0, 0, "s");
    for (size_t i = 0; i < count; i++) {
        const struct plan_segment *s = &segments[i];
        assert_true(s->kind < SEGMENT_KIND_COUNT && s->family < plan_family_count(plan));
        assert_int_equal(families[s->family].kind, s->kind);
        seen[s->family]++;
        double end_s = s->start_s + s->duration_s;
        double next_s = i + 1 < count ? segments[i + 1].start_s : plan_duration_s(plan);
        assert_near(next_s, end_s, 1e-9 * (1 + end_s), "s");
        /* Half a count of the wire, and the float. */
        assert_near(plan_depth_mm(plan, s->start_s), (double)s->from_mm, 1e-4, "mm");
        assert_near(plan_depth_mm(plan, end_s), (double)s->to_mm, 1e-4, "mm");
    }
    for (size_t i = 0; i < plan_family_count(plan); i++)
        assert_int_equal(seen[i], families[i].instances);
    free(seen);
}

static void check_strokes(const struct rig *rig, const struct plan *plan)
{
    const struct plan_segment *segments = plan_segments(plan);
    const struct plan_stroke *strokes = plan_strokes(plan);
    const struct plan_family *families = plan_families(plan);
    uint64_t lines = 0;
    size_t in_strokes = 0;
    for (size_t i = 0; i < plan_stroke_count(plan); i++) {
        const struct plan_stroke *s = &strokes[i];
        const struct plan_segment *last = &segments[s->first_segment + s->segment_count - 1];
        assert_int_equal(s->first_line, lines);
        assert_near(s->start_s, segments[s->first_segment].start_s, 0, "s");
        assert_near(s->end_s, last->start_s + last->duration_s, 1e-9 * (1 + s->end_s), "s");
        assert_near(plan_speed_mm_s(plan, s->end_s), 0, 1e-5, "mm/s");
        in_strokes += s->segment_count;

        struct plan_line_cursor cursor = plan_stroke_lines(plan, i);
        struct plan_line line;
        uint64_t count = 0, moves = 0, family_lines = 0;
        size_t segment = s->first_segment;
        for (size_t k = 0; k < s->segment_count; k++) {
            const struct plan_segment *of = &segments[s->first_segment + k];
            assert_int_equal(of->stroke, i);
            family_lines += families[of->family].lines;
        }
        while (plan_next_line(&cursor, &line)) {
            count++;
            assert_true(line.segment >= segment && line.segment <= segment + 1);
            segment = line.segment;
            assert_near(axis_wire_stage_mm(&rig->axis, line.stage_mm), line.stage_mm, 0, "mm");
            assert_true(line.stage_mm >= rig->axis.travel_low_mm - 1e-9);
            assert_true(line.stage_mm <= rig->axis.travel_high_mm + 1e-9);
            if (line.dwell_s > 0) {
                assert_near(line.feed_mm_s, 0, 0, "mm/s");
                continue;
            }
            moves++;
            assert_true(line.feed_mm_s > 0 && line.feed_mm_s <= rig->axis.speed_mm_s + 1e-9);
            assert_near(axis_wire_feed_mm_s(&rig->axis, line.feed_mm_s), line.feed_mm_s, 0, "mm/s");
        }
        assert_near(line.stage_mm, plan_stage_mm(plan, s->end_s), 1e-9, "mm");
        assert_int_equal(count, s->line_count);
        assert_int_equal(count, family_lines);
        /* A stroke of several moves leaves time for its lines to get there. */
        assert_int_equal(segments[s->first_segment].kind == SEGMENT_LEAD, moves > 1);
        lines += count;
    }
    assert_int_equal(lines, plan_line_count(plan));
    size_t holds = 0;
    for (size_t i = 0; i < plan_segment_count(plan); i++)
        holds += segments[i].kind == SEGMENT_HOLD || segments[i].kind == SEGMENT_STAIR_HOLD;
    assert_int_equal(in_strokes + holds, plan_segment_count(plan));
}

static double rate_of_rise(const struct rig *rig)
{
    return rig_depth_from_stage(rig, rig->water.datum_mm + 1);
}

/* One piece after the other: no gap, no jump, within the limits, the same as
 * depth(t) and speed(t). */
static void check_pieces(const struct rig *rig, const struct plan *plan)
{
    double end_s = plan_duration_s(plan), slope = rate_of_rise(rig);
    double top = rig->axis.speed_mm_s * slope * (1 + 1e-9);
    double hardest = rig->axis.acceleration_mm_s2 * slope * (1 + 1e-6);
    size_t count = plan_pieces(plan, 0, end_s, NULL, 0);
    struct motion_piece *pieces = calloc(count + 1, sizeof *pieces);
    assert_non_null(pieces);
    assert_int_equal(plan_pieces(plan, 0, end_s, pieces, count), count);
    assert_near(pieces[0].start_s, 0, 0, "s");
    for (size_t i = 0; i < count; i++) {
        const struct motion_piece *p = &pieces[i];
        double next_s = i + 1 < count ? pieces[i + 1].start_s : end_s;
        assert_near(p->end_s, next_s, 1e-9 * (1 + next_s), "s");
        for (int k = 0; k <= 3; k++) {
            double u = (p->end_s - p->start_s) * k / 3;
            double d = p->d0_mm + u * (p->v0_mm_s + u * (p->a0_mm_s2 / 2 + u * p->j_mm_s3 / 6));
            double v = p->v0_mm_s + u * (p->a0_mm_s2 + u * p->j_mm_s3 / 2);
            double a = p->a0_mm_s2 + u * p->j_mm_s3;
            /* Times far from 0 carry their own last digit: speed times that. */
            double digit = 4e-16 * end_s;
            assert_near(plan_depth_mm(plan, p->start_s + u), d, 2e-6 + 60 * digit, "mm");
            if (k == 1 || k == 2)
                assert_near(plan_speed_mm_s(plan, p->start_s + u), v, 1e-5 + 900 * 9 * digit,
                            "mm/s");
            assert_true(fabs(v) <= top);
            assert_true(fabs(a) <= hardest);
            if (k == 3 && i + 1 < count) {
                assert_near(d, pieces[i + 1].d0_mm, 2e-6, "mm");
                double kink = (slope - 1) * fabs(v); /* where the surface is crossed */
                assert_near(v, pieces[i + 1].v0_mm_s, 2e-5 + kink, "mm/s");
            }
        }
    }
    /* A window gives the same pieces. */
    double from_s = end_s * 0.37, to_s = end_s * 0.53;
    struct motion_piece *window = calloc(count + 1, sizeof *window);
    assert_non_null(window);
    size_t inside = plan_pieces(plan, from_s, to_s, window, count), first = 0, whole = 0;
    while (first < count && pieces[first].end_s <= from_s)
        first++;
    while (first + whole < count && pieces[first + whole].start_s < to_s)
        whole++;
    assert_int_equal(inside, whole);
    assert_memory_equal(window, &pieces[first], inside * sizeof *window);
    free(window);
    free(pieces);
}

void check_plan(const struct rig *rig, const struct plan *plan)
{
    check_segments(plan);
    check_strokes(rig, plan);
    check_pieces(rig, plan);
    double end_s = plan_duration_s(plan);
    assert_near(plan_depth_mm(plan, -5), rig->axis.park_mm, 1e-4, "mm");
    assert_near(plan_depth_mm(plan, end_s + 5), rig->axis.park_mm, 1e-4, "mm");
    assert_near(plan_speed_mm_s(plan, end_s + 5), 0, 0, "mm/s");
    assert_true(isnan(plan_depth_mm(plan, NAN)) && isnan(plan_speed_mm_s(plan, NAN)));
    assert_int_equal(plan_segment_at(plan, -1), 0);
    assert_int_equal(plan_segment_at(plan, end_s + 1), plan_segment_count(plan) - 1);
}
