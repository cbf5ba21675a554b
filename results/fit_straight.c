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

static double curve_value(const void *curve, double depth)
{
    return polynomial_value(curve, depth);
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
    double place_mm =
        hypot(work->rig->axis.backlash_mm / sqrt(3), work->rig->axis.step_mm / sqrt(12));
    return place_mm * fabs(work->span) / (work->high_mm - work->low_mm);
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
                            const struct hysteresis *loop, const char *reason, struct rig_err *err)
{
    const struct named_line lines[] = {
        {"linearity_independent", "Linearity error, independent line", &straight->independent,
         0.65},
        {"linearity_zero_based", "Linearity error, zero-based line", &straight->zero_based, 1.25},
        {"linearity_terminal", "Linearity error, terminal-based line", &straight->terminal, 1.25},
        {"linearity_least_squares", "Linearity error, least-squares line", &straight->least_squares,
         1.1},
    };
    double freedom = INFINITY, u = reason ? NAN : level_u(work, loop, &freedom);
    for (size_t i = 0; i < sizeof lines / sizeof *lines; i++) {
        struct result *result = add(work, lines[i].name, lines[i].title, "% of span", err);
        if (!result)
            return err->code;
        if (reason) {
            result_refuse(result, "%s", reason);
            continue;
        }
        double scale = 100 / straight->span * lines[i].factor;
        result_contribute(result, "readings of the dwells", 'A', scale * u, freedom);
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
    double u_percent = reason ? NAN : 100 / loop->span * hypot(u * 2, place_u(work));
    int code = extent(work, "hysteresis_within_pair", "Hysteresis, within one pair",
                      &loop->within_pair, u_percent, freedom,
                      "largest difference of rising and falling in one pair (43 CFR 3175.135)",
                      reason, err);
    if (!code)
        code = extent(work, "hysteresis_of_means", "Hysteresis, between means of passes",
                      &loop->of_means, u_percent, freedom,
                      "largest difference of the means of rising and falling passes", reason, err);
    if (!code) {
        double spread_u = 100 / loop->span * loop->pooled_sd;
        code = extent(work, "repeatability", "Repeatability", &loop->repeatability,
                      reason ? NAN : spread_u, loop->pooled_dof,
                      "largest spread of passes from one side (43 CFR 3175.135)", reason, err);
    }
    return code;
}

/* Where stairs turn round there is a dwell from one side only. Its mean of both sides is
 * taken half a loop away, by the mean loop of the other levels. */
static double half_loop(const struct levels *levels)
{
    double sum = 0, count = 0;
    for (size_t i = 0; i < levels->count; i++)
        if (isfinite(levels->level[i].rising) && isfinite(levels->level[i].falling)) {
            sum += (levels->level[i].falling - levels->level[i].rising) / 2;
            count++;
        }
    return count > 0 ? sum / count : 0;
}

static double centre_of(const struct level *level, double half)
{
    if (isfinite(level->rising) && !isfinite(level->falling))
        return level->rising + half;
    if (isfinite(level->falling) && !isfinite(level->rising))
        return level->falling - half;
    return level->mean;
}

static int keep_levels(struct fit_work *work, const struct levels *levels, struct rig_err *err)
{
    struct fit *fit = work->fit;
    fit->levels_mm = calloc(levels->count + 1, sizeof *fit->levels_mm);
    if (!fit->levels_mm)
        return rig_fail_memory(err, "the levels of the stairs");
    for (size_t i = 0; i < levels->count; i++)
        fit->levels_mm[i] = levels->level[i].depth;
    fit->level_count = levels->count;
    return RIG_OK;
}

static int from_levels(struct fit_work *work, const struct levels *levels, struct rig_err *err)
{
    struct hysteresis loop;
    struct straightness straight;
    struct rig_err why = {0};
    double half = half_loop(levels);
    int code = keep_levels(work, levels, err);
    double *depth = calloc(levels->count + 1, sizeof *depth);
    double *mean = calloc(levels->count + 1, sizeof *mean);
    if (!code && (!depth || !mean))
        code = rig_fail_memory(err, "the levels of the stairs");
    if (!code) {
        for (size_t i = 0; i < levels->count; i++) {
            depth[i] = levels->level[i].depth;
            mean[i] = centre_of(&levels->level[i], half);
        }
        hysteresis_of(&loop, levels);
        bool known = straightness_of(&straight, depth, mean, levels->count, &why) == RIG_OK;
        code = straight_results(work, &straight, &loop, known ? NULL : why.text, err);
    }
    if (!code)
        code = loop_results(work, &loop, NULL, err);
    free(depth);
    free(mean);
    return code;
}

int fit_straight(struct fit_work *work, struct rig_err *err)
{
    struct stair_table table = {0};
    struct levels levels = {0};
    struct rig_err why = {0};
    int code = gather(work, &table, err);
    if (!code && (table.n < 3 || !work->has_curve)) {
        const char *reason = "it takes stairs with settled dwells at three depths or more";
        struct hysteresis none = {0};
        struct straightness nothing = {0};
        code = straight_results(work, &nothing, &none, reason, err);
        if (!code)
            code = loop_results(work, &none, reason, err);
    } else if (!code) {
        struct level_readings readings = {.n = table.n,
                                          .depth = table.depth,
                                          .reading = table.reading,
                                          .direction = table.direction,
                                          .cycle = table.cycle};
        code = levels_of(&levels, &readings, curve_value, &work->curve, &why);
        if (code)
            *err = why;
        else
            code = from_levels(work, &levels, err);
    }
    levels_free(&levels);
    free_table(&table);
    return code;
}
