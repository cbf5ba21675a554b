/* SPDX-License-Identifier: GPL-3.0-or-later
 * Two sides, a quantity at a time; then all of them together. */
#include "results/compare.h"

#include "results/compare_parts.h"
#include "results/significance.h"
#include "results/student.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* In the order in which people ask; what isn't here is not compared: by-products, and numbers
 * such as one frequency's phase of which a recording has many. */
static const struct {
    const char *name;
    enum compare_pairing pairing;
    enum compare_of_ramps of_ramps;
} asked[] = {
    {"cling_difference", PAIR_RAMPS, RAMPS_DIFFERENCE},
    {"lag_falling", PAIR_RAMPS, RAMPS_FALLING},
    {"lag_rising", PAIR_RAMPS, RAMPS_RISING},
    {"hysteresis_at_rest", PAIR_WIDTHS, 0},
    {"step_lag_falling", PAIR_STEPS, 0},
    {"step_lag_rising", PAIR_STEPS, 0},
    {"step_dead_time_falling", PAIR_STEPS, 0},
    {"step_dead_time_rising", PAIR_STEPS, 0},
    {"step_time_constant_falling", PAIR_STEPS, 0},
    {"step_time_constant_rising", PAIR_STEPS, 0},
    {"step_settling_falling", PAIR_STEPS, 0},
    {"step_settling_rising", PAIR_STEPS, 0},
    {"link_lag_controller", PAIR_NOTHING, 0},
    {"link_rest_controller", PAIR_NOTHING, 0},
    {"update_interval_controller", PAIR_NOTHING, 0},
    {"link_lag_actuator", PAIR_NOTHING, 0},
    {"link_rest_actuator", PAIR_NOTHING, 0},
    {"update_interval_actuator", PAIR_NOTHING, 0},
    {"bandwidth", PAIR_NOTHING, 0},
    {"sine_mean_lag", PAIR_NOTHING, 0},
    {"sensitivity", PAIR_NOTHING, 0},
    {"reading_low", PAIR_NOTHING, 0},
    {"reading_middle", PAIR_NOTHING, 0},
    {"reading_high", PAIR_NOTHING, 0},
    {"linearity_independent", PAIR_NOTHING, 0},
    {"hysteresis_of_means", PAIR_NOTHING, 0},
    {"dead_band", PAIR_NOTHING, 0},
    {"noise_sd", PAIR_NOTHING, 0},
    {"resolution", PAIR_NOTHING, 0},
    {"zero_drift", PAIR_NOTHING, 0},
    {"span_drift", PAIR_NOTHING, 0},
    {"evaporation", PAIR_NOTHING, 0},
};

/* Alike in every recording on one rig, so it drops out of a difference. The tie of the clocks
 * and the datum do not: each run has its own. */
static bool of_the_rig(const char *line)
{
    static const char *const lines[] = {"backlash of the axis", "steps of the axis",
                                        "delay of the board's line"};
    for (size_t i = 0; i < sizeof lines / sizeof *lines; i++)
        if (strcmp(line, lines[i]) == 0)
            return true;
    return false;
}

/* What scatters from pass to pass, which pairs tell better. */
static bool of_the_passes(const char *line)
{
    return strncmp(line, "replication", 11) == 0 || strcmp(line, "fit of the steps") == 0;
}

/* ---- one side ---- */

/* Mean of a side's recordings; `from` keeps the first one's words. */
static bool side_value(const struct compare_side *side, const char *name, double *mean,
                       const struct result **from, char reason[RESULT_TEXT_SIZE])
{
    double sum = 0;
    *from = NULL;
    *mean = NAN;
    for (size_t i = 0; i < side->count; i++) {
        const struct result *result = result_find(&side->fits[i]->results, name);
        if (!result) {
            snprintf(reason, RESULT_TEXT_SIZE, "not every recording was asked for it");
            return false;
        }
        if (!*from)
            *from = result;
        if (!isfinite(result->value)) {
            snprintf(reason, RESULT_TEXT_SIZE, "%s",
                     *result->reason ? result->reason : "a recording does not tell");
            return false;
        }
        sum += result->value;
    }
    *mean = sum / (double)side->count;
    return true;
}

