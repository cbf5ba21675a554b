/* SPDX-License-Identifier: GPL-3.0-or-later
 * The fit of all position reports at once: the strokes' starts, the skew, on which side
 * of its bracket a report was true, and how much that varies. */
#include "results/timeline_polled.h"

#include <math.h>

enum { ROUNDS = 5 };

/* The half bracket that the moment is random in; a wait is on its side for certain. */
static double bracket_of(const struct polled *polled, const struct tie *tie)
{
    return polled->strokes[tie->stroke].waits ? polled->bracket_min_s + polled->delay_part_s
                                              : (double)tie->bracket_s;
}

/* Without the moment. Behind a wait the delay that varies is not seen, and the wait's side is
 * taken off it too. The floor keeps a report from ruling alone. */
static double known_variance(const struct polled *polled, const struct tie *tie)
{
    double position = tie->position_s, unseen = 0;
    if (polled->strokes[tie->stroke].waits)
        unseen = (polled->side[POLLED_DELAY] - polled->side[POLLED_QUEUE]) * polled->delay_part_sd;
    return position * position + unseen * unseen + 1e-10;
}

static double variance(const struct polled *polled, const struct tie *tie)
{
    double moment = polled->kappa * bracket_of(polled, tie);
    return known_variance(polled, tie) + moment * moment;
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

double stroke_part(const struct polled *polled, const struct stroke_tie *own, int part)
{
    if (!own->waits)
        return own->bracket_s[part];
    double delay_s = POLLED_DELAYS_IN_QUEUE * polled->delay_part_s;
    return part == POLLED_DELAY ? delay_s : own->bracket_s[part] - delay_s;
}

/* How the delay varies where nothing waits. */
static void learn_delay_part(struct polled *polled)
{
    double n = 0, mean = 0, square = 0;
    for (size_t i = 0; i < polled->count; i++) {
        const struct tie *tie = &polled->ties[i];
        if (!tie->used || polled->strokes[tie->stroke].waits)
            continue;
        double off = polled_part(polled, tie, POLLED_DELAY) - mean;
        n++;
        mean += off / n;
        square += off * (polled_part(polled, tie, POLLED_DELAY) - mean);
    }
    polled->delay_part_s = mean;
    polled->delay_part_sd = n > 1 ? sqrt(square / (n - 1)) : 0;
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

double polled_off(const struct polled *polled, const struct tie *tie)
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

/* The bracket of a question that waits is the wait and, on a side of its own, the delay that
 * varies: taken together their slope lies between both sides. What the delay adds to the sums is
 * known where nothing waits (correction for attenuation: W. A. Fuller, Measurement Error Models,
 * Wiley 1987, section 1.2). */
static void unmix_queue(const struct polled *polled, double *square, double *product)
{
    double sum = 0, part2 = polled->delay_part_sd * polled->delay_part_sd;
    for (size_t i = 0; i < polled->count; i++)
        if (polled->ties[i].used && polled->strokes[polled->ties[i].stroke].waits)
            sum += part2 / variance(polled, &polled->ties[i]);
    if (sum > *square / 2)
        return; /* mostly delay: there is no wait to tell */
    *square -= sum;
    *product -= polled->side[POLLED_DELAY] * sum;
}

/* Skew and sides from the deviations within strokes, by least squares with what is known
 * beforehand of each (a clock's skew; |side| <= 1, rectangular). */
static void regress(struct polled *polled)
{
    const double prior[3] = {1 / (polled->prior_skew_u * polled->prior_skew_u), 3, 3};
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
    unmix_queue(polled, &a[1 + POLLED_QUEUE][1 + POLLED_QUEUE], &b[1 + POLLED_QUEUE]);
    /* The priors don't share the ratio of the reports: scale them against it. */
    double ratio = polled->ratio, found[3], inverse[3];
    for (int k = 0; k < 3; k++)
        a[k][k] += prior[k] * ratio;
    b[0] += prior[0] * ratio * polled->prior_skew;
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
            double off = polled_off(polled, &polled->ties[i]) / tie_sigma(polled, &polled->ties[i]);
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
        double weight = 1 / variance(polled, tie), off = polled_off(polled, tie);
        double bracket = bracket_of(polled, tie);
        beyond += weight * (off * off * n / freedom - known_variance(polled, tie));
        bracket2 += weight * bracket * bracket;
    }
    polled->kappa = bracket2 > 0 ? sqrt(fmax(0, beyond / bracket2)) : 0;
}

/* The parts of the brackets in the mean of all strokes. */
static void weigh_parts(struct polled *polled)
{
    double weight = 0;
    polled->part_s[POLLED_DELAY] = polled->part_s[POLLED_QUEUE] = 0;
    for (size_t k = 0; k < polled->timeline->stroke_count; k++) {
        const struct stroke_tie *own = &polled->strokes[k];
        weight += own->weight;
        for (int part = 0; own->weight > 0 && part < POLLED_PARTS; part++)
            polled->part_s[part] +=
                own->weight / weight * (stroke_part(polled, own, part) - polled->part_s[part]);
    }
}

void polled_fit(struct polled *polled)
{
    polled->ratio = 1;
    polled->bracket_min_s = INFINITY;
    for (size_t i = 0; i < polled->count; i++)
        if (polled->ties[i].used)
            polled->bracket_min_s = fmin(polled->bracket_min_s, (double)polled->ties[i].bracket_s);
    for (int round = 0; round < ROUNDS; round++) {
        learn_delay_part(polled);
        average(polled);
        regress(polled);
        double limit = 4 * sqrt(polled->ratio);
        if (round + 1 == ROUNDS)
            break;
        for (size_t i = 0; i < polled->count; i++) {
            struct tie *tie = &polled->ties[i];
            tie->used = fabs(polled_off(polled, tie)) <= limit * tie_sigma(polled, tie);
        }
        learn_moment(polled);
    }
    weigh_parts(polled);
}

double polled_start(const struct polled *polled, size_t stroke, double *u_s)
{
    const struct stroke_tie *own = &polled->strokes[stroke];
    double start = own->host_s - polled->skew * own->since_s, u2 = polled->ratio / own->weight;
    for (int part = 0; part < POLLED_PARTS; part++) {
        double part_s = stroke_part(polled, own, part);
        double u = polled->side_u[part] * (part_s - polled->part_s[part]);
        start -= polled->side[part] * part_s;
        u2 += u * u;
    }
    *u_s = sqrt(u2);
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
