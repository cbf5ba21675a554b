/* SPDX-License-Identifier: GPL-3.0-or-later
 * A smooth run as lines of motion.
 *
 * The ends of the lines lie on the curve at equal times h. A controller goes
 * through line k at its feed f and changes speed at the joints, which costs time:
 * line k then takes d/f + (D T(D) of each change inside it)/(2 f), where D is the
 * change of speed and T(D) its duration. So that each line takes just h,
 *     f = d/h + e,   e = sum of D T(D) / (2 h),
 * solved for all lines together by damped sweeps. For a steady acceleration A and a
 * trapezoidal law this settles at D = A h, e = A^2 h/(2 a). The first line starts at
 * rest and falls out of that rhythm; it is made shorter, tau h with tau < 1, such
 * that the second finds it kept. Without that the feeds would swing from line to line,
 * and for A > a/2 ever more so. The last line is its mirror image. */
#include "motion/plan_curve.h"

#include "motion/axis.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Feeds solved in exact arithmetic would follow up to A = a; rounding of positions
 * and feeds grows by A/(a - A) from line to line (3 at this share). */
static const double SHARE = 0.75;
static const double JERK_SHARE = 0.9; /* of a line's time, for its change of speed */
static const double AIM = 0.8;        /* of the allowed error, at the first try */
enum { SWEEPS = 12, PROBES = 4 /* of the error, on each line */, LINES_OF_A_RUN = 1000 * 1000 };

double plan_curve_share(void)
{
    return SHARE;
}

void plan_curve_free(struct curve_lines *lines)
{
    free(lines->lines);
    free(lines->work);
    *lines = (struct curve_lines){0};
}

/* e of the steady rhythm at acceleration A. */
static double steady_excess(const struct motion_law *law, double acceleration, double h)
{
    double change = acceleration * h;
    return change * motion_change_s(law, 0, change) / (2 * h);
}

/* tau: where the first line must end so that the rhythm is kept from there on. With
 * d = A (tau h)^2/2 and f = A (tau - 1/2) h + e, find d = f tau h - f T(f)/2. */
static double first_share(const struct motion_law *law, double acceleration, double h)
{
    double e = steady_excess(law, acceleration, h), step = acceleration * h;
    double low = fmax(0, 0.5 - e / step), high = 1;
    for (int i = 0; i < 60; i++) {
        double tau = 0.5 * (low + high), f = step * (tau - 0.5) + e;
        double over = f * tau * h - 0.5 * f * motion_change_s(law, 0, f) -
                      0.5 * acceleration * tau * tau * h * h;
        if (over > 0)
            high = tau;
        else
            low = tau;
    }
    return fmin(1, fmax(0.05, 0.5 * (low + high)));
}

static bool reserve(struct curve_lines *lines, size_t n)
{
    if (n + 2 <= lines->room)
        return true;
    size_t room = n + 2 + n / 2;
    struct shape_line *grown = realloc(lines->lines, room * sizeof *grown);
    if (!grown)
        return false;
    lines->lines = grown;
    double *work = realloc(lines->work, 6 * room * sizeof *work);
    if (!work)
        return false;
    lines->work = work;
    lines->room = room;
    return true;
}

/* Work space: ends[n+1] times, distance, feed, best feed, joints[n+1], each with
 * room for n + 2. */
struct bench {
    double *end_s, *distance, *feed, *best, *joint, *spare;
};

static struct bench bench_of(const struct curve_lines *lines)
{
    double *w = lines->work;
    size_t r = lines->room;
    return (struct bench){w, w + r, w + 2 * r, w + 3 * r, w + 4 * r, w + 5 * r};
}

/* Times and positions of the ends; ends that don't move a count are left out. */
static size_t place_ends(const struct plan *plan, const struct curve_run *run, size_t n, double h,
                         double tau_start, struct curve_lines *lines)
{
    struct bench at = bench_of(lines);
    size_t made = 0;
    int32_t before = plan_ct_of_mm(&plan->axis, run->at(run->context, 0));
    lines->from_ct = before;
    at.end_s[0] = 0;
    /* What the lines before are late is made up while the run is still slow: in its
     * first line, or where that is too short, at a quarter of the pace. */
    double made_up_s = fmax(4 * fabs(run->late_s), h * tau_start);
    for (size_t k = 1; k <= n; k++) {
        double t = k == n ? run->duration_s : h * ((double)(k - 1) + tau_start);
        int32_t ct = plan_ct_of_mm(&plan->axis, run->at(run->context, t));
        if (ct == before && !(k == n && made > 0))
            continue;
        if (ct == before) /* the end itself: the last line runs until then */
            made--;
        lines->lines[made] = (struct shape_line){.target_ct = ct};
        at.end_s[made + 1] = t - run->late_s * fmin(1, t / made_up_s);
        at.distance[made] =
            fabs(plan_mm_of_ct(ct) -
                 plan_mm_of_ct(made ? lines->lines[made - 1].target_ct : lines->from_ct));
        before = ct;
        made++;
    }
    return made;
}

