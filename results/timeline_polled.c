/* SPDX-License-Identifier: GPL-3.0-or-later
 * Ties from position reports polled while moving. A report says that somewhere between
 * question and answer the stage stood at depth z; the plan says when it is at z. The
 * difference is the stroke's start on the host's clock, once a report:
 *
 *   h_i = t_i - (p_i - p_start),   plan_depth(p_i) = z_i,   t_i the middle of the bracket.
 *
 * Over all strokes h_i = h_k + skew (p_i - p_start) + side (b_i - b_min), b_i half the
 * bracket: `side` in [-1, 1] says on which side the varying part of the answer's delay
 * lies, and shows in the reports themselves; one side for the answer's own delay, one for
 * the wait in a full controller. The side of the constant part can't show; it shifts all
 * strokes alike, rectangular within +-b_min. */
#include "results/timeline_polled.h"

#include <math.h>
#include <stdlib.h>

/* Reports have two decimals of a millimetre (common practice, no source). */
static const double REPORT_STEP_MM = 0.01;
static const double SQRT3 = 1.7320508075688772, SQRT12 = 3.4641016151377544;
static const double SEARCH_S = 0.25;     /* as far as a tie may be off its guess */
static const double GRID_STEP_S = 0.004; /* of the first guess */
static const double STRETCHED_S =
    0.05; /* a stroke that ends so much later than usual is looked at */
static const double WORST_REPORT_S = 0.05; /* a report that tells less is left out */

/* Plan time near guess_s at which the plan is at depth_mm; NaN when there is none, or it
 * is too near to a rest or a reversal to be told well. *segment: where to look first. */
static double crossing(const struct polled *polled, double guess_s, double depth_mm,
                       size_t *segment, double *speed_mm_s)
{
    const struct plan *plan = polled->plan;
    double at = guess_s, first, speed, ignored;
    double depth = plan_depth_near_mm(plan, at, segment, &first);
    double slowest = polled->position_u_mm / WORST_REPORT_S;
    speed = first;
    for (int i = 0; i < 12; i++) {
        if (fabs(speed) < slowest || speed * first <= 0)
            return NAN;
        double step = (depth_mm - depth) / speed;
        at += step;
        if (!(fabs(at - guess_s) <= SEARCH_S))
            return NAN;
        depth = plan_depth_near_mm(plan, at, segment, &speed);
        if (fabs(step) < 1e-7)
            break;
        if (i == 11)
            return NAN;
    }
    *speed_mm_s = fabs(speed);
    if (!(*speed_mm_s >= slowest))
        return NAN;
    /* Near a rest a small error of depth is a large one of time, to one side. */
    double clear = 12 * polled->position_u_mm, apart = fmax(0.02, 2 * clear / *speed_mm_s);
    size_t beside = *segment;
    double before = plan_depth_near_mm(plan, at - apart, &beside, &ignored);
    double after = plan_depth_near_mm(plan, at + apart, segment, &ignored);
    if (!(fabs(before - depth_mm) > clear && fabs(after - depth_mm) > clear &&
          (before - depth_mm) * (after - depth_mm) < 0))
        return NAN;
    return at;
}

/* Where the stroke must have begun for its reports to lie on the plan, roughly: the
 * least mean distance over a grid of what the acknowledgements allow. */
static double search(const struct polled *polled, size_t stroke, const struct motion_row rows[],
                     size_t count)
{
    const struct timeline_stroke *known = &polled->timeline->strokes[stroke];
    double low = polled->times[stroke].sent_s - SEARCH_S;
    double high = polled->times[stroke].ended_s - polled->times[stroke].duration_s + SEARCH_S;
    double best = INFINITY, best_s = NAN;
    size_t stride = 1 + count / 64;
    double step = fmax(GRID_STEP_S, (high - low) / 2000);
    for (double start = low; start <= high; start += step) {
        double sum = 0;
        for (size_t i = 0; i < count; i += stride)
            if (isfinite(rows[i].reported_mm))
                sum += fabs(plan_depth_mm(polled->plan, known->plan_start_s + rows[i].t_s - start) -
                            rows[i].reported_mm);
        if (sum < best) {
            best = sum;
            best_s = start;
        }
    }
    return best_s;
}