/* The type A lines of one result as one. */
static struct estimate scatter_of(const struct result *result, bool keep_passes)
{
    double variance = 0, inverse = 0;
    if (result->budget_count == 0 && isfinite(result->standard_uncertainty)) /* of one line only */
        return (struct estimate){result->value, result->standard_uncertainty,
                                 result->degrees_of_freedom};
    for (size_t i = 0; i < result->budget_count; i++) {
        const struct result_contribution *line = &result->budget[i];
        if (line->type != 'A' || (!keep_passes && of_the_passes(line->name)))
            continue;
        double square = line->standard_uncertainty * line->standard_uncertainty;
        variance += square;
        inverse += isfinite(line->degrees_of_freedom) && line->degrees_of_freedom > 0
                       ? square * square / line->degrees_of_freedom
                       : 0;
    }
    return (struct estimate){result->value, sqrt(variance),
                             inverse > 0 ? variance * variance / inverse : (double)INFINITY};
}

/* How well the side's mean is known by what scatters: by the passes within the recordings, or
 * by how the recordings differ, whichever is more. */
static struct estimate side_scatter(const struct compare_side *side, const char *name, double mean,
                                    bool keep_passes)
{
    double variance = 0, inverse = 0, squares = 0, k = (double)side->count;
    for (size_t i = 0; i < side->count; i++) {
        const struct result *result = result_find(&side->fits[i]->results, name);
        struct estimate own = scatter_of(result, keep_passes);
        double square = own.u * own.u / k / k;
        variance += square;
        inverse += isfinite(own.dof) ? square * square / own.dof : 0;
        squares += (result->value - mean) * (result->value - mean);
    }
    double between = side->count > 1 ? squares / (k - 1) / k : 0;
    if (between > variance)
        return (struct estimate){mean, sqrt(between), k - 1};
    return (struct estimate){mean, sqrt(variance),
                             inverse > 0 ? variance * variance / inverse : (double)INFINITY};
}

/* Lines that don't scatter within a side: the largest of its recordings. */
static void contribute_known(struct result *difference, const struct compare_side *side,
                             const char *name, const char *which, bool same_rig)
{
    const struct result *first = result_find(&side->fits[0]->results, name);
    for (size_t i = 0; i < first->budget_count; i++) {
        const struct result_contribution *line = &first->budget[i];
        if (line->type == 'A' || (same_rig && of_the_rig(line->name)))
            continue;
        double u = 0;
        for (size_t k = 0; k < side->count; k++) {
            const struct result *other = result_find(&side->fits[k]->results, name);
            for (size_t m = 0; m < other->budget_count; m++)
                if (strcmp(other->budget[m].name, line->name) == 0)
                    u = fmax(u, other->budget[m].standard_uncertainty);
        }
        char words[RESULT_NAME_SIZE];
        snprintf(words, sizeof words, "%s: %.50s", which, line->name);
        if (line->rectangular)
            result_contribute_within(difference, words, sqrt(3) * u);
        else
            result_contribute(difference, words, 'B', u, line->degrees_of_freedom);
    }
}

/* ---- one quantity ---- */

static struct estimate paired(const struct compare_side *before, const struct compare_side *after,
                              size_t which, size_t *pairs)
{
    const struct fit *first = before->fits[0], *second = after->fits[0];
    switch (asked[which].pairing) {
    case PAIR_RAMPS:
        return compare_ramps(first, second, asked[which].of_ramps, pairs);
    case PAIR_WIDTHS:
        return compare_widths(first, second, pairs);
    case PAIR_STEPS:
        return compare_steps(first, second, asked[which].name, pairs);
    default:
        *pairs = 0;
        return ESTIMATE_UNKNOWN;
    }
}

static void contribute_scatter(struct result *difference, const char *words,
                               struct estimate scatter)
{
    if (scatter.u > 0)
        result_contribute(difference, words, 'A', scatter.u, scatter.dof);
}

static void judge_ratio(struct compare_row *row, const struct compare_side *before,
                        const struct compare_side *after, const char *name)
{
    double u[2] = {0, 0}, dof = INFINITY;
    const struct compare_side *const sides[2] = {before, after};
    for (int s = 0; s < 2; s++) {
        struct estimate scatter = side_scatter(sides[s], name, s ? row->after : row->before, true);
        double all = 0;
        for (size_t i = 0; i < sides[s]->count; i++)
            all = fmax(all, result_find(&sides[s]->fits[i]->results, name)->standard_uncertainty);
        u[s] = fmax(scatter.u, isfinite(all) ? all : 0);
        dof = fmin(dof, scatter.dof);
    }
    row->ratio =
        compare_ratio(row->after, u[1], row->before, u[0], dof, &row->ratio_low, &row->ratio_high);
}