static double line_excess(const struct motion_law *law, const double feed[], size_t n, size_t k,
                          double h)
{
    double in = k ? feed[k - 1] : 0, out = k + 1 < n ? feed[k + 1] : 0, e = 0;
    if (in < feed[k])
        e += (feed[k] - in) * motion_change_s(law, in, feed[k]);
    if (out < feed[k])
        e += (feed[k] - out) * motion_change_s(law, out, feed[k]);
    return e / (2 * h);
}

/* Largest way that the lines are off in time, in mm: sum of lateness times feed. */
static double lateness(const struct motion_law *law, const struct bench *at, size_t n)
{
    double late_s = 0, worst = 0;
    for (size_t k = 0; k < n; k++) {
        double h = at->end_s[k + 1] - at->end_s[k];
        double needed = (at->distance[k] / h + line_excess(law, at->feed, n, k, h)) / at->feed[k];
        late_s += (needed - 1) * h;
        worst = fmax(worst, fabs(late_s) * at->feed[k]);
    }
    return worst;
}

static void solve_feeds(const struct motion_law *law, struct bench *at, size_t n, double enough_mm)
{
    for (size_t k = 0; k < n; k++) {
        double h = at->end_s[k + 1] - at->end_s[k];
        double in = k ? at->distance[k - 1] / (at->end_s[k] - at->end_s[k - 1]) : 0;
        double out = k + 1 < n ? at->distance[k + 1] / (at->end_s[k + 2] - at->end_s[k + 1]) : 0;
        double mean = at->distance[k] / h;
        double change = fmax(fabs(mean - in), fabs(mean - out));
        at->feed[k] = mean + (k == 0 || k + 1 == n ? 0 : steady_excess(law, change / h, h));
    }
    double least = INFINITY;
    for (int sweep = 0; sweep <= SWEEPS; sweep++) {
        double worst = lateness(law, at, n);
        if (worst < least) {
            least = worst;
            memcpy(at->best, at->feed, n * sizeof *at->feed);
        }
        if (worst < enough_mm)
            break;
        for (size_t k = 0; k < n; k++) {
            double h = at->end_s[k + 1] - at->end_s[k];
            at->spare[k] = at->distance[k] / h + line_excess(law, at->feed, n, k, h);
        }
        for (size_t k = 0; k < n; k++)
            at->feed[k] = 0.5 * (at->feed[k] + at->spare[k]);
    }
    memcpy(at->feed, at->best, n * sizeof *at->feed);
}

/* To the wire's feeds, up or down so that the lateness stays small. */
static bool round_feeds(const struct plan *plan, struct curve_lines *lines, struct bench *at,
                        size_t n, double top_feed)
{
    const struct motion_law *law = &plan->law;
    double late_s = 0, step_mm_s = axis_wire_feed_step_mm_s(&plan->axis);
    for (size_t k = 0; k < n; k++) {
        double h = at->end_s[k + 1] - at->end_s[k];
        double needed = at->distance[k] / h + line_excess(law, at->feed, n, k, h);
        int32_t ct = plan_ct_of_feed(&plan->axis, at->feed[k]);
        double value = plan_feed_of_ct(ct);
        if (late_s > 0 && value < at->feed[k])
            ct = plan_ct_of_feed(&plan->axis, value + step_mm_s);
        else if (late_s < 0 && value > at->feed[k])
            ct = plan_ct_of_feed(&plan->axis, value - step_mm_s);
        if (ct < 1)
            ct = 1;
        at->feed[k] = plan_feed_of_ct(ct);
        if (at->feed[k] > top_feed)
            return false;
        lines->lines[k].feed_ct = ct;
        late_s += (needed / at->feed[k] - 1) * h;
    }
    return true;
}

