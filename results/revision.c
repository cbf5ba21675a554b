/* SPDX-License-Identifier: GPL-3.0-or-later
 * Levels that all boards share, one curve through their means, and four ways of production. */
#include "results/revision.h"

#include "results/moments.h"
#include "results/significance.h"
#include "results/student.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static const double SAME_DEPTH_MM = 0.05; /* as fit_centre.h has it */

const char *revision_way_words(enum revision_way way)
{
    static const char *const words[] = {
#define X(way, text) text,
        REVISION_WAYS(X)
#undef X
    };
    return words[way];
}

/* Mean over the cycles of one recording at a depth; *n: how many. NaN: it wasn't there. */
static double level_mean(const struct fit *fit, double depth_mm, size_t *n)
{
    double origin = NAN, sum = 0;
    *n = 0;
    for (size_t i = 0; i < fit->pass_count; i++) {
        const struct fit_pass *pass = &fit->passes[i];
        if (pass->kind != FIT_PASS_LEVEL || fabs(pass->x - depth_mm) > SAME_DEPTH_MM)
            continue;
        if (isnan(origin))
            origin = pass->value;
        sum += pass->value - origin;
        (*n)++;
    }
    return *n ? origin + sum / (double)*n : (double)NAN;
}

static bool shared_by_all(const struct revision_board boards[], size_t count, double depth_mm)
{
    for (size_t b = 0; b < count; b++)
        for (size_t r = 0; r < boards[b].count; r++) {
            size_t n;
            level_mean(boards[b].fits[r], depth_mm, &n);
            if (n == 0)
                return false;
        }
    return true;
}

static int by_depth(const void *a, const void *b)
{
    double x = ((const struct revision_level *)a)->depth_mm;
    double y = ((const struct revision_level *)b)->depth_mm;
    return (x > y) - (x < y);
}

static int find_levels(struct revision *revision, const struct revision_board boards[],
                       size_t count, struct rig_err *err)
{
    const struct fit *first = boards[0].fits[0];
    revision->levels = calloc(first->pass_count + 1, sizeof *revision->levels);
    if (!revision->levels)
        return rig_fail_memory(err, "the levels of a revision");
    for (size_t i = 0; i < first->pass_count; i++) {
        double depth = first->passes[i].x;
        bool known = first->passes[i].kind != FIT_PASS_LEVEL;
        for (size_t k = 0; k < revision->level_count && !known; k++)
            known = fabs(revision->levels[k].depth_mm - depth) <= SAME_DEPTH_MM;
        if (!known && shared_by_all(boards, count, depth))
            revision->levels[revision->level_count++].depth_mm = depth;
    }
    qsort(revision->levels, revision->level_count, sizeof *revision->levels, by_depth);
    if (revision->level_count < 3)
        return rig_fail(err, RIG_EINPUT,
                        "the recordings have %zu depths in common, and one curve needs three: run "
                        "the same profile, with stairs, for every board",
                        revision->level_count);
    return RIG_OK;
}

/* ---- spreads ---- */

/* Every cycle's reading at a level with the board that it is of; returns how many. */
static size_t gather(const struct revision_board boards[], size_t count, double depth_mm,
                     double values[], size_t group[])
{
    size_t n = 0;
    for (size_t b = 0; b < count; b++)
        for (size_t r = 0; r < boards[b].count; r++) {
            const struct fit *fit = boards[b].fits[r];
            for (size_t i = 0; i < fit->pass_count; i++)
                if (fit->passes[i].kind == FIT_PASS_LEVEL &&
                    fabs(fit->passes[i].x - depth_mm) <= SAME_DEPTH_MM) {
                    group[n] = b;
                    values[n++] = fit->passes[i].value;
                }
        }
    return n;
}

/* Means of each board at each level, recordings counted alike: [board][level]. */
static double *board_means(const struct revision *revision, const struct revision_board boards[],
                           size_t count)
{
    double *means = calloc(count * revision->level_count, sizeof *means);
    for (size_t b = 0; means && b < count; b++)
        for (size_t l = 0; l < revision->level_count; l++) {
            double first = NAN, sum = 0;
            for (size_t r = 0; r < boards[b].count; r++) {
                size_t n;
                double mean = level_mean(boards[b].fits[r], revision->levels[l].depth_mm, &n);
                first = r ? first : mean;
                sum += mean - first;
            }
            means[b * revision->level_count + l] = first + sum / (double)boards[b].count;
        }
    return means;
}

