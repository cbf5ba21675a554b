/* SPDX-License-Identifier: GPL-3.0-or-later
 * Straightness, hysteresis and repeatability from the settled dwells of stairs. */
#include "results/fit_parts.h"

#include "results/largest.h"
#include "results/levels.h"
#include "results/straightness.h"

#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>

struct stair_table {
    double *depth, *reading;
    signed char *direction;
    size_t *cycle;
    size_t n;
};

static double curve_at(const void *curve, double depth)
{
    return curve_value(curve, depth);
}

static int gather(const struct fit_work *work, struct stair_table *table, struct rig_err *err)
{
    size_t room = work->point_count + 1;
    *table = (struct stair_table){
        .depth = calloc(room, sizeof *table->depth),
        .reading = calloc(room, sizeof *table->reading),
        .direction = calloc(room, sizeof *table->direction),
        .cycle = calloc(room, sizeof *table->cycle),
    };
    if (!table->depth || !table->reading || !table->direction || !table->cycle)
        return rig_fail_memory(err, "the dwells of stairs");
    for (size_t i = 0; i < work->point_count; i++) {
        const struct static_point *point = &work->points[i];
        if (!point->stair || !point->settled || point->depth_mm < 0 || point->direction == 0)
            continue;
        table->depth[table->n] = point->depth_mm;
        table->reading[table->n] = point->reading;
        table->direction[table->n] = (signed char)point->direction;
        table->cycle[table->n++] = point->cycle;
    }
    return RIG_OK;
}

static void free_table(struct stair_table *table)
{
    free(table->depth);
    free(table->reading);
    free(table->direction);
    free(table->cycle);
}

static struct result *add(struct fit_work *work, const char *name, const char *title,
                          const char *unit, struct rig_err *err)
{
    return result_add(&work->fit->results, name, title, unit, err);
}

/* u of a dwell's mean from the noise of its rows. */
static double dwell_u(const struct fit_work *work)
{
    double squares = 0, count = 0;
    for (size_t i = 0; i < work->point_count; i++)
        if (work->points[i].stair && work->points[i].settled) {
            squares += work->points[i].row_sd * work->points[i].row_sd / work->points[i].n;
            count++;
        }
    return count > 0 ? sqrt(squares / count) : NAN;
}

/* Standard deviation of one pass's mean reading of a level, from passes that repeat it; else
 * from the noise of its rows, which leaves out what differs between passes. */
static double pass_sd(const struct fit_work *work, const struct hysteresis *loop, double *freedom)
{
    enum { ENOUGH = 4 };
    if (loop->pooled_dof >= ENOUGH) {
        *freedom = loop->pooled_dof;
        return loop->pooled_sd;
    }
    *freedom = INFINITY;
    return dwell_u(work);
}

/* Levels of the mean characteristic, each the mean of its cycles. */
struct mean_levels {
    double *reading; /* at fit->levels_mm */
    double u, dof;   /* of one of them, from cycles that repeat it, else about the curve */
};

struct named_line {
    const char *name, *title;
    size_t line; /* offset in struct straightness */
};

static double percent_of(const struct straightness *straight, size_t line)
{
    return ((const struct straightness_line *)((const char *)straight + line))->percent_span;
}

/* What noise on the levels makes of each line's error, by drawing it (JCGM 101:2008; the same
 * numbers each time): how much it adds on average, since the largest of several deviations
 * gains by noise, and the spread. The levels are drawn about the curve. */
enum { DRAWS = 400, LINES = 4 };

