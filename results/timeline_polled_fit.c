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

double polled_part(const struct polled *polled, const struct tie *tie, int part)
{
    bool waits = polled->strokes[tie->stroke].waits;
    return waits == (part == POLLED_QUEUE) ? (double)tie->bracket_s - polled->bracket_min_s : 0;
}

/* Weighted means of each stroke. */
static void average(struct polled *polled)
{
    for (size_t k = 0; k < polled->timeline->stroke_count; k++) {
        struct stroke_tie *own = &polled->strokes[k];
        own->weight = own->host_s = own->since_s = 0;
        for (int part = 0; part < POLLED_PARTS; part++)
            own->bracket_s[part] = 0;
        for (size_t i = own->first; i < own->first + own->count; i++) {
            const struct tie *tie = &polled->ties[i];
            if (!tie->used)
                continue;
            double weight = 1 / variance(polled, tie);
            own->weight += weight;
            double share = weight / own->weight;
            own->host_s += share * (tie->host_s - own->host_s);
            own->since_s += share * (tie->since_s - own->since_s);
            for (int part = 0; part < POLLED_PARTS; part++)
                own->bracket_s[part] +=
                    share * (polled_part(polled, tie, part) - own->bracket_s[part]);
        }
    }
}

/* A tie as columns: time since the start, then the parts of its bracket, each from the
 * stroke's mean. */
static void columns_of(const struct polled *polled, const struct tie *tie,
                       double column[1 + POLLED_PARTS])
{
    const struct stroke_tie *own = &polled->strokes[tie->stroke];
    column[0] = tie->since_s - own->since_s;
    for (int part = 0; part < POLLED_PARTS; part++)
        column[1 + part] = polled_part(polled, tie, part) - own->bracket_s[part];
}

static double residual(const struct polled *polled, const struct tie *tie)
{
    double column[1 + POLLED_PARTS];
    columns_of(polled, tie, column);
    double off = tie->host_s - polled->strokes[tie->stroke].host_s - polled->skew * column[0];
    for (int part = 0; part < POLLED_PARTS; part++)
        off -= polled->side[part] * column[1 + part];
    return off;
}

/* Solves a x = b for a symmetric positive a of three rows (Cramer's rule) and gives the
 * diagonal of its inverse. */
static void solve(double a[3][3], const double b[3], double x[3], double inverse[3])
{
    double determinant = 0, cofactor[3][3];
    for (int i = 0; i < 3; i++)
        for (int j = 0; j < 3; j++) {
            int r = (i + 1) % 3, s = (i + 2) % 3, t = (j + 1) % 3, u = (j + 2) % 3;
            cofactor[i][j] = a[r][t] * a[s][u] - a[r][u] * a[s][t];
        }
    for (int j = 0; j < 3; j++)
        determinant += a[0][j] * cofactor[0][j];
    for (int i = 0; i < 3; i++) {
        x[i] = 0;
        for (int j = 0; j < 3; j++)
            x[i] += cofactor[i][j] * b[j] / determinant;
        inverse[i] = cofactor[i][i] / determinant;
    }
}

/* Skew and sides from the deviations within strokes, by least squares with what is known
 * beforehand of each (a clock's skew; |side| <= 1, rectangular). */
static void regress(struct polled *polled)
{
    const double prior[3] = {1 / (TIMELINE_SKEW_PRIOR_U * TIMELINE_SKEW_PRIOR_U), 3, 3};
    double a[3][3] = {{0}}, b[3] = {0}, n = 0, strokes = 0, chi2 = 0;
    for (size_t i = 0; i < polled->count; i++) {
        const struct tie *tie = &polled->ties[i];
        if (!tie->used)
            continue;
        double weight = 1 / variance(polled, tie), column[3];
        double h = tie->host_s - polled->strokes[tie->stroke].host_s;
        columns_of(polled, tie, column);
        for (int k = 0; k < 3; k++) {
            for (int l = 0; l < 3; l++)
                a[k][l] += weight * column[k] * column[l];
            b[k] += weight * column[k] * h;
        }
        n++;
    }
    /* The priors don't share the ratio of the reports: scale them against it. */
    double ratio = polled->ratio, found[3], inverse[3];
    for (int k = 0; k < 3; k++)
        a[k][k] += prior[k] * ratio;
    solve(a, b, found, inverse);
    polled->skew = found[0];
    polled->skew_u = sqrt(ratio * inverse[0]);
    for (int part = 0; part < POLLED_PARTS; part++) {
        polled->side[part] = fmax(-1, fmin(1, found[1 + part]));
        polled->side_u[part] = sqrt(ratio * inverse[1 + part]);
    }
    for (size_t k = 0; k < polled->timeline->stroke_count; k++)
        strokes += polled->strokes[k].weight > 0;
    for (size_t i = 0; i < polled->count; i++)
        if (polled->ties[i].used) {
            double off = residual(polled, &polled->ties[i]) / tie_sigma(polled, &polled->ties[i]);
            chi2 += off * off;
        }
    polled->ratio = fmax(1, chi2 / fmax(n - strokes - 3, 1));
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
    double freedom = n - strokes - 3;
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
    polled->bracket_min_s = INFINITY;
    for (size_t i = 0; i < polled->count; i++)
        if (polled->ties[i].used)
            polled->bracket_min_s = fmin(polled->bracket_min_s, (double)polled->ties[i].bracket_s);
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
}

double polled_start(const struct polled *polled, size_t stroke, double *u_s)
{
    const struct stroke_tie *own = &polled->strokes[stroke];
    *u_s = sqrt(polled->ratio / own->weight);
    double start = own->host_s - polled->skew * own->since_s;
    for (int part = 0; part < POLLED_PARTS; part++)
        start -= polled->side[part] * own->bracket_s[part];
    return start;
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
