/* SPDX-License-Identifier: GPL-3.0-or-later
 * Random profiles on random rigs: what holds for every plan holds for these, and the
 * simulated controller, whose arithmetic was written apart from the planner's, moves
 * as the plan says. A failure prints its seed and the profile. */
#include "check.h"
#include "plans.h"
#include "units.h"

#include "rig/sim_move.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static double pick(uint64_t *state, double low, double high)
{
    *state = *state * 6364136223846793005u + 1442695040888963407u;
    return low + (high - low) * (double)(*state >> 11) / 9007199254740992.0;
}

static int whole(uint64_t *state, int low, int high)
{
    return low + (int)floor(pick(state, 0, high - low + 1));
}

struct sheet {
    char text[4000];
    size_t size;
};

static void add(struct sheet *sheet, const char *format, ...) __attribute__((format(printf, 2, 3)));

static void add(struct sheet *sheet, const char *format, ...)
{
    va_list arguments;
    va_start(arguments, format);
    int size =
        vsnprintf(sheet->text + sheet->size, sizeof sheet->text - sheet->size, format, arguments);
    va_end(arguments);
    sheet->size += (size_t)size;
    assert_true(sheet->size < sizeof sheet->text);
}

static void add_block(struct sheet *sheet, uint64_t *state, int depth)
{
    int count = whole(state, 1, 4);
    for (int i = 0; i < count; i++) {
        double to = pick(state, -15, 160);
        switch (whole(state, 0, depth > 2 ? 6 : 9)) {
        case 0:
        case 1:
            add(sheet, "ramp to %.3f mm at %.3f mm/s\n", to, exp(pick(state, log(0.5), log(59))));
            break;
        case 2:
            add(sheet, "step to %.4f mm\n", to);
            break;
        case 3:
            add(sheet, "hold %.3f s\n", pick(state, 0.01, 5));
            break;
        case 4:
            add(sheet, "stairs from %.2f mm to %.2f mm in %d steps, hold %.2f s%s\n", to, 160 - to,
                whole(state, 2, 5), pick(state, 0.1, 3), whole(state, 0, 1) ? ", up and down" : "");
            break;
        case 5:
            add(sheet, "sine about %.2f mm amplitude up to %.3f mm at %.3f Hz, %d cycles\n",
                pick(state, -5, 140), exp(pick(state, log(0.1), log(20))),
                exp(pick(state, log(0.05), log(4))), whole(state, 1, 3));
            break;
        case 6:
            add(sheet, "ramp to %.3f mm at %.3f mm/s\nmark \"here\"\n", to, pick(state, 1, 59));
            break;
        case 7:
            add(sheet, "repeat %d\n", whole(state, 1, 3));
            add_block(sheet, state, depth + 1);
            add(sheet, "end\n");
            break;
        case 8:
            add(sheet, "repeat for %.2f s\nhold 0.5 s\n", pick(state, 0.1, 20));
            add_block(sheet, state, depth + 1);
            add(sheet, "end\n");
            break;
        default:
            add(sheet, "each v%d %.2f, %.2f mm/s\nramp to %.2f mm at v%d\n", depth,
                pick(state, 1, 59), pick(state, 1, 59), to, depth);
            add_block(sheet, state, depth + 1);
            add(sheet, "end\n");
        }
    }
}

static void random_rig(struct rig *rig, uint64_t *state)
{
    char axis[300], water[100] = "";
    double rate = exp(pick(state, log(100), log(1500)));
    int size = snprintf(axis, sizeof axis, "lines up to %.1f lines/s\nlook ahead %d lines\n", rate,
                        whole(state, 2, 24));
    if (whole(state, 0, 1))
        snprintf(axis + size, sizeof axis - (size_t)size, "speed law jerk limited to %.0f mm/s3\n",
                 exp(pick(state, log(3000), log(300000))));
    if (whole(state, 0, 2))
        snprintf(water, sizeof water, "tank area 900 cm2\nboard section %.2f cm2\n",
                 pick(state, 0.1, 30));
    test_rig(rig, units, axis, water);
}

/* Feeds every stroke to the simulated controller as fast as it takes lines, and
 * compares where the stage is. */