static int spreads(struct revision *revision, const struct revision_board boards[], size_t count,
                   const double means[], struct rig_err *err)
{
    size_t room = 1;
    for (size_t b = 0; b < count; b++)
        for (size_t r = 0; r < boards[b].count; r++)
            room += boards[b].fits[r]->pass_count;
    double *values = calloc(room, sizeof *values);
    size_t *group = calloc(room, sizeof *group);
    int code = values && group ? RIG_OK : rig_fail_memory(err, "the spread of a revision");
    for (size_t l = 0; !code && l < revision->level_count; l++) {
        struct revision_level *level = &revision->levels[l];
        struct oneway spread;
        size_t n = gather(boards, count, level->depth_mm, values, group);
        double sum = 0, origin = means[l];
        for (size_t b = 0; b < count; b++)
            sum += means[b * revision->level_count + l] - origin;
        level->reading = origin + sum / (double)count;
        level->between_sd = level->within_sd = level->p = NAN;
        if (count == 1 && n > 1)
            level->within_sd = moments_of(values, n).sd;
        if (count < 2 || n <= count || oneway_of(&spread, values, group, n, count, NULL) != RIG_OK)
            continue;
        level->between_sd = sqrt(spread.between_variance);
        level->within_sd = spread.within_sd;
        level->p = spread.p;
    }
    free(values);
    free(group);
    return code;
}

/* ---- the curve ---- */

/* own: of the one recording that there is, which knows its cycles; else NULL. */
static int fit_curve(struct revision *revision, const struct curve *own, const double means[],
                     size_t degree, struct rig_err *err)
{
    size_t count = revision->board_count, levels = revision->level_count, n = count * levels;
    if (own)
        revision->curve = *own;
    if (own)
        return RIG_OK;
    double *depth = calloc(n + 1, sizeof *depth), *reading = calloc(levels + 1, sizeof *reading);
    size_t *cycle = calloc(n + 1, sizeof *cycle);
    int code = depth && reading && cycle ? RIG_OK : rig_fail_memory(err, "a revision's curve");
    for (size_t i = 0; !code && i < n; i++) {
        depth[i] = revision->levels[i % levels].depth_mm;
        cycle[i] = i / levels;
        if (i < levels)
            reading[i] = revision->levels[i].reading;
    }
    /* The degree by the means: as points of their own, boards with the same misfit would make
     * a bend of micrometres look sure. */
    struct curve means_curve;
    struct curve_options options = {.kind = CURVE_POLYNOMIAL, .degree = degree};
    struct curve_points points = {.n = levels, .depth = depth, .reading = reading};
    if (!code)
        code = curve_fit(&means_curve, &points, &options, err);
    if (!code && count >= 3) {
        options.degree = means_curve.polynomial.degree;
        points = (struct curve_points){
            .n = n, .depth = depth, .reading = means, .cycle = cycle, .cycles = count};
        code = curve_fit(&revision->curve, &points, &options, err);
        revision->curve.chosen = means_curve.chosen;
    } else if (!code)
        revision->curve = means_curve;
    free(depth);
    free(reading);
    free(cycle);
    return code;
}

/* ---- four ways of production ---- */

double revision_error_mm(const struct revision *revision, size_t board, size_t level,
                         enum revision_way way)
{
    return revision
        ->errors_mm[(board * revision->level_count + level) * REVISION_WAY_COUNT + (size_t)way];
}

/* The depth that a board in production would show for a reading. */
static double shown_mm(const struct revision *revision, const struct fit *own, const double means[],
                       double reading, enum revision_way way)
{
    size_t last = revision->level_count - 1;
    const struct curve *curve = &revision->curve;
    double low = revision->levels[0].depth_mm, high = revision->levels[last].depth_mm;
    double wanted = curve_value(curve, low), span = curve_value(curve, high) - wanted;
    double own_span = means[last] - means[0];
    switch (way) {
    case REVISION_ZERO:
        return curve_depth_extended(curve, reading - means[0] + wanted);
    case REVISION_SPAN:
        if (own_span == 0)
            return NAN;
        return curve_depth_extended(curve, wanted + (reading - means[0]) * span / own_span);
    case REVISION_OWN:
        return curve_depth_extended(&own->curve, reading);
    default:
        return curve_depth_extended(curve, reading);
    }
}

static void cost_of(struct revision *revision, enum revision_way way)
{
    struct revision_cost *cost = &revision->ways[way];
    size_t n = revision->board_count;
    *cost = (struct revision_cost){.next_mm = n < 3 ? (double)NAN : 0};
    for (size_t l = 0; l < revision->level_count; l++) {
        double sum = 0, squares = 0;
        for (size_t b = 0; b < n; b++) {
            double error = revision_error_mm(revision, b, l, way);
            sum += error;
            if (!(fabs(error) <= cost->worst_mm)) { /* NaN: worse than all */
                cost->worst_mm = fabs(error);
                cost->at_mm = revision->levels[l].depth_mm;
                cost->board = b;
            }
        }
        if (n < 3)
            continue;
        double mean = sum / (double)n;
        for (size_t b = 0; b < n; b++)
            squares += pow(revision_error_mm(revision, b, l, way) - mean, 2);
        double sd = sqrt(squares / (double)(n - 1));
        cost->next_mm = fmax(cost->next_mm, fabs(mean) + student_coverage(0.95, (double)(n - 1)) *
                                                             sd * sqrt(1 + 1 / (double)n));
    }
}

