/* SPDX-License-Identifier: GPL-3.0-or-later
 * Speed changes under constant acceleration and under bounded jerk. Elementary
 * mechanics, derived here; checked in tests/unit/test_sim_axis.c. */
#include "rig/sim_move.h"

#include <math.h>

double sim_change_time_s(const struct sim_law *law, double v0, double v1)
{
    double change = fabs(v1 - v0), a = law->acceleration_mm_s2, j = law->jerk_mm_s3;
    if (law->law == SPEED_TRAPEZOID)
        return change / a;
    if (change * j <= a * a) /* the acceleration limit isn't reached */
        return 2 * sqrt(change / j);
    return change / a + a / j;
}

double sim_change_path_mm(const struct sim_law *law, double v0, double v1)
{
    return (v0 + v1) / 2 * sim_change_time_s(law, v0, v1);
}

double sim_reach_mm_s(const struct sim_law *law, double v0, double path_mm)
{
    double a = law->acceleration_mm_s2, j = law->jerk_mm_s3;
    if (path_mm <= 0)
        return v0;
    if (law->law == SPEED_TRAPEZOID)
        return sqrt(v0 * v0 + 2 * a * path_mm);
    if (sim_change_path_mm(law, v0, v0 + a * a / j) >= path_mm) {
        /* (2 v0 + x^2) x = L sqrt(j) for x = sqrt(v1 - v0): one root, and from above it
         * Newton's method comes down without overshoot, the cubic being convex there. */
        double wanted = path_mm * sqrt(j);
        double x = fmin(cbrt(wanted), v0 > 0 ? wanted / (2 * v0) : INFINITY);
        for (int i = 0; i < 100; i++) {
            double step = ((2 * v0 + x * x) * x - wanted) / (2 * v0 + 3 * x * x);
            x -= step;
            if (fabs(step) <= 1e-15 * x)
                break;
        }
        return v0 + x * x;
    }
    /* (2 v0 + c)/2 (c/a + a/j) = L, quadratic in the change c; without cancellation,
     * since the sum of both linear terms is positive. */
    double p = 2 * v0 + a * a / j, q = 2 * v0 * a * a / j - 2 * a * path_mm;
    return v0 - 2 * q / (p + sqrt(p * p - 4 * q));
}

/* The highest speed of a move that has no room for its feed. */
static double peak_mm_s(const struct sim_law *law, double path_mm, double v_in, double v_out,
                        double feed)
{
    if (law->law == SPEED_TRAPEZOID)
        return fmax(fmax(v_in, v_out),
                    sqrt(law->acceleration_mm_s2 * path_mm + (v_in * v_in + v_out * v_out) / 2));
    double low = fmax(v_in, v_out), high = feed;
    for (int i = 0; i < 200 && high - low > 1e-15 * high; i++) {
        double middle = low + (high - low) / 2;
        if (sim_change_path_mm(law, v_in, middle) + sim_change_path_mm(law, middle, v_out) >
            path_mm)
            high = middle;
        else
            low = middle;
    }
    return low;
}

static size_t add_phase(struct sim_phase phases[], size_t count, double duration_s, double a0,
                        double j, struct sim_phase *at)
{
    if (!(duration_s > 0))
        return count;
    struct sim_phase phase = *at;
    phase.t1 = phase.t0 + duration_s;
    phase.a0 = a0;
    phase.j = j;
    phases[count] = phase;
    double u = duration_s;
    at->s0 += (phase.v0 + (a0 / 2 + j * u / 6) * u) * u;
    at->v0 += (a0 + j * u / 2) * u;
    at->t0 = phase.t1;
    return count + 1;
}

static size_t add_change(const struct sim_law *law, struct sim_phase phases[], size_t count,
                         double v1, struct sim_phase *at)
{
    double v0 = at->v0, a = law->acceleration_mm_s2, sign = v1 < v0 ? -1 : 1;
    double time_s = sim_change_time_s(law, v0, v1);
    if (law->law == SPEED_TRAPEZOID) {
        count = add_phase(phases, count, time_s, sign * a, 0, at);
    } else {
        double j = law->jerk_mm_s3, bend_s = fmin(a / j, time_s / 2);
        count = add_phase(phases, count, bend_s, 0, sign * j, at);
        count = add_phase(phases, count, time_s - 2 * bend_s, sign * j * bend_s, 0, at);
        count = add_phase(phases, count, bend_s, sign * j * bend_s, -sign * j, at);
    }
    at->v0 = v1; /* not the rounded sum */
    at->part++;
    return count;
}

size_t sim_phases(const struct sim_law *law, double path_mm, double v_in, double feed, double v_out,
                  double t0, double s0, struct sim_phase phases[SIM_PHASES])
{
    double top = fmax(feed, fmax(v_in, v_out));
    double rest_mm =
        path_mm - sim_change_path_mm(law, v_in, top) - sim_change_path_mm(law, top, v_out);
    if (rest_mm < 0) {
        top = peak_mm_s(law, path_mm, v_in, v_out, top);
        rest_mm = 0;
    }
    struct sim_phase at = {.t0 = t0, .s0 = s0, .v0 = v_in};
    size_t count = add_change(law, phases, 0, top, &at);
    if (top > 0)
        count = add_phase(phases, count, rest_mm / top, 0, 0, &at);
    at.part++;
    return add_change(law, phases, count, v_out, &at);
}
