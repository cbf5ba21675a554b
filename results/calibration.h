/* SPDX-License-Identifier: GPL-3.0-or-later
 * All that a table of depth and reading says about a board at rest: the curve,
 * how straight it is, hysteresis and repeatability, as data, as JSON and as text. Serves
 * tables taken by hand and the settled means of a recording alike. Pure. */
#ifndef RESULTS_CALIBRATION_H
#define RESULTS_CALIBRATION_H

#include "base/err.h"
#include "base/text.h"
#include "results/curve.h"
#include "results/levels.h"
#include "results/straightness.h"

#include <jansson.h>

enum { CALIBRATION_INVERSE_ROWS = 11, CALIBRATION_JSON_DIGITS = 17 };

struct calibration {
    struct curve curve;
    struct levels levels;
    bool directed; /* rising and falling are told apart */
    struct straightness straightness;
    char straightness_reason[256]; /* "" when straightness holds */
    struct hysteresis hysteresis;
    double inverse_reading_u; /* uncertainty of one reading that the inverse counts with */
};

/* direction: enum level_direction for each point, NULL: not known. points->cycle NULL:
 * cycles are told from the order for hysteresis and repeatability, but then not used
 * for uncertainties. RIG_EINPUT as curve_fit. On success the caller frees. */
int calibration_make(struct calibration *calibration, const struct curve_points *points,
                     const signed char direction[], const struct curve_options *options,
                     struct rig_err *err);
void calibration_free(struct calibration *calibration); /* zeroed or NULL allowed */

/* The object that docs/formats.md describes; the caller may add keys. NULL: no memory. */
json_t *calibration_json(const struct calibration *calibration);

/* The same for people. depth_name, reading_name: what the columns are called. */
void calibration_text(const struct calibration *calibration, const char *depth_name,
                      const char *reading_name, struct text *out);

/* "0.4123 +- 0.0011" with two digits of the uncertainty; without one, six digits of the
 * value. buffer has at least 64 bytes and is returned. */
const char *calibration_value(char buffer[64], double value, double u);

#endif