/* Quantities of the curve's ends or of its middle: a level more or less makes them others. */
static bool of_the_range(const char *name)
{
    static const char *const names[] = {"sensitivity", "reading_", "resolution", "linearity_",
                                        "hysteresis_of_means"};
    for (size_t i = 0; i < sizeof names / sizeof *names; i++)
        if (strncmp(name, names[i], strlen(names[i])) == 0)
            return true;
    return false;
}

static bool of_one_range(const struct compare_side *before, const struct compare_side *after)
{
    static const double same_mm = 0.5;
    const struct fit *first = before->fits[0];
    const struct compare_side *const sides[2] = {before, after};
    for (int s = 0; s < 2; s++)
        for (size_t i = 0; i < sides[s]->count; i++)
            if (fabs(sides[s]->fits[i]->low_mm - first->low_mm) > same_mm ||
                fabs(sides[s]->fits[i]->high_mm - first->high_mm) > same_mm)
                return false;
    return true;
}

static void compare_one(struct compare_row *row, size_t which, const struct compare_side *before,
                        const struct compare_side *after, const struct compare_options *options)
{
    const char *name = asked[which].name;
    const struct result *words, *other;
    char reason[RESULT_TEXT_SIZE] = "", reason_after[RESULT_TEXT_SIZE] = "";
    bool known = side_value(before, name, &row->before, &words, reason);
    bool known_after = side_value(after, name, &row->after, &other, reason_after);
    struct result *difference = &row->difference;
    snprintf(difference->name, sizeof difference->name, "%s", name);
    const struct result *named = words ? words : other;
    snprintf(difference->title, sizeof difference->title, "%s", named ? named->title : name);
    snprintf(difference->unit, sizeof difference->unit, "%s", named ? named->unit : "");
    row->ratio = row->ratio_low = row->ratio_high = NAN;
    row->p = row->p_corrected = row->smallest = NAN;
    if (!known || !known_after) {
        result_refuse(difference, "%s: %.200s", known ? "after" : "before",
                      known ? reason_after : reason);
        return;
    }
    if (strcmp(words->unit, other->unit) != 0) {
        result_refuse(difference, "before it is in %s, after in %s", words->unit, other->unit);
        return;
    }
    if (of_the_range(name) && !of_one_range(before, after)) {
        const struct fit *first = before->fits[0], *second = after->fits[0];
        result_refuse(difference,
                      "it hangs on the depths that the curve covers, and they differ: %.4g mm to "
                      "%.4g mm in the first recording before, %.4g mm to %.4g mm after",
                      first->low_mm, first->high_mm, second->low_mm, second->high_mm);
        return;
    }
    struct estimate pairs = ESTIMATE_UNKNOWN;
    if (options->same_plan && before->count == 1 && after->count == 1)
        pairs = paired(before, after, which, &row->pairs);
    bool by_pairs = isfinite(pairs.value) && isfinite(pairs.u);
    if (by_pairs)
        result_contribute(difference, "scatter of the pairs", 'A', pairs.u, pairs.dof);
    else
        row->pairs = 0;
    contribute_scatter(difference, "before: scatter",
                       side_scatter(before, name, row->before, !by_pairs));
    contribute_scatter(difference, "after: scatter",
                       side_scatter(after, name, row->after, !by_pairs));
    contribute_known(difference, before, name, "before", options->same_rig);
    contribute_known(difference, after, name, "after", options->same_rig);
    if (difference->budget_count == 0) {
        result_refuse(difference, "neither side says how far it may be off");
        return;
    }
    result_combine(difference, by_pairs ? pairs.value : row->after - row->before,
                   by_pairs ? "differences of the same segments"
                            : "difference of the sides' means");
    if (!isfinite(difference->low_95)) {
        char why[RESULT_TEXT_SIZE];
        snprintf(why, sizeof why, "%s", difference->reason);
        result_refuse(difference, "%.200s", *why ? why : "too few passes for an interval");
        return;
    }
    double u = difference->standard_uncertainty, dof = difference->degrees_of_freedom;
    row->p = u > 0 ? student_p_two_sided(difference->value / u, dof) : (double)NAN;
    row->smallest = smallest_difference(u, dof, 0.05, 0.8);
    judge_ratio(row, before, after, name);
}

