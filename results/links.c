/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "results/links.h"

#include <math.h>
#include <stdlib.h>

int link_step(struct step_fit *fit, const struct sample before[], size_t before_count,
              const struct sample after[], size_t after_count, struct rig_err *err)
{
    if (before_count < 4 || after_count < 4)
        return rig_fail(err, RIG_EUNKNOWABLE, "too few readings around a step");
    struct motion_piece *pieces = calloc(before_count, sizeof *pieces);
    if (!pieces)
        return rig_fail_memory(err, "a link's input");
    size_t count = 0;
    for (size_t i = 0; i + 1 < before_count; i++) {
        double length_s = before[i + 1].t_s - before[i].t_s;
        if (length_s > 0)
            pieces[count++] = (struct motion_piece){
                .start_s = before[i].t_s,
                .end_s = before[i + 1].t_s,
                .d0_mm = before[i].value,
                .v0_mm_s = (before[i + 1].value - before[i].value) / length_s};
    }
    const struct step_options options = {.kinds = 1u << RESPONSE_FIRST_ORDER};
    int code =
        step_estimate(fit, pieces, count, before[0].value, after, after_count, &options, NULL, err);
    free(pieces);
    return code;
}

static double fastest(const struct sample samples[], size_t count, double window_s)
{
    double most = 0;
    for (size_t i = 0, k = 0; i < count; i++) {
        while (k < count && samples[k].t_s - samples[i].t_s < window_s)
            k++;
        if (k < count)
            most = fmax(most, fabs(samples[k].value - samples[i].value) /
                                  (samples[k].t_s - samples[i].t_s));
    }
    return most;
}

struct link_rate link_rate_of(const struct sample before[], size_t before_count,
                              const struct sample after[], size_t after_count, double window_s)
{
    struct link_rate rate = {.most_mm_s = fastest(after, after_count, window_s),
                             .input_mm_s = fastest(before, before_count, window_s)};
    if (!(rate.most_mm_s > 0))
        return (struct link_rate){0};
    double way = fabs(after[after_count - 1].value - after[0].value), steady = 0;
    /* Window by window, so that no stretch counts twice. */
    for (size_t i = 0, k = 0; i < after_count && k < after_count; i = k) {
        while (k < after_count && after[k].t_s - after[i].t_s < window_s)
            k++;
        if (k == after_count)
            break;
        double moved = fabs(after[k].value - after[i].value);
        if (moved / (after[k].t_s - after[i].t_s) > 0.9 * rate.most_mm_s)
            steady += moved;
    }
    rate.share = way > 0 ? steady / way : 0;
    return rate;
}
