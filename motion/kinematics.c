/* SPDX-License-Identifier: GPL-3.0-or-later
 * One line of motion: durations in closed form; peak speed of a line that is too
 * short for its feed by Newton steps kept inside a bracket. */
#include "motion/kinematics.h"

#include <math.h>

double motion_change_s(const struct motion_law *law, double from_mm_s, double to_mm_s)
{
    double change = fabs(to_mm_s - from_mm_s), a = law->acceleration_mm_s2;
    if (law->law == SPEED_TRAPEZOID)
        return change / a;
    double j = law->jerk_mm_s3;
    return change * j >= a * a ? change / a + a / j : 2 * sqrt(change / j);
}

double motion_change_mm(const struct motion_law *law, double from_mm_s, double to_mm_s)
{
    return 0.5 * (from_mm_s + to_mm_s) * motion_change_s(law, from_mm_s, to_mm_s);
}

double motion_change_mm_s2(const struct motion_law *law, double from_mm_s, double to_mm_s)
{
    double change = fabs(to_mm_s - from_mm_s), a = law->acceleration_mm_s2;
    if (change == 0)
        return 0;
    if (law->law == SPEED_TRAPEZOID)
        return a;
    return fmin(a, sqrt(change * law->jerk_mm_s3));
}

/* d(way)/d(fast) of the change slow -> fast. */
static double change_slope(const struct motion_law *law, double slow, double fast)
{
    double change = fast - slow, a = law->acceleration_mm_s2;
    if (law->law == SPEED_TRAPEZOID)
        return fast / a;
    double j = law->jerk_mm_s3;
    if (change * j >= a * a)
        return fast / a + 0.5 * a / j;
    if (change <= 0)
        return INFINITY;
    return sqrt(change / j) + 0.5 * (fast + slow) / sqrt(change * j);
}

double motion_reach_mm_s(const struct motion_law *law, double slow_mm_s, double distance_mm)
{
    double a = law->acceleration_mm_s2, v = slow_mm_s;
    if (!(distance_mm > 0))
        return v;
    if (law->law == SPEED_TRAPEZOID)
        return sqrt(v * v + 2 * a * distance_mm);
    double j = law->jerk_mm_s3, edge = a * a / j; /* change that just reaches a */
    if (0.5 * (2 * v + edge) * (2 * a / j) <= distance_mm) {
        /* (2v + D)(D/a + a/j) = 2 d: D^2 + D (2v + a^2/j) + 2v a^2/j - 2 a d = 0 */
        double b = v + 0.5 * edge;
        return v - b + sqrt(b * b - 2 * v * edge + 2 * a * distance_mm);
    }
    /* (2v + x^2) x = d sqrt(j), x = sqrt(D): rises with x, convex: Newton from above. */
    double target = distance_mm * sqrt(j);
    double x = fmin(cbrt(target), v > 0 ? target / (2 * v) : INFINITY);
    for (int i = 0; i < 60; i++) {
        double step = ((2 * v + x * x) * x - target) / (2 * v + 3 * x * x);
        if (!(fabs(step) > 1e-16 * x))
            break;
        x -= step;
    }
    return v + x * x;
}

/* Peak speed such that in -> peak -> out just takes the distance. */
static double find_peak(const struct motion_law *law, double distance, double in, double out,
                        double feed)
{
    if (law->law == SPEED_TRAPEZOID)
        return fmin(feed, sqrt(law->acceleration_mm_s2 * distance + 0.5 * (in * in + out * out)));
    double low = fmax(in, out), high = feed;
    double peak = fmin(high, fmax(low, motion_reach_mm_s(law, 0.5 * (in + out), 0.5 * distance)));
    for (int i = 0; i < 200; i++) {
        double over = motion_change_mm(law, in, peak) + motion_change_mm(law, peak, out) - distance;
        if (over > 0)
            high = peak;
        else
            low = peak;
        double slope = change_slope(law, in, peak) + change_slope(law, out, peak);
        double next = isfinite(slope) && slope > 0 ? peak - over / slope : 0.5 * (low + high);
        if (!(next > low && next < high))
            next = 0.5 * (low + high);
        if (fabs(next - peak) <= 1e-16 * peak || high - low <= 1e-16 * high)
            break;
        peak = next;
    }
    return peak;
}