double compare_ratio(double a, double u_a, double b, double u_b, double dof, double *low,
                     double *high)
{
    *low = *high = NAN;
    if (!isfinite(a) || !isfinite(b) || b == 0)
        return NAN;
    double t = student_coverage(0.95, dof), g = t * u_b / b;
    double ratio = a / b;
    /* (a - r b)^2 <= t^2 (u_a^2 + r^2 u_b^2), solved for r. */
    double leading = 1 - g * g;
    if (!(leading > 0) || !isfinite(t))
        return ratio;
    double root = ratio * ratio - leading * (ratio * ratio - t * t * u_a * u_a / b / b);
    if (root < 0)
        return ratio;
    *low = (ratio - sqrt(root)) / leading;
    *high = (ratio + sqrt(root)) / leading;
    return ratio;
}

/* ---- all ---- */

static bool asked_of(const struct compare_side *side, const char *name)
{
    for (size_t i = 0; i < side->count; i++)
        if (result_find(&side->fits[i]->results, name))
            return true;
    return false;
}

static int decide(struct comparison *comparison, struct rig_err *err)
{
    double *p = calloc(2 * comparison->count + 1, sizeof *p), *corrected = p + comparison->count;
    if (!p)
        return rig_fail_memory(err, "a comparison");
    for (size_t i = 0; i < comparison->count; i++)
        p[i] = comparison->rows[i].p;
    int code = holm_correct(corrected, p, comparison->count, err);
    for (size_t i = 0; !code && i < comparison->count; i++) {
        struct compare_row *row = &comparison->rows[i];
        row->p_corrected = corrected[i];
        if (isfinite(row->difference.value))
            row->verdict = !(row->p_corrected < 0.05)  ? COMPARE_NOT_SHOWN
                           : row->difference.value < 0 ? COMPARE_LOWER
                                                       : COMPARE_HIGHER;
    }
    free(p);
    return code;
}

int compare_fits(struct comparison *comparison, const struct compare_side *before,
                 const struct compare_side *after, const struct compare_options *options,
                 struct rig_err *err)
{
    enum { ASKED = sizeof asked / sizeof *asked };
    comparison->count = 0;
    comparison->rows = calloc(ASKED, sizeof *comparison->rows);
    if (!comparison->rows)
        return rig_fail_memory(err, "a comparison");
    for (size_t i = 0; i < ASKED; i++)
        if (asked_of(before, asked[i].name) && asked_of(after, asked[i].name))
            compare_one(&comparison->rows[comparison->count++], i, before, after, options);
    int code = comparison->count ? decide(comparison, err)
                                 : rig_fail(err, RIG_EINPUT,
                                            "the two sides have no result in common; compare "
                                            "recordings of profiles that ask the same questions");
    if (code)
        comparison_free(comparison);
    return code;
}

void comparison_free(struct comparison *comparison)
{
    free(comparison->rows);
    *comparison = (struct comparison){0};
}

void compare_verdict_text(const struct compare_row *row, char text[RESULT_TEXT_SIZE])
{
    const struct result *difference = &row->difference;
    switch (row->verdict) {
    case COMPARE_LOWER:
        snprintf(text, RESULT_TEXT_SIZE, "lower");
        return;
    case COMPARE_HIGHER:
        snprintf(text, RESULT_TEXT_SIZE, "higher");
        return;
    case COMPARE_NOT_SHOWN:
        snprintf(text, RESULT_TEXT_SIZE, "no difference larger than %.2g%s%s shown",
                 fmax(fabs(difference->low_95), fabs(difference->high_95)),
                 strcmp(difference->unit, "1") == 0 ? "" : " ",
                 strcmp(difference->unit, "1") == 0 ? "" : difference->unit);
        return;
    case COMPARE_UNKNOWN:
        break;
    }
    snprintf(text, RESULT_TEXT_SIZE, "not known: %.230s", difference->reason);
}
