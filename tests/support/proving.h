/* SPDX-License-Identifier: GPL-3.0-or-later
 * One trial of the proving ground: a bench drawn at random runs a profile that has
 * everything once, in simulated time; the shipped fit sees the recording only; every result
 * is handed in beside what the bench was given. */
#ifndef TESTS_PROVING_H
#define TESTS_PROVING_H

#include "study.h"

/* A study_trial; context is not used. Every fourth bench has one lag both ways and no play. */
void proving_trial(struct study_desk *desk, unsigned trial, void *context);

#endif