static int add_tie(struct polled *polled, const struct tie *tie, struct rig_err *err)
{
    if (polled->count == polled->room) {
        size_t room = polled->room + polled->room / 2 + 256;
        struct tie *larger = realloc(polled->ties, room * sizeof *larger);
        if (!larger)
            return rig_fail_memory(err, "the timeline");
        polled->ties = larger;
        polled->room = room;
    }
    polled->ties[polled->count++] = *tie;
    return RIG_OK;
}

/* Adds the ties that rows give with the stroke begun at about guess_s. */
static int tie_rows(struct polled *polled, size_t stroke, const struct motion_row rows[],
                    size_t count, double guess_s, struct rig_err *err)
{
    double plan_start = polled->timeline->strokes[stroke].plan_start_s;
    size_t segment = plan_strokes(polled->plan)[stroke].first_segment;
    for (size_t i = 0; i < count; i++) {
        double bracket = rows[i].bracket_s, speed = NAN;
        if (!isfinite(rows[i].reported_mm) || !(bracket >= 0) || bracket > SEARCH_S ||
            rows[i].t_s < polled->times[stroke].sent_s ||
            rows[i].t_s > polled->times[stroke].ended_s)
            continue;
        double at = crossing(polled, plan_start + rows[i].t_s - guess_s, rows[i].reported_mm,
                             &segment, &speed);
        if (isnan(at))
            continue;
        const struct tie tie = {.host_s = rows[i].t_s - (at - plan_start),
                                .since_s = at - plan_start,
                                .bracket_s = (float)bracket,
                                .position_s = (float)(polled->position_u_mm / speed),
                                .stroke = (uint32_t)stroke,
                                .used = true};
        int code = add_tie(polled, &tie, err);
        if (code)
            return code;
    }
    return RIG_OK;
}

static double *scratch(struct polled *polled, size_t room)
{
    if (room > polled->scratch_room) {
        double *larger = realloc(polled->scratch, room * sizeof *larger);
        if (!larger)
            return NULL;
        polled->scratch = larger;
        polled->scratch_room = room;
    }
    return polled->scratch;
}

/* All reports of one stroke. */
static int tie_stroke(struct polled *polled, size_t stroke, const struct motion_row rows[],
                      size_t count, struct rig_err *err)
{
    struct stroke_tie *own = &polled->strokes[stroke];
    size_t first = polled->count;
    double sent = polled->times[stroke].sent_s, guess = sent + polled->delay_s;
    own->waits = plan_strokes(polled->plan)[stroke].line_count > polled->lookahead_lines;
    int code = RIG_OK;
    if (isfinite(guess))
        code = tie_rows(polled, stroke, rows, count, guess, err);
    if (!code && polled->count - first < TIE_ENOUGH_REPORTS) {
        polled->count = first;
        guess = search(polled, stroke, rows, count);
        if (isfinite(guess))
            code = tie_rows(polled, stroke, rows, count, guess, err);
    }
    if (code)
        return code;
    own->first = first;
    own->count = polled->count - first;
    if (own->count < TIE_ENOUGH_REPORTS) {
        own->count = 0;
        polled->count = first;
        return RIG_OK;
    }
    /* Reports that disagree with their neighbours are wild: another stroke's, a slip of
     * digits. Four robust deviations from the median. */
    double *off = scratch(polled, own->count);
    if (!off)
        return rig_fail_memory(err, "the timeline");
    struct tie *ties = &polled->ties[first];
    for (size_t i = 0; i < own->count; i++)
        off[i] = ties[i].host_s;
    double median = timeline_median(off, own->count);
    for (size_t i = 0; i < own->count; i++)
        off[i] = fabs(ties[i].host_s - median);
    double spread = 1.4826 * timeline_median(off, own->count);
    for (size_t i = 0; i < own->count; i++)
        ties[i].used =
            fabs(ties[i].host_s - median) <= 4 * fmax(spread, tie_sigma(polled, &ties[i]));
    polled->delay_s = median - sent;
    return RIG_OK;
}

/* Reports that put a stroke before its line was sent or its end after the answer that
 * it had ended tell something else than the place of the stage. */
