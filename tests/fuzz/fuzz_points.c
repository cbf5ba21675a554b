/* SPDX-License-Identifier: GPL-3.0-or-later
 * Any bytes as a table of calibration points: read or refused with a reason, and what is
 * read is fitted or refused likewise. */
#include "results/calibration.h"
#include "rig/points.h"

#include <gsl/gsl_errno.h>
#include <stdint.h>
#include <stdlib.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct points points;
    struct points_columns columns = {0};
    struct rig_err err = {0};
    gsl_set_error_handler_off();
    if (points_read(&points, "points.csv", (const char *)data, size, &columns, &err)) {
        if (err.code == RIG_OK || !err.text[0])
            abort();
        return 0;
    }
    for (int kind = CURVE_POLYNOMIAL; kind <= CURVE_SPLINE; kind++) {
        struct calibration calibration;
        struct curve_options options = {.kind = (enum curve_kind)kind};
        struct curve_points view = points_view(&points);
        if (calibration_make(&calibration, &view, points.direction, &options, &err))
            continue;
        struct text text = {0};
        json_t *json = calibration_json(&calibration);
        if (!json)
            abort();
        json_decref(json);
        calibration_text(&calibration, "depth_mm", "reading", &text);
        text_free(&text);
        calibration_free(&calibration);
    }
    points_free(&points);
    return 0;
}
