/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "results/update_interval.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { FEWEST = 20 };
/* A cluster of changes ends where nothing changes for as many intervals: the input rests. */
static const double REST_INTERVALS = 6.5;

void update_changes_add(struct update_changes *changes, const double t_s[], const double values[],
                        size_t rows)
{
    for (size_t r = 0; r < rows; r++) {
        double value = values[r];
        if (value == changes->last_value && changes->rows) { /* most rows of a held channel */
            changes->rows++;
            continue;
        }
        if (isnan(value) || isnan(t_s[r]))
            continue;
        if (!changes->rows) {
            changes->first_value = value;
            changes->first_t_s = t_s[r];
        } else if (changes->count < UPDATE_CHANGES) {
            changes->t_s[changes->count] = t_s[r];
            changes->row[changes->count++] = changes->rows;
        }
        changes->last_value = value;
        changes->rows++;
    }
}

static void keep(struct update_changes *changes, double t_s, uint64_t row)
{
    if (changes->count == UPDATE_CHANGES)
        return;
    changes->t_s[changes->count] = t_s;
    changes->row[changes->count++] = row;
}

void update_changes_merge(struct update_changes *changes, struct update_changes *next)
{
    if (!next->rows)
        return;
    if (!changes->rows) {
        changes->first_value = next->first_value;
        changes->first_t_s = next->first_t_s;
    } else if (next->first_value != changes->last_value)
        keep(changes, next->first_t_s, changes->rows);
    for (size_t i = 0; i < next->count; i++)
        keep(changes, next->t_s[i], changes->rows + next->row[i]);
    changes->last_value = next->last_value;
    changes->rows += next->rows;
    next->rows = 0;
    next->count = 0;
}

