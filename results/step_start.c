/* SPDX-License-Identifier: GPL-3.0-or-later
 * Where the fit of a step begins: crude lag, candidates, and the marking of wild
 * values. */
#include "results/step_private.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Values further than this many robust standard deviations off are wild; of normal noise
 * fewer than one in a million. */
static const double wild_limit = 5;

static int ascending(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

double step_levels(struct step_job *job, const struct response_model *model, double *initial,
                   double *final)
{
    step_answer(job, model);
    double w = 0, r = 0, rr = 0, y = 0, ry = 0, sum = 0;
    for (size_t i = 0; i < job->n; i++) {
        if (!job->use[i])
            continue;
        double weight = job->samples[i].weight, a = job->answer[i], v = job->samples[i].value;
        w += weight;
        r += weight * a;
        rr += weight * a * a;
        y += weight * v;
        ry += weight * a * v;
    }
    double determinant = w * rr - r * r;
    if (!(determinant > 1e-9 * w * rr))
        return INFINITY;
    *initial = (rr * y - r * ry) / determinant;
    *final = *initial + (w * ry - r * y) / determinant;
    for (size_t i = 0; i < job->n; i++) {
        double error = *initial + (*final - *initial) * job->answer[i] - job->samples[i].value;
        sum += job->use[i] ? job->samples[i].weight * error * error : 0;
    }
    return sum;
}

/* ---- wild values ---- */

bool step_mark_wild(struct step_job *job, double initial, double final, double scratch[])
{
    for (size_t i = 0; i < job->n; i++)
        scratch[i] = sqrt(job->samples[i].weight) *
                     fabs(initial + (final - initial) * job->answer[i] - job->samples[i].value);
    double *sorted = scratch + job->n;
    memcpy(sorted, scratch, job->n * sizeof *sorted);
    qsort(sorted, job->n, sizeof *sorted, ascending);
    double sd = sorted[job->n / 2] / 0.674489750196; /* median of |N(0,1)| */
    bool changed = false;
    job->used = 0;
    for (size_t i = 0; i < job->n; i++) {
        bool use = !(scratch[i] > wild_limit * sd) || sd == 0;
        changed |= use != job->use[i];
        job->use[i] = use;
        job->used += use;
    }
    return changed;
}

/* ---- starts ---- */

/* Mean lag from the area between crude levels, values clipped to them: good to a factor. */
static double crude_lag(const struct step_job *job, double scratch[])
{
    size_t ends = job->n / 10 > 3 ? job->n / 10 : 3, first = 0;
    while (first < job->n && job->samples[first].t_s < job->move_start_s)
        first++;
    size_t before = first >= 3 ? first : 3;
    for (size_t i = 0; i < before; i++)
        scratch[i] = job->samples[i].value;
    qsort(scratch, before, sizeof *scratch, ascending);
    double low = scratch[before / 2];
    for (size_t i = 0; i < ends; i++)
        scratch[i] = job->samples[job->n - ends + i].value;
    qsort(scratch, ends, sizeof *scratch, ascending);
    double high = scratch[ends / 2], area = 0, last_s = job->move_start_s;
    if (high == low) /* no answer at all: a start of no lag is as good as any */
        return 0;
    for (size_t i = first; i < job->n; i++) {
        const struct sample *sample = &job->samples[i];
        double answer = fmin(fmax((sample->value - low) / (high - low), 0), 1);
        double moved = (response_input(&job->response, sample->t_s) - job->settled) / job->height;
        area += (moved - answer) * (sample->t_s - last_s);
        last_s = sample->t_s;
    }
    return area;
}

static int by_squares(const void *a, const void *b)
{
    double x = ((const struct step_candidate *)a)->squares,
           y = ((const struct step_candidate *)b)->squares;
    return (x > y) - (x < y);
}

size_t step_find_starts(struct step_job *job, struct step_candidate candidates[], bool robust,
                        double scratch[])
{
    double lag = crude_lag(job, scratch), rest = job->samples[job->n - 1].t_s - job->move_start_s;
    lag = fmin(fmax(lag, job->spacing_s), rest);
    double pairs[STEP_CANDIDATE_LIMIT][2];
    size_t count = 0;
    const double shares[] = {1, 0.8, 0.5, 0.2, 0.05};
    for (size_t i = 0; i < 5; i++) {
        pairs[count][0] = lag * (1 - shares[i]);
        pairs[count++][1] = lag * shares[i];
    }
    for (size_t i = 0; i < 4; i++) { /* should the crude lag be nonsense */
        pairs[count][0] = 0;
        pairs[count++][1] = rest * pow(0.2, (double)i + 1);
    }
    size_t out = 0;
    for (size_t i = 0; i < count; i++) {
        struct response_model model = {RESPONSE_FIRST_ORDER, pairs[i][0], pairs[i][1], 0, 1};
        struct step_candidate candidate = {{0, 0, pairs[i][0], log(pairs[i][1]), 0}, 0};
        candidate.squares = step_levels(job, &model, &candidate.p[0], &candidate.p[1]);
        if (robust && isfinite(candidate.squares)) {
            for (int pass = 0;
                 pass < 6 && step_mark_wild(job, candidate.p[0], candidate.p[1], scratch); pass++)
                step_levels(job, &model, &candidate.p[0], &candidate.p[1]);
            /* compared by a sum that wild values can't rule */
            double sum = 0, limit = 0;
            memcpy(scratch + job->n, scratch, job->n * sizeof *scratch);
            qsort(scratch + job->n, job->n, sizeof *scratch, ascending);
            limit = scratch[job->n + job->n * 9 / 10];
            for (size_t k = 0; k < job->n; k++)
                sum += fmin(scratch[k], limit) * fmin(scratch[k], limit);
            candidate.squares = sum;
        }
        if (isfinite(candidate.squares))
            candidates[out++] = candidate;
        for (size_t k = 0; robust && k < job->n; k++)
            job->use[k] = true;
    }
    job->used = job->n;
    qsort(candidates, out, sizeof candidates[0], by_squares);
    return out;
}