static int draw_lines(const struct fit_work *work, const struct mean_levels *levels,
                      const size_t lines[LINES], double bias[LINES], double u[LINES],
                      struct rig_err *err)
{
    size_t n = work->fit->level_count;
    const double *depth = work->fit->levels_mm;
    double *centre = calloc(2 * n + 1, sizeof *centre), *drawn = centre + n;
    gsl_rng *random = gsl_rng_alloc(gsl_rng_mt19937);
    struct straightness still, straight;
    double sum[LINES] = {0}, squares[LINES] = {0};
    int known = 0, code = centre && random ? RIG_OK : rig_fail_memory(err, "the drawn levels");
    for (size_t i = 0; !code && i < n; i++)
        centre[i] = curve_value(&work->curve, depth[i]);
    if (!code && straightness_of(&still, depth, centre, n, NULL) == RIG_OK)
        for (int draw = 0; draw < DRAWS; draw++) {
            for (size_t i = 0; i < n; i++)
                drawn[i] = centre[i] + gsl_ran_gaussian(random, levels->u);
            if (straightness_of(&straight, depth, drawn, n, NULL))
                continue;
            known++;
            for (int k = 0; k < LINES; k++) {
                double off = percent_of(&straight, lines[k]) - percent_of(&still, lines[k]);
                sum[k] += off;
                squares[k] += off * off;
            }
        }
    for (int k = 0; k < LINES; k++) {
        bias[k] = known ? sum[k] / known : (double)NAN;
        u[k] =
            known > DRAWS / 2 ? sqrt(fmax(0, squares[k] / known - bias[k] * bias[k])) : (double)NAN;
    }
    if (random)
        gsl_rng_free(random);
    free(centre);
    return code;
}

static int straight_results(struct fit_work *work, struct mean_levels *levels,
                            const struct straightness *straight, const char *reason,
                            struct rig_err *err)
{
    static const struct named_line lines[LINES] = {
        {"linearity_independent", "Linearity error, independent line",
         offsetof(struct straightness, independent)},
        {"linearity_zero_based", "Linearity error, zero-based line",
         offsetof(struct straightness, zero_based)},
        {"linearity_terminal", "Linearity error, terminal-based line",
         offsetof(struct straightness, terminal)},
        {"linearity_least_squares", "Linearity error, least-squares line",
         offsetof(struct straightness, least_squares)},
    };
    size_t offsets[LINES];
    double bias[LINES], u[LINES];
    for (int i = 0; i < LINES; i++)
        offsets[i] = lines[i].line;
    int code = reason ? RIG_OK : draw_lines(work, levels, offsets, bias, u, err);
    if (code)
        return code;
    double slope = reason ? NAN : fabs(work->span) / (work->high_mm - work->low_mm);
    double steps_u = slope * work->rig->axis.step_mm / sqrt(12);
    for (int i = 0; i < LINES; i++) {
        struct result *result = add(work, lines[i].name, lines[i].title, "% of span", err);
        if (!result)
            return err->code;
        if (reason || !isfinite(u[i])) {
            result_refuse(result, "%s", reason ? reason : "the levels lie within their noise");
            continue;
        }
        result_contribute(result, work->curve_from, 'A', u[i], levels->dof);
        if (steps_u > 0 && levels->u > 0) /* steps move each level by itself, as noise does */
            result_contribute(result, "steps of the axis", 'B', u[i] * steps_u / levels->u,
                              INFINITY);
        result_combine(result, percent_of(straight, lines[i].line) - bias[i],
                       "largest deviation of the mean of rising and falling (ISA-51.1), less what "
                       "noise adds");
    }
    return RIG_OK;
}

/* A figure that describes the passes of this recording, and estimates nothing beyond. */
static int describe(struct fit_work *work, const char *name, const char *title,
                    const struct levels_extent *extent, const char *method, const char *reason,
                    struct rig_err *err)
{
    struct result *result = add(work, name, title, "% of span", err);
    if (!result)
        return err->code;
    if (reason || extent->reason) {
        result_refuse(result, "%s", reason ? reason : extent->reason);
        return RIG_OK;
    }
    result_set(result, extent->percent_span, NAN, NAN, method);
    snprintf(result->reason, sizeof result->reason,
             "no interval: it describes these passes, and more passes would widen it");
    return RIG_OK;
}

