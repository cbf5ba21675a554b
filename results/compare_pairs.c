/* SPDX-License-Identifier: GPL-3.0-or-later
 * Passes of the same segment in two recordings: what both have alike, as the curve's misfit
 * at that depth, drops out of their difference. */
#include "results/compare_parts.h"
#include "results/loop.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static const struct fit_pass *same_pass(const struct fit *fit, const struct fit_pass *pass,
                                        size_t *from)
{
    for (size_t n = 0; n < fit->pass_count; n++) {
        const struct fit_pass *other = &fit->passes[(*from + n) % fit->pass_count];
        if (other->kind == pass->kind && other->segment == pass->segment &&
            (pass->kind == FIT_PASS_RAMP || other->x == pass->x)) {
            *from = (*from + n + 1) % fit->pass_count;
            return other;
        }
    }
    return NULL;
}

/* Ramps that both have, with the difference as value, in order; the caller frees. */
static struct fit_pass *ramp_differences(const struct fit *before, const struct fit *after,
                                         size_t *count)
{
    struct fit_pass *made = calloc(after->pass_count + 1, sizeof *made);
    size_t from = 0;
    *count = 0;
    for (size_t i = 0; made && i < after->pass_count; i++) {
        const struct fit_pass *pass = &after->passes[i];
        const struct fit_pass *other =
            pass->kind == FIT_PASS_RAMP ? same_pass(before, pass, &from) : NULL;
        if (!other)
            continue;
        made[*count] = *pass;
        made[(*count)++].value -= other->value;
    }
    return made;
}

struct estimate compare_ramps(const struct fit *before, const struct fit *after,
                              enum compare_of_ramps which, size_t *pairs)
{
    struct fit_pass *passes = ramp_differences(before, after, pairs);
    struct loop_offset *offsets = calloc(*pairs + 1, sizeof *offsets);
    struct loop_directions loop;
    struct estimate made = ESTIMATE_UNKNOWN;
    for (size_t i = 0; passes && offsets && i < *pairs; i++)
        offsets[i] = (struct loop_offset){.speed_mm_s = passes[i].x,
                                          .direction = passes[i].direction,
                                          .at_s = passes[i].host_s,
                                          .offset_mm = -passes[i].direction * passes[i].value};
    if (passes && offsets && loop_by_direction(&loop, offsets, *pairs, 0, NULL) == RIG_OK)
        made = which == RAMPS_RISING    ? loop.lag_rising_s
               : which == RAMPS_FALLING ? loop.lag_falling_s
                                        : loop.lag_difference_s;
    free(passes);
    free(offsets);
    return made;
}

struct estimate compare_widths(const struct fit *before, const struct fit *after, size_t *pairs)
{
    size_t count;
    struct fit_pass *passes = ramp_differences(before, after, &count);
    struct loop_pass *loops = calloc(count + 1, sizeof *loops);
    struct loop_fit loop;
    struct estimate made = ESTIMATE_UNKNOWN;
    *pairs = 0;
    for (size_t i = 0; passes && loops && i + 1 < count; i++) {
        const struct fit_pass *first = &passes[i], *second = &passes[i + 1];
        if (first->direction == second->direction || fabs(first->x - second->x) > 0.02 * first->x)
            continue;
        loops[(*pairs)++] =
            (struct loop_pass){.speed_mm_s = first->x, .width_mm = first->value + second->value};
        i++;
    }
    if (passes && loops && loop_separate(&loop, loops, *pairs, 0, NULL) == RIG_OK)
        made = loop.hysteresis_mm;
    free(passes);
    free(loops);
    return made;
}

struct estimate compare_steps(const struct fit *before, const struct fit *after, const char *name,
                              size_t *pairs)
{
    double sum = 0, squares = 0;
    size_t from = 0;
    *pairs = 0;
    for (size_t i = 0; i < after->pass_count; i++) {
        const struct fit_pass *pass = &after->passes[i];
        char own[RESULT_NAME_SIZE];
        if (pass->kind != FIT_PASS_STEP)
            continue;
        snprintf(own, sizeof own, "%s_%s", fit_step_quantity((size_t)pass->x),
                 pass->direction > 0 ? "rising" : "falling");
        const struct fit_pass *other =
            strcmp(own, name) == 0 ? same_pass(before, pass, &from) : NULL;
        if (!other)
            continue;
        double difference = pass->value - other->value;
        sum += difference;
        squares += difference * difference;
        (*pairs)++;
    }
    if (*pairs < 3)
        return ESTIMATE_UNKNOWN;
    double n = (double)*pairs, mean = sum / n;
    return (struct estimate){mean, sqrt(fmax(0, squares - n * mean * mean) / (n - 1) / n), n - 1};
}
