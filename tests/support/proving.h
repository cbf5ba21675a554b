/* SPDX-License-Identifier: GPL-3.0-or-later
 * One trial of the proving ground: a bench drawn at random runs a profile that has
 * everything once, in simulated time; the shipped fit sees the recording only; every result
 * is handed in beside what the bench was given. */
#ifndef TESTS_PROVING_H
#define TESTS_PROVING_H

#include "study.h"

/* A study_trial; context: a kind, NULL for the usual. Every fourth bench has one lag both ways and
 * no play. */
struct proving_kind {
    const char *name;
    const char *source; /* statements of the source besides its sensor's channel */
    double late_s;      /* > 0: lines come late by this much in the mean, and up to as much more
                           that can't be seen */
};
/* "usual", "reference", "trip" (a channel that sees the stage), "late" (lines that come late, a
 * clock in microseconds) and "late-unclocked"; NULL: another. */
const struct proving_kind *proving_kind(const char *name);

/* A study_trial; context: a kind, NULL for the usual. Every fourth bench has one lag both ways and
 * no play. */
void proving_trial(struct study_desk *desk, unsigned trial, void *context);

#endif