static int production(struct revision *revision, const struct revision_board boards[],
                      const double means[], struct rig_err *err)
{
    size_t levels = revision->level_count;
    revision->errors_mm =
        calloc(revision->board_count * levels * REVISION_WAY_COUNT, sizeof *revision->errors_mm);
    if (!revision->errors_mm)
        return rig_fail_memory(err, "the errors of a revision");
    double *error = revision->errors_mm;
    for (size_t b = 0; b < revision->board_count; b++)
        for (size_t l = 0; l < levels; l++)
            for (int way = 0; way < REVISION_WAY_COUNT; way++)
                *error++ = shown_mm(revision, boards[b].fits[0], means + b * levels,
                                    means[b * levels + l], (enum revision_way)way) -
                           revision->levels[l].depth_mm;
    for (int way = 0; way < REVISION_WAY_COUNT; way++)
        cost_of(revision, (enum revision_way)way);
    revision->advice = REVISION_OWN;
    for (int way = REVISION_WAY_COUNT - 1; way >= 0; way--) {
        const struct revision_cost *cost = &revision->ways[way];
        double worst = isfinite(cost->next_mm) ? cost->next_mm : cost->worst_mm;
        if (worst <= revision->error_mm) {
            revision->advice = (enum revision_way)way;
            revision->kept = true;
        }
    }
    return RIG_OK;
}

/* ---- boards that stand apart ---- */

static int outliers(struct revision *revision, const double means[], struct rig_err *err)
{
    size_t n = revision->board_count, last = revision->level_count - 1;
    double *off = calloc(n + 1, sizeof *off);
    if (!off)
        return rig_fail_memory(err, "the boards of a revision");
    double span = curve_value(&revision->curve, revision->levels[last].depth_mm) -
                  curve_value(&revision->curve, revision->levels[0].depth_mm);
    for (int feature = 0; feature < REVISION_FEATURES && span != 0; feature++) {
        for (size_t b = 0; b < n; b++) {
            const double *own = means + b * revision->level_count;
            off[b] = feature == REVISION_ZERO_OFF
                         ? revision_error_mm(revision, b, 0, REVISION_SHARED)
                     : feature == REVISION_SPAN_OFF
                         ? 100 * ((own[last] - own[0]) / span - 1)
                         : revision_error_mm(revision, b, last / 2, REVISION_SPAN);
        }
        size_t which;
        double p = grubbs_p(off, n, &which);
        if (p < 0.05)
            revision->outliers[revision->outlier_count++] =
                (struct revision_outlier){.board = which,
                                          .feature = (enum revision_feature)feature,
                                          .off = off[which],
                                          .p = p};
    }
    free(off);
    return RIG_OK;
}

static void in_depth(struct revision *revision)
{
    for (size_t l = 0; l < revision->level_count; l++) {
        struct revision_level *level = &revision->levels[l];
        double slope = fabs(curve_slope(&revision->curve, level->depth_mm));
        level->between_mm = slope > 0 ? level->between_sd / slope : (double)NAN;
        level->within_mm = slope > 0 ? level->within_sd / slope : (double)NAN;
    }
}

int revision_make(struct revision *revision, const struct revision_board boards[], size_t count,
                  size_t degree, double error_mm, struct rig_err *err)
{
    *revision = (struct revision){.board_count = count, .error_mm = error_mm};
    if (count == 0)
        return rig_fail(err, RIG_EINPUT, "no recordings: a curve needs one or more");
    for (size_t b = 0; b < count; b++) {
        revision->recording_count += boards[b].count;
        for (size_t r = 0; r < boards[b].count; r++)
            if (!isfinite(boards[b].fits[r]->low_mm))
                return rig_fail(err, RIG_EINPUT,
                                "board %s: recording %zu of it has no calibration curve of its "
                                "own; 'wetsweep fit' says why. Leave it out, or measure again",
                                boards[b].board, r + 1);
    }
    double *means = NULL;
    int code = find_levels(revision, boards, count, err);
    if (!code && !(means = board_means(revision, boards, count)))
        code = rig_fail_memory(err, "the means of a revision");
    if (!code)
        code = spreads(revision, boards, count, means, err);
    if (!code)
        code = fit_curve(revision,
                         revision->recording_count == 1 && degree == 0 ? &boards[0].fits[0]->curve
                                                                       : NULL,
                         means, degree, err);
    if (!code)
        code = production(revision, boards, means, err);
    if (!code)
        code = outliers(revision, means, err);
    if (!code)
        in_depth(revision);
    free(means);
    if (code)
        revision_free(revision);
    return code;
}

void revision_free(struct revision *revision)
{
    free(revision->levels);
    free(revision->errors_mm);
    *revision = (struct revision){0};
}