/* Lines as the controller will make them: joints, start times, error on the way. */
static enum curve_trouble run_lines(const struct plan *plan, const struct curve_run *run,
                                    struct curve_lines *lines, const struct bench *at, size_t n)
{
    plan_joints(&plan->law, plan->axis.lookahead_lines, n, at->distance, at->feed, at->joint);
    double start_s = 0, sign = lines->lines[0].target_ct > lines->from_ct ? 1 : -1;
    double from_mm = plan_mm_of_ct(lines->from_ct);
    lines->error_mm = lines->peak_mm_s = lines->peak_mm_s2 = 0;
    for (size_t k = 0; k < n; k++) {
        struct motion_line motion;
        motion_line_make(&motion, &plan->law, at->distance[k], at->joint[k], at->joint[k + 1],
                         at->feed[k]);
        lines->lines[k].start_s = start_s;
        lines->lines[k].in_mm_s = at->joint[k];
        lines->peak_mm_s = fmax(lines->peak_mm_s, motion.peak_mm_s);
        lines->peak_mm_s2 = fmax(lines->peak_mm_s2, motion.peak_mm_s2);
        for (int i = 1; i <= PROBES; i++) {
            double u = motion.duration_s * i / PROBES, t = start_s + u + run->late_s;
            double error = from_mm + sign * motion_line_mm(&motion, u) -
                           run->at(run->context, fmin(fmax(t, 0), run->duration_s));
            lines->error_mm = fmax(lines->error_mm, fabs(error));
        }
        start_s += motion.duration_s;
        from_mm = plan_mm_of_ct(lines->lines[k].target_ct);
    }
    lines->duration_s = start_s;
    lines->count = n;
    if (lines->error_mm < 0.5 * plan->axis.step_mm)
        return CURVE_FINE;
    for (size_t k = 1; k < n; k++)
        if (at->joint[k] < fmin(at->feed[k - 1], at->feed[k]) * (1 - 1e-9)) {
            double free_joint = at->joint[k];
            plan_joints(&plan->law, INT32_MAX / 2, n, at->distance, at->feed, at->joint);
            return at->joint[k] > free_joint * (1 + 1e-9) ? CURVE_LOOKAHEAD : CURVE_ACCELERATION;
        }
    return CURVE_RATE;
}

/* One try with lines of about h; *crowded: the port carries no more than were taken. */
static enum curve_trouble try_lines(const struct plan *plan, const struct curve_run *run, double h,
                                    struct curve_lines *lines, bool *crowded)
{
    const struct motion_law *law = &plan->law;
    double tau_start = first_share(law, run->start_mm_s2, h);
    double tau_end = first_share(law, run->end_mm_s2, h);
    double ends = 2 - tau_start - tau_end;
    double want = fmax(3, ceil(run->duration_s / h + ends));
    double most = floor(run->duration_s * plan->axis.line_rate_hz + ends + 1e-9);
    *crowded = want > most;
    if (fmin(want, most) > LINES_OF_A_RUN || most < 3)
        return CURVE_RATE;
    size_t n = (size_t)fmin(want, most);
    h = run->duration_s / ((double)n - ends);
    double change = run->peak_mm_s2 * h;
    double share = law->law == SPEED_TRAPEZOID ? SHARE : JERK_SHARE;
    if (motion_change_s(law, 0, change) > share * h * (1 + 1e-9))
        return CURVE_ACCELERATION;
    if (!reserve(lines, n))
        return CURVE_MEMORY;
    struct bench at = bench_of(lines);
    n = place_ends(plan, run, n, h, tau_start, lines);
    if (n == 0)
        return CURVE_RATE; /* moves less than a count of the wire: no run at all */
    solve_feeds(law, &at, n, 0.01 * plan->axis.step_mm);
    int32_t top_ct = plan_ct_of_feed(&plan->axis, plan->axis.speed_mm_s);
    double top = plan_feed_of_ct(top_ct);
    if (top > plan->axis.speed_mm_s * (1 + 1e-12))
        top = plan_feed_of_ct(top_ct - 1);
    if (!round_feeds(plan, lines, &at, n, top))
        return CURVE_SPEED;
    return run_lines(plan, run, lines, &at, n);
}

enum curve_trouble plan_curve_fit(const struct plan *plan, const struct curve_run *run,
                                  struct curve_lines *lines)
{
    double allowed_mm = 0.5 * plan->axis.step_mm, aim_mm = AIM * allowed_mm;
    lines->need_hz = sqrt(run->peak_mm_s2 / (8 * allowed_mm));
    for (int attempt = 0; attempt < 12; attempt++) {
        bool crowded;
        enum curve_trouble trouble =
            try_lines(plan, run, sqrt(8 * aim_mm / run->peak_mm_s2), lines, &crowded);
        /* Shorter lines help only where the curve was missed and the port has room. */
        if (trouble != CURVE_RATE || crowded)
            return trouble;
        aim_mm *= 0.7;
    }
    return CURVE_RATE;
}