static bool contradicts(const struct polled *polled, size_t stroke, double common_u_s)
{
    double u_s, start = polled_start(polled, stroke, &u_s);
    double margin = 4 * hypot(u_s, common_u_s) + 1e-3;
    const struct stroke_times *times = &polled->times[stroke];
    double end = start + (1 + polled->skew) * times->duration_s;
    double end_margin = margin + 4 * polled->skew_u * times->duration_s;
    return start < times->sent_s - margin || end > times->ended_s + end_margin;
}

static double slack_s(const struct polled *polled, size_t stroke)
{
    const struct stroke_times *times = &polled->times[stroke];
    return times->ended_s - times->sent_s - (1 + polled->skew) * times->duration_s;
}

/* How far the first or the last reports of a stroke are off its tie: of three, the middle one. */
static double ends_apart_s(const struct polled *polled, const struct stroke_tie *own)
{
    double first[3], last[3];
    size_t count = own->count < 3 ? own->count : 3;
    for (size_t i = 0; i < count; i++) {
        first[i] = polled_off(polled, &polled->ties[own->first + i]);
        last[i] = polled_off(polled, &polled->ties[own->first + own->count - 1 - i]);
    }
    return fmax(fabs(timeline_median(first, count)), fabs(timeline_median(last, count)));
}

/* Lines that came too late make the stage wait in mid-stroke: the stroke ends late, and reports of
 * one of its ends lie apart from the rest; or all of them do from the usual, since it waited before
 * the first. No one tie fits it: it is left out. */
static int leave_stretched(struct polled *polled, const struct delay *delay, struct rig_err *err)
{
    struct timeline *timeline = polled->timeline;
    size_t count = 0;
    double *slack = scratch(polled, timeline->stroke_count + 1);
    if (!slack)
        return rig_fail_memory(err, "the timeline");
    for (size_t k = 0; k < timeline->stroke_count; k++)
        if (polled->strokes[k].count)
            slack[count++] = slack_s(polled, k);
    double usual = timeline_median(slack, count);
    for (size_t k = 0; k < timeline->stroke_count; k++) {
        struct stroke_tie *own = &polled->strokes[k];
        if (!own->count || !(own->weight > 0) || !(slack_s(polled, k) > usual + STRETCHED_S))
            continue;
        double u, late_s = polled_start(polled, k, &u) - polled->times[k].sent_s - delay->mean_s;
        if (ends_apart_s(polled, own) < STRETCHED_S / 2 && !(own->waits && late_s > STRETCHED_S))
            continue;
        own->weight = 0;
        own->count = 0;
        timeline->strokes[k].known = false;
        timeline->stretched++;
    }
    while (timeline->last_known > 0 && !timeline->strokes[timeline->last_known].known)
        timeline->last_known--;
    return RIG_OK;
}

/* Puts the ties into the timeline. A stroke's own reports and what is usual for all
 * strokes are weighed against each other; without reports the usual stands alone. */
static void settle(struct polled *polled, const struct delay *delay, double common_u_s)
{
    struct timeline *timeline = polled->timeline;
    for (size_t k = 0; k < timeline->stroke_count; k++) {
        struct timeline_stroke *stroke = &timeline->strokes[k];
        if (!stroke->known)
            continue;
        double usual = polled->times[k].sent_s + delay->mean_s;
        double usual_u2 = delay->between_s * delay->between_s;
        double mean_u2 = delay->mean_u_s * delay->mean_u_s;
        if (polled->strokes[k].weight == 0) {
            stroke->host_start_s = usual;
            stroke->scatter_s = sqrt(usual_u2 + mean_u2);
            if (delay->strokes < TIE_ENOUGH_STROKES) /* how much it varies isn't known */
                stroke->scatter_s = hypot(stroke->scatter_s, timeline->common_u_s);
            continue;
        }
        double u, own = polled_start(polled, k, &u);
        if (delay->strokes < TIE_ENOUGH_STROKES) {
            stroke->host_start_s = own;
            stroke->scatter_s = u;
            stroke->queued = polled->strokes[k].waits;
            continue;
        }
        /* Far from the usual it is no usual stroke: its first line went out again, say. */
        if (fabs(own - usual) > 4 * sqrt(usual_u2 + u * u))
            usual_u2 = INFINITY;
        double share = isinf(usual_u2) ? 1 : usual_u2 / (usual_u2 + u * u); /* of its own reports */
        stroke->host_start_s = share * own + (1 - share) * usual;
        stroke->queued = polled->strokes[k].waits;
        stroke->scatter_s = sqrt(share * u * u + (1 - share) * (1 - share) * mean_u2);
    }
    timeline->anchor = ANCHOR_POLLED;
    timeline->common_u_s = common_u_s;
    timeline->queue_u_s = fabs(polled->side[POLLED_DELAY] - polled->side[POLLED_QUEUE]) / 2 *
                          polled->delay_part_s / SQRT3;
    timeline->skew = polled->skew;
    timeline->skew_u = polled->skew_u;
    timeline->start_delay_s = delay->mean_s;
    timeline->start_delay_u_s = hypot(delay->mean_u_s, common_u_s);
    timeline->start_delay_spread_s =
        delay->strokes >= TIE_ENOUGH_STROKES ? delay->between_s : (double)NAN;
}

