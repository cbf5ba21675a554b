/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "results/loop.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <gsl/gsl_cdf.h>

enum { COLUMN_LIMIT = 5 };
static const double same_speed = 0.02;
static const double curved_below_p = 0.01;

/* A small weighted linear fit: n rows of p numbers, by normal equations of columns scaled to
 * length 1, solved by Cholesky. p <= 5 and columns as different as 1, v and v^(2/3) over a
 * few speeds keep more than eight digits of sixteen. */
struct line {
    size_t p;
    double x[COLUMN_LIMIT];
    double covariance[COLUMN_LIMIT][COLUMN_LIMIT];
    double sd; /* of a row of weight 1 */
    double scatter_per_speed;
    double likelihood; /* restricted, for the scatter's choice */
};

static bool cholesky(double a[COLUMN_LIMIT][COLUMN_LIMIT], size_t p)
{
    for (size_t k = 0; k < p; k++) {
        for (size_t l = 0; l <= k; l++) {
            double sum = a[k][l];
            for (size_t m = 0; m < l; m++)
                sum -= a[k][m] * a[l][m];
            if (k != l)
                a[k][l] = sum / a[l][l];
            else if (sum > 1e-10)
                a[k][k] = sqrt(sum);
            else
                return false;
        }
    }
    return true;
}

/* Solves L L' x = b in place. */
static void back_substitute(double a[COLUMN_LIMIT][COLUMN_LIMIT], size_t p, double b[])
{
    for (size_t k = 0; k < p; k++) {
        for (size_t m = 0; m < k; m++)
            b[k] -= a[k][m] * b[m];
        b[k] /= a[k][k];
    }
    for (size_t k = p; k-- > 0;) {
        for (size_t m = k + 1; m < p; m++)
            b[k] -= a[m][k] * b[m];
        b[k] /= a[k][k];
    }
}

/* rows: n of COLUMN_LIMIT + 2 numbers: the columns, then the value, then the speed. */
struct row {
    double x[COLUMN_LIMIT], value, speed;
};

static bool fit_rows(struct line *line, const struct row rows[], size_t n, size_t p, double ratio,
                     double mean_speed)
{
    double length[COLUMN_LIMIT] = {0}, a[COLUMN_LIMIT][COLUMN_LIMIT] = {{0}}, b[COLUMN_LIMIT] = {0};
    double at_mean = 1 + ratio * ratio * mean_speed * mean_speed, log_variances = 0;
    for (size_t i = 0; i < n; i++) {
        double variance = (1 + ratio * ratio * rows[i].speed * rows[i].speed) / at_mean;
        log_variances += log(variance);
        for (size_t k = 0; k < p; k++) {
            for (size_t l = 0; l <= k; l++)
                a[k][l] += rows[i].x[k] * rows[i].x[l] / variance;
            b[k] += rows[i].x[k] * rows[i].value / variance;
        }
    }
    double log_determinant = 0;
    for (size_t k = 0; k < p; k++) {
        if (!(a[k][k] > 0))
            return false;
        length[k] = sqrt(a[k][k]);
        log_determinant += 2 * log(length[k]);
    }
    for (size_t k = 0; k < p; k++) {
        for (size_t l = 0; l <= k; l++)
            a[k][l] /= length[k] * length[l];
        b[k] /= length[k];
    }
    if (!cholesky(a, p))
        return false;
    back_substitute(a, p, b);
    *line = (struct line){.p = p, .scatter_per_speed = ratio};
    for (size_t k = 0; k < p; k++) {
        line->x[k] = b[k] / length[k];
        log_determinant += 2 * log(a[k][k]);
    }
    double squares = 0;
    for (size_t i = 0; i < n; i++) {
        double residual = rows[i].value;
        for (size_t k = 0; k < p; k++)
            residual -= line->x[k] * rows[i].x[k];
        squares +=
            residual * residual * at_mean / (1 + ratio * ratio * rows[i].speed * rows[i].speed);
    }
    double dof = (double)(n - p);
    line->sd = sqrt(squares / dof);
    for (size_t k = 0; k < p; k++) {
        double unit[COLUMN_LIMIT] = {0};
        unit[k] = 1;
        back_substitute(a, p, unit);
        for (size_t l = 0; l < p; l++)
            line->covariance[k][l] = unit[l] / length[k] / length[l] * squares / dof;
    }
    /* Restricted likelihood (Patterson & Thompson 1971) up to a constant. A fit without any
     * residual tells nothing of the scatter. */
    line->likelihood = -(log_variances + log_determinant + dof * log(fmax(squares, 1e-300))) / 2;
    return true;
}

