/* SPDX-License-Identifier: GPL-3.0-or-later
 * Allan and related deviations of a series sampled at even times: how much averages
 * over tau differ from one another, which tells noise that averages away from drift
 * that doesn't. Pure. All names and formulas: W. J. Riley, Handbook of Frequency
 * Stability Analysis, NIST SP 1065 (2008), chapter 5; the reading takes the place of
 * its fractional frequency. */
#ifndef RESULTS_ALLAN_H
#define RESULTS_ALLAN_H

#include "base/err.h"

#include <stddef.h>

/* kind, name, what it is */
#define ALLAN_KINDS(X)                                                                             \
    X(ALLAN_ADEV, "ADEV", "Allan deviation")                                                       \
    X(ALLAN_OADEV, "OADEV", "overlapping Allan deviation")                                         \
    X(ALLAN_MDEV, "MDEV", "modified Allan deviation")                                              \
    X(ALLAN_TDEV, "TDEV", "time deviation")                                                        \
    X(ALLAN_HDEV, "HDEV", "Hadamard deviation")                                                    \
    X(ALLAN_OHDEV, "OHDEV", "overlapping Hadamard deviation")                                      \
    X(ALLAN_TOTDEV, "TOTDEV", "total deviation")

enum allan_kind {
#define X(kind, name, what) kind,
    ALLAN_KINDS(X)
#undef X
        ALLAN_KIND_COUNT
};
const char *allan_name(enum allan_kind kind);

/* Deviation of y[n], one value every tau0_s, at an averaging time of m tau0_s. *count
 * (may be NULL): terms that were averaged. In the unit of y; TDEV in that times s.
 * RIG_EINPUT: m = 0, too few values for this m, a value that isn't finite. */
int allan_deviation(double *deviation, size_t *count, enum allan_kind kind, const double y[],
                    size_t n, size_t m, double tau0_s, struct rig_err *err);

/* Standard deviation of the averages over m values, one after another. */
int allan_sample_sd(double *sd, const double y[], size_t n, size_t m, struct rig_err *err);

#endif