static int tie_all(struct polled *polled, const struct motion_row motion[], size_t count,
                   size_t *asked, struct rig_err *err)
{
    for (size_t i = 0, end; i < count; i = end) {
        size_t stroke = motion[i].stroke, reports = 0, first = i, last;
        for (end = i; end < count && motion[end].stroke == stroke; end++)
            ;
        if (stroke >= polled->timeline->stroke_count || !polled->timeline->strokes[stroke].known ||
            polled->strokes[stroke].count)
            continue;
        /* Of a stroke that was run twice, the rows of the run that counts. */
        const struct stroke_times *times = &polled->times[stroke];
        while (first < end && motion[first].t_s < times->sent_s)
            first++;
        for (last = first; last < end && motion[last].t_s <= times->ended_s; last++)
            reports += isfinite(motion[last].reported_mm);
        if (reports < TIE_ENOUGH_REPORTS)
            continue;
        int code = tie_stroke(polled, stroke, motion + first, last - first, err);
        if (code)
            return code;
        *asked += 1;
    }
    return RIG_OK;
}

int timeline_polled(struct timeline *timeline, const struct plan *plan,
                    const struct motion_row motion[], size_t motion_count,
                    const struct stroke_times times[], const struct rig_axis *axis,
                    const struct timeline_prior *prior, bool *done, struct rig_err *err)
{
    double axis_step_mm = axis->step_mm > 0 ? axis->step_mm : 0;
    struct polled polled = {.plan = plan,
                            .timeline = timeline,
                            .times = times,
                            .position_u_mm = hypot(REPORT_STEP_MM, axis_step_mm) / SQRT12,
                            .lookahead_lines = (uint64_t)axis->lookahead_lines,
                            .kappa = 1 / SQRT3,
                            .delay_s = NAN};
    size_t asked = 0, failed = 0, tied = 0;
    *done = false;
    timeline_skew_prior(prior, &polled.prior_skew, &polled.prior_skew_u);
    polled.strokes = calloc(timeline->stroke_count + 1, sizeof *polled.strokes);
    int code = polled.strokes ? tie_all(&polled, motion, motion_count, &asked, err)
                              : rig_fail_memory(err, "the timeline");
    if (!code && polled.count > 0) {
        polled_fit(&polled);
        /* The shortest bracket bounds the constant part; the varying part is corrected
         * as well as its side is known. */
        double common = polled.bracket_min_s / SQRT3;
        for (int part = 0; part < POLLED_PARTS; part++)
            common = hypot(common, polled.side_u[part] * polled.part_s[part]);
        for (size_t k = 0; k < timeline->stroke_count; k++) {
            struct stroke_tie *own = &polled.strokes[k];
            if (own->weight == 0)
                continue;
            tied++;
            if (contradicts(&polled, k, common)) {
                failed++;
                own->weight = 0;
            }
        }
        struct delay delay = polled_delay(&polled);
        if (2 * failed <= tied && 2 * tied >= asked && delay.strokes > 0) {
            code = leave_stretched(&polled, &delay, err);
            if (!code)
                settle(&polled, &delay, common);
            *done = !code;
        }
    }
    free(polled.strokes);
    free(polled.ties);
    free(polled.scratch);
    return code;
}