/* The fit averaged over all ratios of scatter, each weighted by its restricted likelihood (as
 * if all were as likely beforehand on a logarithmic scale), the spread between them added to
 * the covariance. The best ratio alone gives intervals that are too short: with 20 passes they
 * cover 92 % in place of 95 (simulated). */
static bool fit_average(struct line *average, const struct row rows[], size_t n, size_t p)
{
    enum { RATIOS = 15 };
    struct line lines[RATIOS];
    double mean_speed = 0, value_square = 0;
    for (size_t i = 0; i < n; i++) {
        mean_speed += rows[i].speed / (double)n;
        value_square += rows[i].value * rows[i].value;
    }
    if (!fit_rows(average, rows, n, p, 0, mean_speed))
        return false;
    if (n < p + 4 || average->sd * average->sd < 1e-24 * value_square)
        return true; /* too few to tell one scatter from another */
    size_t count = 0;
    double best = -INFINITY, relative = 0;
    for (int i = 0; i < RATIOS; i++) {
        if (fit_rows(&lines[count], rows, n, p, relative / mean_speed, mean_speed))
            best = fmax(best, lines[count++].likelihood);
        relative = i == 0 ? 0.15 : relative * 1.6;
    }
    double total = 0, variance = 0, ratio = 0;
    struct line sum = {.p = p};
    for (size_t i = 0; i < count; i++) {
        double weight = exp(lines[i].likelihood - best);
        total += weight;
        variance += weight * lines[i].sd * lines[i].sd;
        ratio += weight * lines[i].scatter_per_speed;
        for (size_t k = 0; k < p; k++) {
            sum.x[k] += weight * lines[i].x[k];
            for (size_t l = 0; l < p; l++)
                sum.covariance[k][l] += weight * lines[i].covariance[k][l];
        }
    }
    for (size_t k = 0; k < p; k++)
        sum.x[k] /= total;
    for (size_t k = 0; k < p; k++)
        for (size_t l = 0; l < p; l++) {
            for (size_t i = 0; i < count; i++)
                sum.covariance[k][l] += exp(lines[i].likelihood - best) *
                                        (lines[i].x[k] - sum.x[k]) * (lines[i].x[l] - sum.x[l]);
            sum.covariance[k][l] /= total;
        }
    sum.sd = sqrt(variance / total);
    sum.scatter_per_speed = ratio / total;
    *average = sum;
    return true;
}