static double against_controller(const struct rig *rig, const struct plan *plan)
{
    struct sim_law law = {rig->axis.law, rig->axis.acceleration_mm_s2, rig->axis.jerk_mm_s3};
    struct sim_motion motion = {0};
    struct rig_err err;
    double worst = 0;
    assert_int_equal(sim_motion_init(&motion, &law, rig->axis.speed_mm_s, rig->axis.lookahead_lines,
                                     plan_stage_mm(plan, -1), &err),
                     0);
    for (size_t i = 0; i < plan_stroke_count(plan); i++) {
        struct plan_line_cursor cursor = plan_stroke_lines(plan, i);
        struct plan_line line;
        bool more = plan_next_line(&cursor, &line);
        double now = plan_strokes(plan)[i].start_s;
        while (more || !sim_motion_idle(&motion)) {
            while (more && !sim_motion_full(&motion)) {
                if (line.dwell_s > 0)
                    sim_motion_dwell(&motion, now, line.dwell_s, 0);
                else
                    sim_motion_move(&motion, now, line.stage_mm, line.feed_mm_s, 0);
                more = plan_next_line(&cursor, &line);
            }
            double next = sim_motion_next_s(&motion);
            assert_true(isfinite(next));
            for (int k = 0; k < 4; k++) {
                double t = now + (next - now) * k / 4;
                worst = fmax(worst, fabs(sim_motion_at_mm(&motion, t) - plan_stage_mm(plan, t)));
            }
            sim_motion_step(&motion);
            now = fmax(now, next);
        }
        worst = fmax(worst, 60 * fabs(now - plan_strokes(plan)[i].end_s));
    }
    sim_motion_drop(&motion);
    return worst;
}

/* Depth and speed at once are those of each alone, whatever segment is looked at first. */
static void check_both_at_once(const struct plan *plan, uint64_t *state)
{
    size_t segment = SIZE_MAX;
    double t_s = 0, speed, duration_s = plan_duration_s(plan);
    for (int i = 0; i < 300; i++) {
        if (i % 20 == 0)
            segment = (size_t)whole(state, 0, 2 * (int)plan_segment_count(plan));
        t_s = i % 5 ? t_s + pick(state, -0.1, 0.2) : pick(state, -1, duration_s + 1);
        double depth = plan_depth_near_mm(plan, t_s, &segment, &speed);
        assert_near(depth, plan_depth_mm(plan, t_s), 0, "mm");
        assert_near(speed, plan_speed_mm_s(plan, t_s), 0, "mm/s");
        assert_int_equal(segment, plan_segment_at(plan, t_s));
    }
    assert_true(isnan(plan_depth_near_mm(plan, NAN, &segment, &speed)) && isnan(speed));
}

static void random_profiles(void **state)
{
    (void)state;
    size_t planned = 0, refused = 0;
    for (uint64_t seed = 1; seed <= 150; seed++) {
        uint64_t random = seed * 1000003;
        struct rig rig;
        struct sheet sheet = {.size = 0};
        random_rig(&rig, &random);
        if (whole(&random, 0, 3))
            add(&sheet, "start at %.2f mm\n", pick(&random, -10, 150));
        add(&sheet, "hold 0.1 s\nstep to 3 mm\n");
        add_block(&sheet, &random, 0);
        struct rig_err err = {0};
        struct plan *plan =
            plan_make(&rig, "random.profile", sheet.text, sheet.size, units, NULL, &err);
        if (!plan) { /* only for a sine that nothing makes on this rig */
            if (!strstr(err.text, "sine") && !strstr(err.text, "amplitude"))
                print_error("seed %llu: %s\n%s", (unsigned long long)seed, err.text, sheet.text);
            assert_true(strstr(err.text, "sine") || strstr(err.text, "amplitude"));
            refused++;
            continue;
        }
        check_plan(&rig, plan);
        check_both_at_once(plan, &random);
        double worst = against_controller(&rig, plan);
        if (worst > 1e-4)
            print_error("seed %llu, off by %g mm\n%s", (unsigned long long)seed, worst, sheet.text);
        assert_near(worst, 0, 1e-4, "mm");
        plan_free(plan);
        planned++;
    }
    print_message("%zu plans, %zu refused for their sines\n", planned, refused);
    assert_true(planned > 100);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(random_profiles),
    };
    return cmocka_run_group_tests(tests, open_units, close_units);
}
