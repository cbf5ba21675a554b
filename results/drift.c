/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "results/drift.h"

#include "results/lsq.h"
#include "results/student.h"
#include "results/trend.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

enum { RANKS_FROM = DRIFT_RANKS_FROM, COLUMNS = 3 };
static const struct serial_value unknown = {NAN, NAN, NAN, NAN, NAN};
static const double least_variance_ratio = 100;
static const double least_degc = 1e-3; /* no thermometer of a bench tells less */

/* Few values: their own stated noise is all there is. */
static void by_noise(struct drift *drift, const struct drift_series *series)
{
    struct lsq sums;
    struct lsq_fit fit;
    struct rig_err why = {0};
    int code = lsq_start(&sums, 2, &why);
    for (size_t i = 0; !code && i < series->n; i++)
        lsq_add(&sums, (double[]){1, series->t_h[i] - series->t_h[0]}, series->value[i],
                series->u[i]);
    if (!code)
        code = lsq_solve(&fit, &sums, LSQ_FROM_STATED, &why);
    if (code) {
        snprintf(drift->reason, sizeof drift->reason, "%.190s", why.text);
        return;
    }
    double slope = fit.parameter[1], u = sqrt(fit.covariance[1][1]), reach = 1.959964 * u;
    drift->slope = (struct serial_value){slope, u, slope - reach, slope + reach, 1};
    snprintf(drift->method, sizeof drift->method,
             "straight line through %zu cycles, its interval from the readings' noise alone",
             series->n);
}

static void fill_design(double design[], const struct drift_series *series, size_t columns)
{
    double mean = 0;
    for (size_t i = 0; columns > 2 && i < series->n; i++)
        mean += series->temperature[i] / (double)series->n;
    for (size_t i = 0; i < series->n; i++) {
        design[i * columns] = 1;
        design[i * columns + 1] = series->t_h[i] - series->t_h[0];
        if (columns > 2)
            design[i * columns + 2] = series->temperature[i] - mean;
    }
}

/* Slope of the temperature's own straight line in time, and its variance about that. */
static double own_variance(const struct drift_series *series, double *slope)
{
    struct lsq sums;
    struct lsq_fit fit;
    struct rig_err why = {0};
    if (lsq_start(&sums, 2, &why))
        return NAN;
    for (size_t i = 0; i < series->n; i++)
        lsq_add(&sums, (double[]){1, series->t_h[i] - series->t_h[0]}, series->temperature[i], 1);
    if (lsq_solve(&fit, &sums, LSQ_FROM_RESIDUALS, &why))
        return NAN;
    *slope = fit.parameter[1];
    return fit.residual_sd * fit.residual_sd;
}

static bool temperature_serves(struct drift *drift, const struct drift_series *series,
                               double *warming)
{
    char *why = drift->temperature_reason;
    if (!series->temperature) {
        snprintf(why, DRIFT_TEXT_SIZE, "no channel has the role temperature, or it was silent");
        return false;
    }
    if (series->n < RANKS_FROM) {
        snprintf(why, DRIFT_TEXT_SIZE, "it takes %d cycles, and there are %zu", RANKS_FROM,
                 series->n);
        return false;
    }
    double own = own_variance(series, warming),
           noise = series->temperature_u * series->temperature_u;
    if (!(own >= least_variance_ratio * noise) || !(own > least_degc * least_degc)) {
        snprintf(why, DRIFT_TEXT_SIZE,
                 "the temperature hardly moved but along with time: by %.2g degC about its own "
                 "trend (standard deviation), known to %.2g degC",
                 sqrt(own), series->temperature_u);
        return false;
    }
    return true;
}

