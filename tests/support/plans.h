/* SPDX-License-Identifier: GPL-3.0-or-later
 * Plans for tests: a rig from a few words, a plan from a profile's text, and checks
 * that hold for every plan. */
#ifndef TESTS_PLANS_H
#define TESTS_PLANS_H

#include "motion/plan.h"
#include "motion/rigfile.h"

/* The bench of profiles/bench.rig without sources; `axis_extra` and `water_extra` are
 * more statements for its blocks ("" for none). */
void test_rig(struct rig *rig, struct units *units, const char *axis_extra,
              const char *water_extra);
/* Fails the test with the planner's words when there is no plan. */
struct plan *test_plan(const struct rig *rig, struct units *units, const char *text,
                       const struct plan_files *files);

/* Depth without a jump, speed and acceleration within the limits, segments end to
 * end, strokes and lines in agreement with them, pieces in agreement with depth(t). */
void check_plan(const struct rig *rig, const struct plan *plan);

#endif
