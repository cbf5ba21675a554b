/* SPDX-License-Identifier: GPL-3.0-or-later
 * How one result moved with time: from a series of the ledger to values in one unit, the
 * Theil-Sen trend, a sentence and a figure. Pure. */
#ifndef RESULTS_LEDGER_TREND_H
#define RESULTS_LEDGER_TREND_H

#include "base/err.h"
#include "base/quantity.h"
#include "results/figure.h"
#include "results/ledger.h"
#include "results/trend.h"

#include <stdbool.h>
#include <stddef.h>

enum { LEDGER_TREND_POINTS = 1000 }; /* more are put together first */

struct ledger_trend_point {
    const struct ledger_value *from; /* in the series */
    double at_s;                     /* seconds since 1970-01-01T00:00:00Z */
    double value, low_95, high_95;   /* in the trend's unit; NaN where not known */
};

struct ledger_trend {
    const char *title, *unit; /* as the newest recording has them; of the series */
    struct ledger_trend_point *points;
    size_t count;
    size_t refused; /* recordings whose result has no value */
    size_t others;  /* of another unit or title (gain_1 at another frequency): left out */
    size_t undated;
    size_t coatings;      /* different ones among the points */
    bool known;           /* there is a trend; else `why` */
    struct theil_sen sen; /* of value against time in units of per_s */
    const char *per;      /* "hour", "day" or "year" of 365.25 days */
    double per_s;
    size_t together;               /* so many consecutive values became their median; 1: none did */
    double *group_s, *group_value; /* those medians; the points themselves when together is 1 */
    size_t group_count;
    char why[160];
};

/* trend: the caller frees, in any case; borrows from the series, which is that of
 * the result `name`. units: for conversions, NULL for none. Values that are refused, undated, or of
 * another kind are counted. Errors: RIG_EMEMORY. */
int ledger_trend_of(struct ledger_trend *trend, const char *name,
                    const struct ledger_series *series, struct units *units, struct rig_err *err);
void ledger_trend_free(struct ledger_trend *trend);

/* "It rises by 0.012 mm a year (0.004 to 0.020; ...)." size at least 320. */
void ledger_trend_sentence(const struct ledger_trend *trend, char *sentence, size_t size);

/* The points with their intervals, one series for each coating (or the medians of groups of
 * them), and the trend's line. x: seconds since 1970. */
int ledger_trend_figure(struct figure_list *figures, const struct ledger_trend *trend,
                        const struct ledger_series *series, const char *x_label,
                        struct rig_err *err);

#endif
