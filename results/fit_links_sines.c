/* SPDX-License-Identifier: GPL-3.0-or-later
 * Links of the chain: what a link made of each wave, beside what the link before it made of it. */
#include "results/fit_links.h"

#include "results/fit_sine.h"
#include "results/frequency.h"
#include "results/in_order.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

enum { MOST_WAVES = 8 }; /* of one family; more are taken evenly from a night */

struct waves {
    const struct link *link, *before;
    size_t *segments;
    struct sine_ratio *ratios;
    size_t count; /* of ratios */
};

/* One wave; of one thread. */
struct one {
    struct sine_ratio ratio;
    bool known;
};

static int fit_one(const void *whole, void *part, size_t item, struct in_order_worker *worker,
                   struct rig_err *err)
{
    (void)worker;
    const struct waves *all = whole;
    struct one *one = part;
    struct sine_fit input, output;
    struct rig_err why = {0};
    size_t segment = all->segments[item];
    int code = fit_inferred_sine(&all->before->work, segment, &input, &why);
    if (!code)
        code = fit_inferred_sine(&all->link->work, segment, &output, &why);
    if (!code)
        code = sine_compare(&one->ratio, &output, &input, 1, &why);
    one->known = code == RIG_OK;
    return code == RIG_EMEMORY ? rig_fail_memory(err, "a link's waves") : RIG_OK;
}

static int take_one(void *whole, void *part, size_t item, struct rig_err *err)
{
    (void)item;
    (void)err;
    struct waves *all = whole;
    const struct one *one = part;
    if (one->known)
        all->ratios[all->count++] = one->ratio;
    return RIG_OK;
}

static bool is_wave(const struct fit_work *work, size_t segment)
{
    double start_s, end_s;
    return plan_segments(work->plan)[segment].kind == SEGMENT_SINE &&
           digest_window(work->digests[work->sensor_source], segment, &start_s, &end_s);
}

/* How many; segments and met have room for all segments and families. */
static size_t list(const struct fit_work *work, size_t segments[], size_t met[])
{
    const struct plan_segment *segment = plan_segments(work->plan);
    size_t families = plan_family_count(work->plan), count = 0;
    size_t *all = met + families;
    for (size_t i = 0; i < plan_segment_count(work->plan); i++)
        all[segment[i].family] += is_wave(work, i);
    for (size_t i = 0; i < plan_segment_count(work->plan); i++)
        if (is_wave(work, i)) {
            size_t n = all[segment[i].family], k = met[segment[i].family]++;
            if (n <= MOST_WAVES || (k + 1) * MOST_WAVES / n != k * MOST_WAVES / n)
                segments[count++] = i;
        }
    return count;
}

static int response(struct link *link, const struct waves *all, struct rig_err *err)
{
    struct frequency_fit fit = {0};
    struct rig_err why = {0};
    const struct fit_work *work = &link->work;
    const struct frequency_options options = {
        .sample_interval_s = work->row_interval_s[work->sensor_source], .gain_at_rest = 1};
    int code = all->count ? frequency_estimate(&fit, all->ratios, all->count, &options, NULL, &why)
                          : rig_fail(&why, RIG_EUNKNOWABLE,
                                     "the profile has no sines that were run, or none is told");
    if (code == RIG_EMEMORY)
        return rig_fail_memory(err, "a link's waves");
    snprintf(link->wave_reason, sizeof link->wave_reason, "%.*s", RESULT_TEXT_SIZE - 1,
             code ? why.text : fit.bandwidth_reason);
    if (!code) {
        link->bandwidth_hz = fit.bandwidth_seen_hz;
        link->bandwidth_drawn_hz = fit.bandwidth_drawn_hz;
    }
    return RIG_OK;
}

int link_from_sines(struct link *link, const struct link *before, struct rig_err *err)
{
    const struct fit_work *work = &link->work;
    size_t room = plan_segment_count(work->plan) + 1;
    size_t *segments = calloc(room, sizeof *segments);
    size_t *met = calloc(2 * plan_family_count(work->plan) + 1, sizeof *met);
    struct waves all = {.link = link, .before = before, .segments = segments};
    int code = segments && met ? RIG_OK : rig_fail_memory(err, "a link's waves");
    if (!code) {
        size_t count = list(work, segments, met);
        all.ratios = calloc(count + 1, sizeof *all.ratios);
        const struct in_order job = {&all, sizeof(struct one), NULL, fit_one, take_one, NULL};
        code = all.ratios ? in_order_run(&job, count, work->threads, err)
                          : rig_fail_memory(err, "a link's waves");
    }
    if (!code)
        code = response(link, &all, err);
    free(all.ratios);
    free(segments);
    free(met);
    return code;
}
