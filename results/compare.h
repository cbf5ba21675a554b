/* SPDX-License-Identifier: GPL-3.0-or-later
 * Before and after: the results of two groups of recordings, their differences and ratios
 * with 95 % intervals, and a verdict in words. docs/methods_compare.md has the formulas.
 * Pure. */
#ifndef RESULTS_COMPARE_H
#define RESULTS_COMPARE_H

#include "base/err.h"
#include "results/fit.h"
#include "results/result.h"

#include <stdbool.h>
#include <stddef.h>

/* One side: the fits of its recordings, in any order. Borrowed. */
struct compare_side {
    const struct fit *const *fits;
    size_t count; /* > 0 */
};

struct compare_options {
    bool same_plan; /* every recording ran the same plan: segments are paired, one by one */
    bool same_rig;  /* and on the same rig file: what only the rig decides cancels */
};

enum compare_verdict { COMPARE_UNKNOWN, COMPARE_LOWER, COMPARE_HIGHER, COMPARE_NOT_SHOWN };

struct compare_row {
    /* After less before; its budget says what it is uncertain by. No value: a reason. */
    struct result difference;
    double before, after;                /* NaN: not known on that side */
    double ratio, ratio_low, ratio_high; /* after over before; NaN: not known */
    double p, p_corrected;               /* two-sided; by Holm over all rows */
    double smallest;                     /* that would have shown with 80 % power */
    size_t pairs;                        /* of passes or steps; 0: sides as wholes */
    enum compare_verdict verdict;
};

/* Zero-initialise. */
struct comparison {
    struct compare_row *rows;
    size_t count;
};

/* A row for each quantity that both sides have asked for, known or not, in the order in which
 * people ask. Where one side's value is missing the row has the reason. RIG_EINPUT: the
 * sides have nothing in common. RIG_EMEMORY. */
int compare_fits(struct comparison *comparison, const struct compare_side *before,
                 const struct compare_side *after, const struct compare_options *options,
                 struct rig_err *err);
void comparison_free(struct comparison *comparison);

/* "lower", "higher", "no difference larger than 0.004 s shown", or "not known: REASON". */
void compare_verdict_text(const struct compare_row *row, char text[RESULT_TEXT_SIZE]);

/* a/b with a 95 % interval for independent a and b with standard uncertainties and common
 * degrees of freedom (Fieller, J. R. Statist. Soc. B 16 (1954) 175). *low and *high are NaN
 * where b is not told from zero. */
double compare_ratio(double a, double u_a, double b, double u_b, double dof, double *low,
                     double *high);

#endif
