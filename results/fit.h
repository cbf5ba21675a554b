/* SPDX-License-Identifier: GPL-3.0-or-later
 * From a recording to results and figures: streams each source once into a digest,
 * then asks the estimators. What a recording can't tell gets a reason. */
#ifndef RESULTS_FIT_H
#define RESULTS_FIT_H

#include "base/err.h"
#include "results/curve.h"
#include "results/figure.h"
#include "results/recording.h"
#include "results/result.h"

#include <stddef.h>
#include <stdint.h>

enum { FIT_WARNING_LIMIT = 16, FIT_WARNING_SIZE = 256, FIT_LINK_SIZE = 16 };

/* What one pass, step or cycle gave by itself, for those who compare recordings segment by
 * segment and boards level by level. */
enum fit_pass_kind {
    FIT_PASS_RAMP, /* x: speed, mm/s; value: direction x (true - inferred depth), mm */
    FIT_PASS_STEP, /* x: which quantity, see fit_step_quantity; value: s */
    FIT_PASS_LEVEL /* x: depth, mm; value: reading at rest in one cycle */
};

struct fit_pass {
    enum fit_pass_kind kind;
    size_t segment; /* of the plan; of a level: its cycle */
    int direction;  /* +1 rising, -1 falling, 0: both together */
    double x, value, host_s;
};

enum { FIT_STEP_QUANTITIES = 7 };
/* The result that a step's quantity becomes, without its direction: "step_lag". */
const char *fit_step_quantity(size_t which);

struct fit {
    struct result_list results;
    struct figure_list figures;
    char warnings[FIT_WARNING_LIMIT][FIT_WARNING_SIZE];
    size_t warning_count;
    uint64_t rows, malformed;      /* of all sources together */
    double low_mm, high_mm;        /* depths that the curve covers; NaN: no curve */
    struct curve curve;            /* good only where low_mm is finite */
    char slow_link[FIT_LINK_SIZE]; /* "sensor", "controller", "actuator"; "": not known */
    struct fit_pass *passes;
    size_t pass_count, pass_room;
    double *levels_mm; /* depths of the stairs' dwells, ascending */
    size_t level_count;
};

struct fit_options {
    size_t memory_limit; /* bytes for the digests; 0: 32 MiB a source */
    int degree;          /* of the calibration polynomial; -1: chosen by AICc */
    size_t threads;      /* 0: one a processor; results don't depend on it */
    /* Called now and then with rows read so far, by any thread, never by two; NULL
     * allowed. */
    void (*progress)(void *context, uint64_t rows);
    void *context;
};

/* fit: zero-initialised by the caller, freed with fit_free in every case. Errors are
 * only what stops everything: no memory, unreadable files, a recording without a
 * sensor channel. */
int fit_recording(struct fit *fit, const struct recording *recording,
                  const struct fit_options *options, struct rig_err *err);
void fit_free(struct fit *fit);

#endif