static void add_phase(struct motion_line *line, double duration, double a0, double j, double *v,
                      double *s)
{
    if (!(duration > 0))
        return;
    struct motion_phase *phase = &line->phase[line->count++];
    *phase = (struct motion_phase){.start_s = line->duration_s,
                                   .duration_s = duration,
                                   .s0_mm = *s,
                                   .v0_mm_s = *v,
                                   .a0_mm_s2 = a0,
                                   .j_mm_s3 = j};
    line->duration_s += duration;
    *s += duration * (*v + duration * (a0 / 2 + duration * j / 6));
    *v += duration * (a0 + duration * j / 2);
}

/* Up to three phases of a change of speed. */
static void add_change(struct motion_line *line, const struct motion_law *law, double from,
                       double to, double *v, double *s)
{
    double change = fabs(to - from), sign = to > from ? 1 : -1;
    if (change == 0)
        return;
    double peak = motion_change_mm_s2(law, from, to);
    line->peak_mm_s2 = fmax(line->peak_mm_s2, peak);
    if (law->law == SPEED_TRAPEZOID) {
        add_phase(line, change / peak, sign * peak, 0, v, s);
    } else {
        double j = law->jerk_mm_s3, ramp = peak / j;
        double level = fmax(0, change / peak - ramp);
        if (change * j < law->acceleration_mm_s2 * law->acceleration_mm_s2)
            level = 0;
        add_phase(line, ramp, 0, sign * j, v, s);
        add_phase(line, level, sign * peak, 0, v, s);
        add_phase(line, ramp, sign * peak, -sign * j, v, s);
    }
    *v = to; /* without the rounding of the sums */
}

void motion_line_make(struct motion_line *line, const struct motion_law *law, double distance_mm,
                      double in_mm_s, double out_mm_s, double feed_mm_s)
{
    *line = (struct motion_line){.distance_mm = distance_mm};
    double up = motion_change_mm(law, in_mm_s, feed_mm_s);
    double down = motion_change_mm(law, feed_mm_s, out_mm_s);
    double peak = feed_mm_s, level = distance_mm - up - down;
    if (level < 0) {
        peak = find_peak(law, distance_mm, in_mm_s, out_mm_s, feed_mm_s);
        level = distance_mm - motion_change_mm(law, in_mm_s, peak) -
                motion_change_mm(law, peak, out_mm_s);
        /* Rounding only: either sign is of the order of 1e-16 of the distance. */
        if (fabs(level) < 1e-12 * distance_mm)
            level = 0;
    }
    line->peak_mm_s = peak;
    double v = in_mm_s, s = 0;
    add_change(line, law, in_mm_s, peak, &v, &s);
    if (level > 0)
        add_phase(line, level / peak, 0, 0, &v, &s);
    add_change(line, law, peak, out_mm_s, &v, &s);
}

static const struct motion_phase *phase_at(const struct motion_line *line, double u)
{
    int i = line->count - 1;
    while (i > 0 && u < line->phase[i].start_s)
        i--;
    return &line->phase[i];
}

double motion_line_mm(const struct motion_line *line, double u_s)
{
    if (!(u_s > 0))
        return isnan(u_s) ? NAN : 0;
    if (u_s >= line->duration_s)
        return line->distance_mm;
    const struct motion_phase *p = phase_at(line, u_s);
    double u = u_s - p->start_s;
    return p->s0_mm + u * (p->v0_mm_s + u * (p->a0_mm_s2 / 2 + u * p->j_mm_s3 / 6));
}

double motion_line_mm_s(const struct motion_line *line, double u_s)
{
    double u = fmin(fmax(u_s, 0), line->duration_s);
    const struct motion_phase *p = phase_at(line, u);
    u -= p->start_s;
    return p->v0_mm_s + u * (p->a0_mm_s2 + u * p->j_mm_s3 / 2);
}