/* Theil-Sen slope; what it is uncertain by for serial correlation comes from the line. */
static int by_ranks(struct drift *drift, const struct drift_series *series,
                    struct serial_value line, struct rig_err *err)
{
    struct theil_sen ranks;
    struct rig_err why = {0};
    int code = theil_sen_of(&ranks, series->t_h, series->value, series->n, 0.95, &why);
    if (code) {
        if (code == RIG_EMEMORY)
            *err = why;
        snprintf(drift->reason, sizeof drift->reason, "%.190s", why.text);
        return code == RIG_EMEMORY ? code : RIG_OK;
    }
    drift->p = student_p_two_sided(ranks.test.z / fmax(line.widening, 1), INFINITY);
    if (drift->explains) { /* set already; a median of slopes along a bent path says less */
        snprintf(drift->method, sizeof drift->method,
                 "straight line over %zu cycles, temperature's part included as it was; "
                 "Mann-Kendall p %.2g",
                 series->n, drift->p);
        return RIG_OK;
    }
    drift->slope = line;
    drift->slope.value = ranks.slope;
    drift->slope.low += ranks.slope - line.value;
    drift->slope.high += ranks.slope - line.value;
    snprintf(drift->method, sizeof drift->method,
             "Theil-Sen slope over %zu cycles, interval %.2f times that of independent ones; "
             "Mann-Kendall p %.2g",
             series->n, line.widening, drift->p);
    return RIG_OK;
}

static int with_temperature(struct drift *drift, const struct drift_series *series, double design[],
                            struct rig_err *err)
{
    double warming;
    if (!temperature_serves(drift, series, &warming))
        return RIG_OK;
    /* In time at steady temperature, per degree, and in time as it was: the temperature's
     * way is known, so only what it leaves makes the last uncertain. */
    const double asked[][SERIAL_COLUMNS] = {{0, 1, 0}, {0, 0, 1}, {0, 1, warming}};
    struct serial_value values[3];
    fill_design(design, series, COLUMNS);
    int code = serial_regression(values, asked, 3, series->t_h, design, series->value, series->u,
                                 series->n, COLUMNS, err);
    if (code == RIG_EMEMORY)
        return code;
    if (code) {
        snprintf(drift->temperature_reason, DRIFT_TEXT_SIZE, "%.190s", err->text);
        *err = (struct rig_err){0};
        return RIG_OK;
    }
    drift->left = values[0];
    drift->coefficient = values[1];
    drift->explains = values[1].low > 0 || values[1].high < 0;
    if (drift->explains)
        drift->slope = values[2];
    return RIG_OK;
}

int drift_of(struct drift *drift, const struct drift_series *series, struct rig_err *err)
{
    *drift = (struct drift){.slope = unknown, .p = NAN, .coefficient = unknown, .left = unknown};
    if (series->n < 2) {
        snprintf(drift->reason, sizeof drift->reason, "it takes two cycles, and there %s",
                 series->n ? "is one" : "are none");
        snprintf(drift->temperature_reason, DRIFT_TEXT_SIZE, "%s", drift->reason);
        return RIG_OK;
    }
    double *design = calloc(series->n * COLUMNS, sizeof *design);
    if (!design)
        return rig_fail_memory(err, "a drift");
    int code = with_temperature(drift, series, design, err);
    if (!code && series->n < SERIAL_LEAST) {
        by_noise(drift, series);
    } else if (!code) {
        static const double slope[][SERIAL_COLUMNS] = {{0, 1}};
        struct serial_value line;
        struct rig_err why = {0};
        fill_design(design, series, 2);
        code = serial_regression(&line, slope, 1, series->t_h, design, series->value, series->u,
                                 series->n, 2, &why);
        if (code == RIG_EMEMORY) {
            *err = why;
        } else if (code) {
            snprintf(drift->reason, sizeof drift->reason, "%.190s", why.text);
            code = RIG_OK;
        } else if (series->n < RANKS_FROM) {
            drift->slope = line;
            snprintf(drift->method, sizeof drift->method,
                     "straight line through %zu cycles, serial correlation allowed for", series->n);
        } else {
            code = by_ranks(drift, series, line, err);
        }
    }
    free(design);
    return code;
}