static int ascending(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

/* Gaps between changes in ascending order; returns how many. */
static size_t sorted_gaps(const struct update_changes *changes, double gaps[])
{
    size_t n = 0;
    for (size_t i = 1; i < changes->count; i++)
        if (changes->t_s[i] > changes->t_s[i - 1])
            gaps[n++] = changes->t_s[i] - changes->t_s[i - 1];
    qsort(gaps, n, sizeof *gaps, ascending);
    return n;
}

static double mean_between(const double gaps[], size_t n, double low_s, double high_s)
{
    double sum = 0;
    size_t used = 0;
    for (size_t i = 0; i < n; i++)
        if (gaps[i] >= low_s && gaps[i] <= high_s) {
            sum += gaps[i];
            used++;
        }
    return used ? sum / (double)used : (double)NAN;
}

/* Sums of one cluster of changes, from its first one. */
struct cluster {
    double n, k, kk, t, tt, kt;
};

struct comb {
    double kk, kt, tt;       /* over all clusters, about their means */
    double points, reach;    /* freedom of the residuals; sum of the clusters' squared lengths */
    double clusters, single; /* single: gaps of one interval */
    size_t on, off;          /* gaps that are whole multiples, and others */
};

static void close_cluster(struct comb *comb, struct cluster *cluster)
{
    if (cluster->n >= 3) {
        double kk = cluster->kk - cluster->k * cluster->k / cluster->n;
        comb->kk += kk;
        comb->kt += cluster->kt - cluster->k * cluster->t / cluster->n;
        comb->tt += cluster->tt - cluster->t * cluster->t / cluster->n;
        comb->points += cluster->n - 1;
        comb->reach += 12 * kk / cluster->n;
        comb->clusters++;
    }
    *cluster = (struct cluster){0};
}

/* Counts the changes along a comb of this interval, whose phase follows slowly, since a line
 * brings a change late by anything up to the distance of two lines. */
static struct comb along(const struct update_changes *changes, double interval_s, double line_s)
{
    struct comb comb = {0};
    struct cluster cluster = {0};
    double k = 0, t = 0, phase = 0, near_s = fmax(0.3 * interval_s, 0.6 * line_s);
    for (size_t i = 0; i < changes->count; i++) {
        double gap = i ? changes->t_s[i] - changes->t_s[i - 1] : 0;
        if (i == 0 || gap <= 0 || gap > REST_INTERVALS * interval_s) {
            close_cluster(&comb, &cluster);
            k = t = phase = 0;
            cluster.n = 1;
            continue;
        }
        t += gap;
        double to = rint((t - phase) / interval_s), off = t - phase - to * interval_s;
        *(to > k && fabs(off) < near_s ? &comb.on : &comb.off) += 1;
        comb.single += to == k + 1;
        k = fmax(to, k + 1);
        /* The first changes of a cluster find the phase, later ones hold it. */
        phase += off / fmin(cluster.n + 1, 30);
        cluster.n++;
        cluster.k += k;
        cluster.t += t;
        cluster.kk += k * k;
        cluster.kt += k * t;
        cluster.tt += t * t;
    }
    close_cluster(&comb, &cluster);
    return comb;
}

static double left_over(const struct comb *comb)
{
    return comb->points > 1 && comb->kk > 0
               ? fmax(0, comb->tt - comb->kt * comb->kt / comb->kk) / (comb->points - 1)
               : (double)NAN;
}

static struct comb settle(const struct update_changes *changes, double *interval_s, double line_s)
{
    struct comb comb = {0};
    for (int round = 0; round < 4; round++) {
        comb = along(changes, *interval_s, line_s);
        if (!(comb.kk > 0))
            break;
        *interval_s = comb.kt / comb.kk;
    }
    return comb;
}

/* Most gaps in a row of this many lines. An interval that is no multiple of the lines' breaks such
 * a row soon. */
static size_t longest_row(const struct update_changes *changes, double lines, double line_s)
{
    size_t row = 0, longest = 0;
    for (size_t i = 1; i < changes->count; i++) {
        double gap = changes->t_s[i] - changes->t_s[i - 1];
        row = rint(gap / line_s) == lines ? row + 1 : 0;
        longest = row > longest ? row : longest;
    }
    return longest;
}

/* Two readings of the same gaps: as whole multiples of the shortest ones, some updates having
 * brought the same value again; or, where an interval is no multiple of the lines', as gaps of
 * two neighbouring numbers of lines that take turns evenly. The second is taken where nearly every
 * gap is one update and what is left is no more than what lines make of it. *interval_s NaN: the
 * gaps speak for neither. */
static struct comb find_comb(const struct update_changes *changes, const double gaps[], size_t n,
                             double line_s, double *interval_s)
{
    enum { ROW = 8 };
    double shortest = gaps[n / 10];
    *interval_s = mean_between(gaps, n, 0.75 * shortest, 1.25 * shortest);
    struct comb comb = settle(changes, interval_s, line_s);
    if (!(line_s > 0))
        return comb;
    double lines = rint(gaps[n / 20] / line_s);
    double other_s = mean_between(gaps, n, (lines - 0.5) * line_s, (lines + 1.5) * line_s);
    if (!(other_s > 0))
        return comb;
    struct comb other = settle(changes, &other_s, line_s);
    bool even = left_over(&other) < 0.16 * line_s * line_s; /* of even times: 1/12 = 0.083 */
    if (even && other.single > 0.9 * (double)(other.on + other.off) && other.kk > 0) {
        *interval_s = other_s;
        return other;
    }
    if (longest_row(changes, lines, line_s) < ROW)
        *interval_s = NAN;
    return comb;
}

/* Of the rows from each change to the next one near by: how many brought nothing new. */
static double repeated(const struct update_changes *changes, double rest_s)
{
    double rows = 0, new_ones = 0;
    for (size_t i = 1; i < changes->count; i++) {
        double gap = changes->t_s[i] - changes->t_s[i - 1];
        if (gap <= 0 || gap > rest_s)
            continue;
        rows += (double)(changes->row[i] - changes->row[i - 1]);
        new_ones++;
    }
    return rows > 0 ? 1 - new_ones / rows : (double)NAN;
}

int update_interval_of(struct update_interval *update, const struct update_changes *changes,
                       double row_interval_s, struct rig_err *err)
{
    if (changes->count < FEWEST)
        return rig_fail(err, RIG_EUNKNOWABLE,
                        "the channel changes %zu times only; an update interval takes %d",
                        changes->count, FEWEST);
    double *gaps = calloc(changes->count, sizeof *gaps);
    if (!gaps)
        return rig_fail_memory(err, "a channel's changes");
    double line_s = isfinite(row_interval_s) ? row_interval_s : 0, interval_s = 0;
    size_t n = sorted_gaps(changes, gaps);
    struct comb comb = {0};
    if (n >= FEWEST)
        comb = find_comb(changes, gaps, n, line_s, &interval_s);
    free(gaps);
    if (isnan(interval_s))
        return rig_fail(err, RIG_EUNKNOWABLE,
                        "the interval is no multiple of the lines', and too many updates bring the "
                        "value before again to tell it; send lines more often");
    if (!(interval_s > 0))
        return rig_fail(err, RIG_EUNKNOWABLE, "the times of the channel's changes do not grow");
    if (!(comb.kk > 0) || comb.off > (comb.on + comb.off) / 5)
        return rig_fail(err, RIG_EUNKNOWABLE,
                        "the channel's changes sit on no comb of even steps: %zu of %zu gaps are "
                        "no whole multiple of one interval",
                        comb.off, comb.on + comb.off);
    /* What is left of a time after the comb comes from the distance of the lines, and goes
     * slowly from one end of a line to the other: within a cluster it may look like a slope, so
     * that a cluster counts for one. Where next to nothing is left the interval is a multiple of
     * the lines': to so much that it would have slipped by some two thirds of one (0.64 by
     * tests/bench/bench_chains.c). */
    double left = left_over(&comb), slope_u = sqrt(12 * left / comb.reach);
    double slip_u = left < line_s * line_s / 24 ? 0.64 * line_s / comb.points : 0;
    *update = (struct update_interval){
        .interval_s = {interval_s, hypot(slope_u, slip_u), comb.clusters},
        .each_line = line_s > 0 && interval_s < 1.5 * line_s,
        .repeated_share = repeated(changes, REST_INTERVALS * interval_s),
        .changes = changes->count,
    };
    return RIG_OK;
}
