/* SPDX-License-Identifier: GPL-3.0-or-later
 * The fit of all position reports at once: the strokes' starts, the skew, on which side
 * of its bracket a report was true, and how much that varies. */
#include "results/timeline_polled.h"

#include <math.h>

enum { ROUNDS = 5 };

/* The floor keeps a report from ruling alone. */
static double variance(const struct polled *polled, const struct tie *tie)
{
    double position = tie->position_s, moment = polled->kappa * (double)tie->bracket_s;
    return position * position + moment * moment + 1e-10;
}

double tie_sigma(const struct polled *polled, const struct tie *tie)
{
    return sqrt(variance(polled, tie));
}

/* Weighted means of each stroke. */
static void average(struct polled *polled)
{
    for (size_t k = 0; k < polled->timeline->stroke_count; k++) {
        struct stroke_tie *own = &polled->strokes[k];
        own->weight = own->host_s = own->since_s = own->bracket_s = 0;
        for (size_t i = own->first; i < own->first + own->count; i++) {
            const struct tie *tie = &polled->ties[i];
            if (!tie->used)
                continue;
            double weight = 1 / variance(polled, tie);
            own->weight += weight;
            double share = weight / own->weight;
            own->host_s += share * (tie->host_s - own->host_s);
            own->since_s += share * (tie->since_s - own->since_s);
            own->bracket_s += share * (tie->bracket_s - own->bracket_s);
        }
    }
}

static double residual(const struct polled *polled, const struct tie *tie)
{
    const struct stroke_tie *own = &polled->strokes[tie->stroke];
    return tie->host_s - own->host_s - polled->skew * (tie->since_s - own->since_s) -
           polled->side * (tie->bracket_s - own->bracket_s);
}

/* Skew and side from the deviations within strokes, by least squares with what is known
 * beforehand of both (a clock's skew; |side| <= 1, rectangular). */
static void regress(struct polled *polled)
{
    double prior_skew = 1 / (TIMELINE_SKEW_PRIOR_U * TIMELINE_SKEW_PRIOR_U), prior_side = 3;
    double ss = 0, sb = 0, bb = 0, sh = 0, bh = 0, n = 0, strokes = 0, chi2 = 0;
    for (size_t i = 0; i < polled->count; i++) {
        const struct tie *tie = &polled->ties[i];
        if (!tie->used)
            continue;
        const struct stroke_tie *own = &polled->strokes[tie->stroke];
        double weight = 1 / variance(polled, tie);
        double s = tie->since_s - own->since_s, b = tie->bracket_s - own->bracket_s;
        double h = tie->host_s - own->host_s;
        ss += weight * s * s;
        sb += weight * s * b;
        bb += weight * b * b;
        sh += weight * s * h;
        bh += weight * b * h;
        n++;
    }
    /* The priors don't share the ratio of the reports: scale them against it. */
    double ratio = polled->ratio;
    ss += prior_skew * ratio;
    bb += prior_side * ratio;
    double determinant = ss * bb - sb * sb;
    polled->skew = (sh * bb - bh * sb) / determinant;
    polled->side = fmax(-1, fmin(1, (bh * ss - sh * sb) / determinant));
    polled->skew_u = sqrt(ratio * bb / determinant);
    polled->side_u = sqrt(ratio * ss / determinant);
    for (size_t k = 0; k < polled->timeline->stroke_count; k++)
        strokes += polled->strokes[k].weight > 0;
    for (size_t i = 0; i < polled->count; i++)
        if (polled->ties[i].used) {
            double off = residual(polled, &polled->ties[i]) / tie_sigma(polled, &polled->ties[i]);
            chi2 += off * off;
        }
    polled->ratio = fmax(1, chi2 / fmax(n - strokes - 2, 1));
}

/* How much the moment varies within a bracket, once its side is known: what the
 * residuals hold beyond the rounding of positions. Few reports: as it was. */
static void learn_moment(struct polled *polled)
{
    double beyond = 0, bracket2 = 0, n = 0, strokes = 0;
    for (size_t k = 0; k < polled->timeline->stroke_count; k++)
        strokes += polled->strokes[k].weight > 0;
    for (size_t i = 0; i < polled->count; i++)
        n += polled->ties[i].used;
    double freedom = n - strokes - 2;
    if (freedom < 10)
        return;
    for (size_t i = 0; i < polled->count; i++) {
        const struct tie *tie = &polled->ties[i];
        if (!tie->used)
            continue;
        double weight = 1 / variance(polled, tie), off = residual(polled, tie);
        double position = tie->position_s, bracket = tie->bracket_s;
        beyond += weight * (off * off * n / freedom - position * position);
        bracket2 += weight * bracket * bracket;
    }
    polled->kappa = bracket2 > 0 ? sqrt(fmax(0, beyond / bracket2)) : 0;
}

void polled_fit(struct polled *polled)
{
    polled->ratio = 1;
    for (int round = 0; round < ROUNDS; round++) {
        average(polled);
        regress(polled);
        double limit = 4 * sqrt(polled->ratio);
        if (round + 1 == ROUNDS)
            break;
        for (size_t i = 0; i < polled->count; i++) {
            struct tie *tie = &polled->ties[i];
            tie->used = fabs(residual(polled, tie)) <= limit * tie_sigma(polled, tie);
        }
        learn_moment(polled);
    }
    polled->bracket_min_s = INFINITY;
    for (size_t i = 0; i < polled->count; i++)
        if (polled->ties[i].used)
            polled->bracket_min_s = fmin(polled->bracket_min_s, (double)polled->ties[i].bracket_s);
}

double polled_start(const struct polled *polled, size_t stroke, double *u_s)
{
    const struct stroke_tie *own = &polled->strokes[stroke];
    *u_s = sqrt(polled->ratio / own->weight);
    return own->host_s - polled->skew * own->since_s -
           polled->side * (own->bracket_s - polled->bracket_min_s);
}

struct delay polled_delay(const struct polled *polled)
{
    struct delay delay = {0};
    double w = 0, w2 = 0, mean = 0, q = 0;
    for (size_t k = 0; k < polled->timeline->stroke_count; k++) {
        if (polled->strokes[k].weight == 0)
            continue;
        double u, start = polled_start(polled, k, &u), weight = 1 / (u * u);
        w += weight;
        w2 += weight * weight;
        mean += weight / w * (start - polled->times[k].sent_s - mean);
        delay.strokes++;
    }
    if (delay.strokes == 0)
        return delay;
    for (size_t k = 0; k < polled->timeline->stroke_count; k++)
        if (polled->strokes[k].weight > 0) {
            double u, start = polled_start(polled, k, &u);
            double off = (start - polled->times[k].sent_s - mean) / u;
            q += off * off;
        }
    double scale = w - w2 / w;
    double between2 = scale > 0 ? fmax(0, (q - ((double)delay.strokes - 1)) / scale) : 0;
    w = mean = 0;
    for (size_t k = 0; k < polled->timeline->stroke_count; k++)
        if (polled->strokes[k].weight > 0) {
            double u, start = polled_start(polled, k, &u), weight = 1 / (u * u + between2);
            w += weight;
            mean += weight / w * (start - polled->times[k].sent_s - mean);
        }
    delay.mean_s = mean;
    delay.mean_u_s = 1 / sqrt(w);
    delay.between_s = sqrt(between2);
    return delay;
}
