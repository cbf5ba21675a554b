/* SPDX-License-Identifier: GPL-3.0-or-later
 * Any bytes as a table of calibration points: read or refused with a reason, and what is
 * read is fitted or refused likewise, and what is fitted becomes a firmware table or is
 * refused. */
#include "results/calibration.h"
#include "results/firmware.h"
#include "rig/points.h"

#include <gsl/gsl_errno.h>
#include <math.h>
#include <stdint.h>
#include <stdlib.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static void make_table(const struct curve *curve)
{
    struct firmware firmware;
    struct rig_err err = {0};
    const struct firmware_options options = {.low_mm = (double)NAN,
                                             .high_mm = (double)NAN,
                                             .error_mm = (curve->high - curve->low) / 60,
                                             .count = (double)NAN};
    if (firmware_make(&firmware, curve, &options, &err)) {
        if (err.code == RIG_OK || err.code == RIG_EBUG || !err.text[0])
            abort();
        return;
    }
    if (!(firmware.worst_depth_mm <= options.error_mm * (1 + 1e-12)))
        abort();
    firmware_free(&firmware);
}

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
        make_table(&calibration.curve);
        calibration_free(&calibration);
    }
    points_free(&points);
    return 0;
}