/* Largest difference of the means: of all levels that were read from both sides. */
static int between_means(struct fit_work *work, const struct levels *levels,
                         const struct hysteresis *loop, const char *reason, struct rig_err *err)
{
    struct result *result =
        add(work, "hysteresis_of_means", "Hysteresis, between means of passes", "% of span", err);
    if (!result)
        return err->code;
    if (reason || loop->of_means.reason) {
        result_refuse(result, "%s", reason ? reason : loop->of_means.reason);
        return RIG_OK;
    }
    double *width = calloc(2 * levels->count + 1, sizeof *width), *depth = width + levels->count;
    double passes = 0, freedom, steepest = 0, mean = 0;
    size_t n = 0;
    if (width == NULL)
        return rig_fail_memory(err, "the levels' loops");
    for (size_t i = 0; i < levels->count; i++) {
        const struct level *level = &levels->level[i];
        if (!level->rising_passes || !level->falling_passes)
            continue;
        depth[n] = level->depth;
        /* As depth, where one loop is as wide at all depths. */
        double slope = curve_slope(&work->curve, level->depth);
        width[n] = (level->falling - level->rising) / slope;
        mean += width[n++];
        steepest = fmax(steepest, fabs(slope));
        passes += 1.0 / (double)level->rising_passes + 1.0 / (double)level->falling_passes;
    }
    double mean_slope = fabs(work->span) / (work->high_mm - work->low_mm);
    double u = pass_sd(work, loop, &freedom) * sqrt(passes / fmax((double)n, 1)) / mean_slope;
    /* Falling reads deeper, as with clinging water, unless the loop clearly goes round the other
     * way. To take each width without its sign would make loops of noise. */
    if (mean < -3 * u * sqrt((double)n))
        for (size_t i = 0; i < n; i++)
            width[i] = -width[i];
    struct estimate largest = largest_of(depth, width, n, u, freedom);
    free(width);
    /* Until ramps tell better: what steps and waves must take up before the reading follows. */
    if (n > 0 && isfinite(u))
        work->play_mm = (struct estimate){
            fmax(mean, 0) / (double)n,
            hypot(u / sqrt((double)n), 4 * dwell_u(work) / mean_slope / sqrt(3)), freedom};
    double scale = 100 / loop->span * steepest;
    result_contribute(result, "replication by passes", 'A', scale * largest.u, largest.dof);
    double backlash_mm = fit_contribute_backlash(work, result, scale);
    result_contribute_within(result, "steps of the axis", scale * work->rig->axis.step_mm / 2);
    /* A dwell counts as settled when its trend hides in its noise: either side may still be on
     * its way by about twice the u of a dwell's mean. */
    result_contribute_within(result, "dwells not wholly settled",
                             scale * 4 * dwell_u(work) / mean_slope);
    result_combine(result, scale * (largest.value - backlash_mm),
                   "largest difference of the means of rising and falling passes, less what noise "
                   "and the axis' backlash add (half of it where it is only stated)");
    return RIG_OK;
}

static int loop_results(struct fit_work *work, const struct levels *levels,
                        const struct hysteresis *loop, const char *reason, struct rig_err *err)
{
    int code = describe(
        work, "hysteresis_within_pair", "Hysteresis, within one pair", &loop->within_pair,
        "largest difference of rising and falling in one pair (43 CFR 3175.135)", reason, err);
    if (!code)
        code = between_means(work, levels, loop, reason, err);
    if (!code)
        code = describe(work, "repeatability", "Repeatability", &loop->repeatability,
                        "largest spread of passes from one side (43 CFR 3175.135)", reason, err);
    return code;
}

/* u of a level's mean: what is left of its cycles when level and cycle are taken off (a cycle
 * as a whole may lie higher, as water falls by evaporation, and no line minds). With one
 * cycle, the scatter about the curve. first[i]: where level i begins among the centres. */
