/* SPDX-License-Identifier: GPL-3.0-or-later
 * A study over many trials with known truth: coverage of the 95 % intervals, bias, root
 * mean square error, and that error over a bound where there is one. Trials run in
 * processes of their own, as many at once as there are cores. */
#ifndef TESTS_STUDY_H
#define TESTS_STUDY_H

#include "results/result.h"

#include <stdio.h>

enum { STUDY_NAME_SIZE = 48 };

struct study;
/* For the trial: hands in what came out. */
struct study_desk;

/* Runs one trial. The trial's number is its seed. */
typedef void study_trial(struct study_desk *desk, unsigned trial, void *context);

/* bound: smallest standard deviation that an unbiased estimator can have (Cramer-Rao),
 * NaN where none is known. */
void study_tell(struct study_desk *desk, const char *name, double value, double low, double high,
                double truth, double bound);
/* The result as a fit gave it, NULL or refused allowed. */
void study_tell_result(struct study_desk *desk, const struct result *result, const char *name,
                       double truth, double bound);
/* Right or wrong, counted as a share. */
void study_tell_verdict(struct study_desk *desk, const char *name, int right);

/* Trials first to first + count - 1 on `jobs` processes (0: as many as cores). NULL with
 * a message on stderr. Frees with study_free. */
struct study *study_run(unsigned first, unsigned count, unsigned jobs, study_trial *trial,
                        void *context);
/* The table; also how many trials died. Each line says whether the coverage is compatible with
 * 93 to 97 %. Returns how many trials gave nothing at all. */
unsigned study_print(const struct study *study, FILE *out);
/* Every single finding as CSV. */
void study_write(const struct study *study, FILE *out);
/* Intervals that held the truth, of how many; name NULL: of all results. Verdicts count as
 * intervals. */
unsigned study_held(const struct study *study, const char *name, unsigned *intervals);
unsigned study_lost(const struct study *study); /* trials that died */
void study_free(struct study *study);

#endif