static int ascending(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

/* Different speeds among rows; of one direction only where direction is not 0. */
static size_t count_speeds(const struct row rows[], size_t n, int direction, double scratch[])
{
    size_t used = 0, speeds = 0;
    for (size_t i = 0; i < n; i++)
        if (direction == 0 || (rows[i].x[1] < 0) == (direction > 0))
            scratch[used++] = rows[i].speed;
    qsort(scratch, used, sizeof scratch[0], ascending);
    double last = -1;
    for (size_t i = 0; i < used; i++)
        if (last < 0 || scratch[i] > last * (1 + same_speed)) {
            speeds++;
            last = scratch[i];
        }
    return speeds;
}

static const char two_speeds_note[] =
    "two speeds only: nothing tests that width grows with speed in a straight line; a third speed "
    "would";

static int alloc_rows(struct row **rows, double **scratch, size_t n, struct rig_err *err)
{
    *rows = calloc(n ? n : 1, sizeof **rows);
    *scratch = calloc(n ? n : 1, sizeof **scratch);
    if (*rows && *scratch)
        return 0;
    free(*rows);
    free(*scratch);
    return rig_fail_memory(err, "the loop widths");
}

static void test_curvature(struct loop_fit *fit, struct row rows[], size_t n)
{
    for (size_t i = 0; i < n; i++)
        rows[i].x[2] = cbrt(rows[i].speed * rows[i].speed);
    struct line line;
    if (fit->speeds < 3) {
        snprintf(fit->note, sizeof fit->note, "%s", two_speeds_note);
        return;
    }
    if (n < 4 || !fit_average(&line, rows, n, 3)) {
        snprintf(fit->note, sizeof fit->note,
                 "%zu passes at %zu speeds: too few to test the straight line", n, fit->speeds);
        return;
    }
    double dof = (double)(n - 3);
    fit->checked = true;
    fit->curvature = line.x[2];
    fit->curvature_u = sqrt(line.covariance[2][2]);
    double t = fabs(fit->curvature) / fit->curvature_u;
    fit->curvature_p = fit->curvature == 0 ? 1 : 2 * gsl_cdf_tdist_Q(t, dof);
    if (!isfinite(fit->curvature_p)) /* no residual at all */
        fit->curvature_p = 0;
    fit->curved = fit->curvature_p < curved_below_p;
    fit->curved_hysteresis_mm = (struct estimate){line.x[0], sqrt(line.covariance[0][0]), dof};
    fit->curved_lag_sum_s = (struct estimate){line.x[1], sqrt(line.covariance[1][1]), dof};
    if (fit->curved)
        snprintf(fit->note, sizeof fit->note,
                 "width does not grow with speed in a straight line (p = %.2g): with a film term "
                 "v^(2/3), hysteresis at rest is %.3g mm and the lags' sum %.3g s",
                 fit->curvature_p, line.x[0], line.x[1]);
}

int loop_separate(struct loop_fit *fit, const struct loop_pass passes[], size_t n,
                  double common_time_u_s, struct rig_err *err)
{
    struct row *rows;
    double *scratch;
    int code = alloc_rows(&rows, &scratch, n, err);
    if (code)
        return code;
    struct loop_fit found = {.passes = n, .curvature = NAN, .curvature_u = NAN, .curvature_p = NAN};
    found.curved_hysteresis_mm = found.curved_lag_sum_s = ESTIMATE_UNKNOWN;
    for (size_t i = 0; i < n; i++) {
        if (!isfinite(passes[i].width_mm) || !(passes[i].speed_mm_s > 0) ||
            !isfinite(passes[i].speed_mm_s)) {
            code = rig_fail(err, RIG_EINPUT, "pass %zu has no finite speed and loop width", i);
            goto done;
        }
        rows[i] = (struct row){{1, passes[i].speed_mm_s}, passes[i].width_mm, passes[i].speed_mm_s};
    }
    found.speeds = count_speeds(rows, n, 0, scratch);
    struct line line;
    if (found.speeds < 2)
        code = rig_fail(err, RIG_EUNKNOWABLE,
                        n == 0 ? "no up-and-down passes"
                               : "one speed only: hysteresis and lag can't be told apart; three "
                                 "speeds would do");
    else if (n < 3)
        code = rig_fail(err, RIG_EUNKNOWABLE,
                        "one pass at each of two speeds: no spread to tell how sure hysteresis "
                        "and lag are; repeat them, or add a third speed");
    else if (!fit_average(&line, rows, n, 2))
        code = rig_fail(err, RIG_EUNKNOWABLE,
                        "the speeds are too much alike to tell hysteresis from lag");
    if (code)
        goto done;
    double dof = (double)(n - 2);
    found.hysteresis_mm = (struct estimate){line.x[0], sqrt(line.covariance[0][0]), dof};
    double u = sqrt(line.covariance[1][1]), shared = 2 * common_time_u_s;
    double both = hypot(u, shared);
    /* Welch-Satterthwaite: the shared part counts as well known. */
    found.lag_sum_s = (struct estimate){line.x[1], both, u > 0 ? dof * pow(both / u, 4) : dof};
    found.correlation = line.covariance[0][1] / (found.hysteresis_mm.u * both);
    found.residual_sd_mm = line.sd;
    found.scatter_per_speed = line.scatter_per_speed;
    test_curvature(&found, rows, n);
    *fit = found;
done:
    free(rows);
    free(scratch);
    return code;
}

int loop_by_direction(struct loop_directions *fit, const struct loop_offset offsets[], size_t n,
                      double common_time_u_s, struct rig_err *err)
{
    struct row *rows;
    double *scratch;
    int code = alloc_rows(&rows, &scratch, n, err);
    if (code)
        return code;
    bool drifts = false;
    for (size_t i = 0; i < n; i++) {
        double v = offsets[i].speed_mm_s;
        bool rising = offsets[i].direction > 0;
        if (!isfinite(offsets[i].offset_mm) || !(v > 0) || !isfinite(v) ||
            offsets[i].direction == 0) {
            code =
                rig_fail(err, RIG_EINPUT, "pass %zu has no finite speed, direction and offset", i);
            goto done;
        }
        /* centre, hysteresis, lag rising, lag falling, drift of the centre */
        rows[i] = (struct row){{1, rising ? -0.5 : 0.5, rising ? -v : 0, rising ? 0 : v,
                                offsets[i].at_s - offsets[0].at_s},
                               offsets[i].offset_mm,
                               v};
        drifts |= offsets[i].at_s != offsets[0].at_s;
    }
    size_t rising = count_speeds(rows, n, 1, scratch), falling = count_speeds(rows, n, -1, scratch);
    struct line line;
    if (rising < 2 || falling < 2)
        code = rig_fail(err, RIG_EUNKNOWABLE,
                        "%zu rising and %zu falling speeds: lag and hysteresis of one direction "
                        "need two each, and three to be tested",
                        rising, falling);
    else if (n < 5)
        code = rig_fail(err, RIG_EUNKNOWABLE,
                        "%zu passes: no spread to tell how sure the lags are; repeat them", n);
    else if (!(drifts = drifts && n > 6 && fit_average(&line, rows, n, 5)) &&
             !fit_average(&line, rows, n, 4))
        code = rig_fail(err, RIG_EUNKNOWABLE,
                        "the speeds are too much alike to tell hysteresis from lag");
    if (code)
        goto done;
    double dof = (double)(n - (drifts ? 5 : 4)), u[4],
           shared[4] = {0, 0, common_time_u_s, common_time_u_s};
    struct estimate estimates[4];
    for (size_t k = 0; k < 4; k++) {
        u[k] = sqrt(line.covariance[k][k]);
        double both = hypot(u[k], shared[k]);
        estimates[k] =
            (struct estimate){line.x[k], both, u[k] > 0 ? dof * pow(both / u[k], 4) : dof};
    }
    double difference = line.covariance[2][2] + line.covariance[3][3] - 2 * line.covariance[2][3];
    *fit = (struct loop_directions){
        .passes = n,
        .speeds = count_speeds(rows, n, 0, scratch),
        .centre_mm = estimates[0],
        .hysteresis_mm = estimates[1],
        .lag_rising_s = estimates[2],
        .lag_falling_s = estimates[3],
        .lag_difference_s = {line.x[3] - line.x[2], sqrt(fmax(difference, 0)), dof},
        .residual_sd_mm = line.sd,
        .checked = rising >= 3 && falling >= 3,
    };
    if (!fit->checked)
        snprintf(fit->note, sizeof fit->note, "%s", two_speeds_note);
done:
    free(rows);
    free(scratch);
    return code;
}
