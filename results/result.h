/* SPDX-License-Identifier: GPL-3.0-or-later
 * One result as everybody sees it: results.json, the report, the ledger, verdicts.
 * A result has a value with an interval, or a reason why it has none. */
#ifndef RESULTS_RESULT_H
#define RESULTS_RESULT_H

#include "base/err.h"

#include <stdbool.h>
#include <stddef.h>

enum { RESULT_NAME_SIZE = 64, RESULT_TEXT_SIZE = 256, RESULT_BUDGET_LIMIT = 12 };

struct result_contribution {
    char name[RESULT_NAME_SIZE]; /* "replication", "clock alignment", ... */
    char type;                   /* 'A' or 'B', JCGM 100 */
    double standard_uncertainty; /* in the unit of the result */
    double degrees_of_freedom;   /* INFINITY where known well */
    bool rectangular;            /* anywhere within +-sqrt(3) u alike; else Student's t */
};

struct result {
    char name[RESULT_NAME_SIZE];                  /* key: "hysteresis_at_rest", "lag_rising" ... */
    char title[RESULT_TEXT_SIZE];                 /* for people: "Hysteresis at rest" */
    char unit[24];                                /* "mm", "s", "%" ("% of span") */
    double value;                                 /* NaN: none, then reason says why */
    double standard_uncertainty, low_95, high_95; /* NaN where not known */
    double degrees_of_freedom;
    char method[RESULT_TEXT_SIZE];
    char reason[RESULT_TEXT_SIZE];
    size_t budget_count;
    struct result_contribution budget[RESULT_BUDGET_LIMIT];
};

/* A growing list; zero-initialise. */
struct result_list {
    struct result *results;
    size_t count, room;
};

/* Appends an empty result (value NaN, reason "") and returns it, valid until the next
 * append; NULL when memory is out. Names are unique: appending one twice is RIG_EBUG. */
struct result *result_add(struct result_list *list, const char *name, const char *title,
                          const char *unit, struct rig_err *err);
/* Value with standard uncertainty and degrees of freedom: interval by Student's t at
 * 95 % (JCGM 100:2008 G.3). A value or uncertainty that is infinite, NaN (value) or
 * negative (uncertainty): the value is dropped and a reason put in its place. NaN as
 * the uncertainty: a value without an interval; `reason` may then say why. */
void result_set(struct result *result, double value, double standard_uncertainty,
                double degrees_of_freedom, const char *method);
/* Adds a contribution; result_combine then computes the combined uncertainty (root
 * sum of squares), Welch-Satterthwaite degrees of freedom truncated to a whole
 * number (JCGM 100:2008 G.4, H.1) and the interval, for which rectangular contributions are
 * convolved with the rest (JCGM 101:2008, uncertainty_half_width). Beyond RESULT_BUDGET_LIMIT the
 * last line becomes "all others". A contribution that is not finite, negative, or
 * without degrees of freedom leaves the value without an interval, with the reason. */
void result_contribute(struct result *result, const char *name, char type,
                       double standard_uncertainty, double degrees_of_freedom);
/* One that is only known to lie within +-half_width, anywhere there alike: type B,
 * rectangular, JCGM 100:2008 4.3.7. Zero adds nothing. */
void result_contribute_within(struct result *result, const char *name, double half_width);
void result_combine(struct result *result, double value, const char *method);
void result_refuse(struct result *result, const char *format, ...)
    __attribute__((format(printf, 2, 3)));
const struct result *result_find(const struct result_list *list, const char *name);
struct result *result_find_mutable(struct result_list *list, const char *name);
void result_list_free(struct result_list *list);

#endif