static int level_u(const struct fit_work *work, struct mean_levels *levels, const size_t first[],
                   struct rig_err *err)
{
    const struct centres *centres = &work->centres;
    size_t n = work->fit->level_count, cycles = centres->cycles;
    double *offset = calloc(2 * cycles + 1, sizeof *offset), *seen = offset + cycles;
    if (!offset)
        return rig_fail_memory(err, "the cycles of the curve");
    for (int pass = 0; pass < 2; pass++) {
        double squares = 0, count = 0;
        for (size_t i = 0; i < n; i++)
            for (size_t k = first[i]; k < first[i + 1]; k++) {
                size_t cycle = centres->cycle[k];
                double off = centres->reading[k] - levels->reading[i];
                if (pass == 0) {
                    offset[cycle] += off;
                    seen[cycle]++;
                    continue;
                }
                off -= offset[cycle] / seen[cycle];
                squares += off * off;
                count++;
            }
        levels->dof = count - (double)n - (double)cycles + 1;
        levels->u = sqrt(squares / fmax(levels->dof, 1) * (double)n / fmax(count, 1));
    }
    free(offset);
    if (levels->dof < 4) {
        levels->u = work->curve.residual_sd / sqrt(fmax((double)cycles, 1));
        levels->dof = work->curve.degrees_of_freedom;
    }
    return RIG_OK;
}

static int straight_from_centres(struct fit_work *work, struct rig_err *err)
{
    const struct centres *centres = &work->centres;
    struct fit *fit = work->fit;
    struct straightness straight = {0};
    struct rig_err why = {0};
    struct mean_levels levels = {.reading = calloc(centres->n + 1, sizeof *levels.reading)};
    size_t *first = calloc(centres->n + 2, sizeof *first);
    fit->levels_mm = calloc(centres->n + 1, sizeof *fit->levels_mm);
    int code = levels.reading && first && fit->levels_mm
                   ? RIG_OK
                   : rig_fail_memory(err, "the levels of the curve");
    for (size_t i = 0, next; !code && i < centres->n; i = next) {
        double depth = 0, reading = 0;
        for (next = i; next < centres->n && centres->depth_mm[next] - centres->depth_mm[i] < 0.05;
             next++) {
            depth += centres->depth_mm[next];
            reading += centres->reading[next];
        }
        double count = (double)(next - i);
        fit->levels_mm[fit->level_count] = depth / count;
        levels.reading[fit->level_count++] = reading / count;
        first[fit->level_count] = next;
    }
    const char *reason = "there is no calibration curve";
    if (!code && work->has_curve) {
        reason = straightness_of(&straight, fit->levels_mm, levels.reading, fit->level_count,
                                 &why) == RIG_OK
                     ? NULL
                     : why.text;
        code = level_u(work, &levels, first, err);
    }
    if (!code)
        code = straight_results(work, &levels, &straight, reason, err);
    free(levels.reading);
    free(first);
    return code;
}

int fit_straight(struct fit_work *work, struct rig_err *err)
{
    struct stair_table table = {0};
    struct levels levels = {0};
    struct hysteresis loop = {0};
    struct rig_err why = {0};
    const char *reason = NULL;
    int code = straight_from_centres(work, err);
    if (!code)
        code = gather(work, &table, err);
    if (!code && (table.n < 3 || !work->has_curve)) {
        reason = "it takes stairs with settled dwells at three depths or more";
    } else if (!code) {
        struct level_readings readings = {.n = table.n,
                                          .depth = table.depth,
                                          .reading = table.reading,
                                          .direction = table.direction,
                                          .cycle = table.cycle};
        code = levels_of(&levels, &readings, curve_at, &work->curve, &why);
        if (code == RIG_EMEMORY)
            *err = why;
        else if (code)
            reason = why.text;
        else
            hysteresis_of(&loop, &levels);
        code = code == RIG_EMEMORY ? code : RIG_OK;
    }
    if (!code)
        code = loop_results(work, &levels, &loop, reason, err);
    levels_free(&levels);
    free_table(&table);
    return code;
}
