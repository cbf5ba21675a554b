/* SPDX-License-Identifier: GPL-3.0-or-later
 * By which power of the speed water clings: falling passes read later than rising ones by
 * D(v) = D0 + D1 (v / v1)^p. A delay, whether of the electronics or of a film that drains in its
 * own time, makes p = 1; a film drawn out by a board that water wets wholly 2/3 (Landau-Levich);
 * the thick film of a partly wetted board 1/2 (Snoeijer et al. 2008). Pure. */
#ifndef RESULTS_CLING_H
#define RESULTS_CLING_H

#include "base/err.h"

#include <stddef.h>

#define CLING_POWER_LOW 0.2
#define CLING_POWER_HIGH 1.8

/* A falling and a rising pass of one speed. */
struct cling_pair {
    double speed_mm_s; /* > 0 */
    double cling_mm;   /* falling lateness less rising lateness, as depth: what both share, as
                          the electronics' lag and the clocks' tie, is not in it */
};

struct cling_power {
    double power, low, high; /* 95 % */
    size_t speeds, pairs;
};

/* Power with its interval: least squares in D0 and D1 for each power from CLING_POWER_LOW to
 * _HIGH and for scatter that grows with speed or doesn't, weighted by the restricted likelihood
 * (Patterson and Thompson, Biometrika 58 (1971) 545), flat in the power beforehand.
 * RIG_EUNKNOWABLE with the reason: fewer than four speeds or six pairs, cling that doesn't
 * change with speed, an interval that reaches an end of those powers. RIG_EINPUT: not
 * finite. */
int cling_power_of(struct cling_power *result, const struct cling_pair pairs[], size_t n,
                   struct rig_err *err);

#endif
