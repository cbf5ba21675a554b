/* SPDX-License-Identifier: GPL-3.0-or-later
 * One line of motion, exactly: from rest or moving to rest or moving, with a
 * limit of speed and one of acceleration (trapezoid), or with bounded jerk too
 * (double S). A speed change under bounded jerk starts and ends without
 * acceleration, so that lines can be joined at any speed. Distances, speeds and
 * accelerations here are magnitudes along the line; direction is the caller's. */
#ifndef MOTION_KINEMATICS_H
#define MOTION_KINEMATICS_H

#include "motion/rigfile.h"

enum { MOTION_PHASE_LIMIT = 7 };

struct motion_law {
    enum speed_law law;
    double acceleration_mm_s2;
    double jerk_mm_s3; /* ignored with SPEED_TRAPEZOID */
};

/* Constant jerk: s = s0 + v0 u + a0 u^2/2 + j u^3/6 for 0 <= u <= duration. */
struct motion_phase {
    double start_s, duration_s;
    double s0_mm, v0_mm_s, a0_mm_s2, j_mm_s3;
};

struct motion_line {
    int count; /* of phases, at least 1 */
    double duration_s, distance_mm;
    double peak_mm_s, peak_mm_s2;
    struct motion_phase phase[MOTION_PHASE_LIMIT];
};

/* Time and way of a change of speed by |to - from|, at its quickest.
 * T = D/a (trapezoid); T = D/a + a/j if D >= a^2/j, else 2 sqrt(D/j), the way
 * being T (from + to)/2 in each case: Biagiotti & Melchiorri, Trajectory Planning
 * for Automatic Machines and Robots (2008), section 3.4. */
double motion_change_s(const struct motion_law *law, double from_mm_s, double to_mm_s);
double motion_change_mm(const struct motion_law *law, double from_mm_s, double to_mm_s);
/* Largest acceleration of that change. */
double motion_change_mm_s2(const struct motion_law *law, double from_mm_s, double to_mm_s);

/* The highest speed from which `slow_mm_s` can be reached within distance_mm (>= 0),
 * and by symmetry the highest that can be reached from it. */
double motion_reach_mm_s(const struct motion_law *law, double slow_mm_s, double distance_mm);

/* distance_mm > 0; 0 <= in, out <= feed; feed > 0; in and out must be reachable
 * from one another within the distance (the caller's passes see to it; what rounding
 * leaves over is taken up in the last phase). The quickest motion under the law:
 * up to a peak of at most the feed, level, down. */
void motion_line_make(struct motion_line *line, const struct motion_law *law, double distance_mm,
                      double in_mm_s, double out_mm_s, double feed_mm_s);

/* At u seconds from the line's start, clamped to its ends. */
double motion_line_mm(const struct motion_line *line, double u_s);
double motion_line_mm_s(const struct motion_line *line, double u_s);

#endif
