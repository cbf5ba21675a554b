/* SPDX-License-Identifier: GPL-3.0-or-later
 * Straightness, hysteresis and repeatability from the settled dwells of stairs. */
#include "results/fit_parts.h"

#include "results/levels.h"
#include "results/straightness.h"

#include <math.h>
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

/* u of the mean reading of one level, from passes that repeat it; else from the noise of
 * its rows, which leaves out what differs between passes. */
static double level_u(const struct fit_work *work, const struct hysteresis *loop, double *freedom)
{
    if (loop->pooled_dof > 0) {
        double passes = 0, levels = 0;
        for (size_t i = 0; i < work->point_count; i++)
            passes += work->points[i].stair && work->points[i].settled;
        for (size_t i = 0; i < work->fit->level_count; i++)
            levels++;
        *freedom = loop->pooled_dof;
        return loop->pooled_sd / sqrt(fmax(passes / levels, 1));
    }
    double squares = 0, count = 0;
    for (size_t i = 0; i < work->point_count; i++)
        if (work->points[i].stair && work->points[i].settled) {
            squares += work->points[i].row_sd * work->points[i].row_sd / work->points[i].n;
            count++;
        }
    *freedom = INFINITY;
    return count > 0 ? sqrt(squares / count / 2) : NAN;
}

/* How far a depth may be from where the plan says, as a reading. */
static double place_u(const struct fit_work *work)
{
    return fit_place_u_mm(work) * fabs(work->span) / (work->high_mm - work->low_mm);
}

struct named_line {
    const char *name, *title;
    const struct straightness_line *line;
    double factor; /* u of the deviation over u of a level, see below */
};

/* The largest deviation is a difference between one level and a mean of one to three
 * others: its u is about 0.65 (independent: half of three levels' difference) or 1.25
 * times that of a level. */
static int straight_results(struct fit_work *work, const struct straightness *straight,
                            const char *reason, struct rig_err *err)
{
    const struct named_line lines[] = {
        {"linearity_independent", "Linearity error, independent line", &straight->independent,
         0.65},
        {"linearity_zero_based", "Linearity error, zero-based line", &straight->zero_based, 1.25},
        {"linearity_terminal", "Linearity error, terminal-based line", &straight->terminal, 1.25},
        {"linearity_least_squares", "Linearity error, least-squares line", &straight->least_squares,
         1.1},
    };
    /* What one level's mean is uncertain by: its scatter about the curve. */
    double u = work->curve.residual_sd / sqrt(fmax((double)work->centres.cycles, 1));
    double freedom = work->curve.degrees_of_freedom;
    for (size_t i = 0; i < sizeof lines / sizeof *lines; i++) {
        struct result *result = add(work, lines[i].name, lines[i].title, "% of span", err);
        if (!result)
            return err->code;
        if (reason) {
            result_refuse(result, "%s", reason);
            continue;
        }
        double scale = 100 / straight->span * lines[i].factor;
        result_contribute(result, work->curve_from, 'A', scale * u, freedom);
        result_contribute(result, "backlash and steps of the axis", 'B', scale * place_u(work),
                          INFINITY);
        result_combine(result, lines[i].line->percent_span,
                       "largest deviation of the mean of rising and falling (ISA-51.1)");
    }
    return RIG_OK;
}

static int extent(struct fit_work *work, const char *name, const char *title,
                  const struct levels_extent *extent, double u_percent, double freedom,
                  const char *method, const char *reason, struct rig_err *err)
{
    struct result *result = add(work, name, title, "% of span", err);
    if (!result)
        return err->code;
    if (reason || extent->reason)
        result_refuse(result, "%s", reason ? reason : extent->reason);
    else
        result_set(result, extent->percent_span, u_percent, freedom, method);
    return RIG_OK;
}

static int loop_results(struct fit_work *work, const struct hysteresis *loop, const char *reason,
                        struct rig_err *err)
{
    double freedom = INFINITY, u = reason ? NAN : level_u(work, loop, &freedom);
    /* A difference of two means. */
    double u_percent =
        loop->span > 0 ? 100 / loop->span * hypot(u * 2, place_u(work)) : (double)NAN;
    int code = extent(work, "hysteresis_within_pair", "Hysteresis, within one pair",
                      &loop->within_pair, u_percent, freedom,
                      "largest difference of rising and falling in one pair (43 CFR 3175.135)",
                      reason, err);
    if (!code)
        code = extent(work, "hysteresis_of_means", "Hysteresis, between means of passes",
                      &loop->of_means, u_percent, freedom,
                      "largest difference of the means of rising and falling passes", reason, err);
    if (!code) {
        double spread_u = loop->span > 0 ? 100 / loop->span * loop->pooled_sd : (double)NAN;
        code = extent(work, "repeatability", "Repeatability", &loop->repeatability, spread_u,
                      loop->pooled_dof, "largest spread of passes from one side (43 CFR 3175.135)",
                      reason, err);
    }
    return code;
}

/* Levels of the mean characteristic, each the mean of its cycles. */
static int straight_from_centres(struct fit_work *work, struct rig_err *err)
{
    const struct centres *centres = &work->centres;
    struct fit *fit = work->fit;
    struct straightness straight = {0};
    struct rig_err why = {0};
    double *mean = calloc(centres->n + 1, sizeof *mean);
    fit->levels_mm = calloc(centres->n + 1, sizeof *fit->levels_mm);
    if (!mean || !fit->levels_mm) {
        free(mean);
        return rig_fail_memory(err, "the levels of the curve");
    }
    for (size_t i = 0, next; i < centres->n; i = next) {
        double depth = 0, reading = 0;
        for (next = i; next < centres->n && centres->depth_mm[next] - centres->depth_mm[i] < 0.05;
             next++) {
            depth += centres->depth_mm[next];
            reading += centres->reading[next];
        }
        double count = (double)(next - i);
        fit->levels_mm[fit->level_count] = depth / count;
        mean[fit->level_count++] = reading / count;
    }
    const char *reason = "there is no calibration curve";
    if (work->has_curve)
        reason = straightness_of(&straight, fit->levels_mm, mean, fit->level_count, &why) == RIG_OK
                     ? NULL
                     : why.text;
    int code = straight_results(work, &straight, reason, err);
    free(mean);
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
        code = loop_results(work, &loop, reason, err);
    levels_free(&levels);
    free_table(&table);
    return code;
}
