/* SPDX-License-Identifier: GPL-3.0-or-later
 * Bench files: any bytes give a truth that a bench can be opened with, or one error with
 * its place. */
#include "rig/sim.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    struct rig_err err = {0};
    static struct units *units; /* reading the unit database takes longer than all else */
    if (!units && !(units = units_open(&err)))
        abort();
    struct sim_truth truth;
    int code = sim_truth_read(&truth, "f.bench", (const char *)data, size, units, &err);
    if (code) {
        if (strncmp(err.text, "f.bench:", 8) != 0 || code != (int)err.code)
            abort();
        return 0;
    }
    static struct rig rig;
    memset(&rig, 0, sizeof rig);
    rig.axis.letter = 'Z';
    rig.axis.homes = true;
    rig.source_count = 1;
    rig.sources[0].clock_column = 1;
    rig.sources[0].clock_unit_s = 1e-3;
    rig.sources[0].channel_count = 1;
    rig.sources[0].channels[0].column = 2;
    rig.sources[0].channels[0].role = ROLE_SENSOR;
    memcpy(rig.sources[0].channels[0].unit, truth.unit, sizeof truth.unit);
    struct sim_bench *bench = sim_open(&truth, &rig, 1, &err);
    if (!bench)
        abort();
    char bytes[4096];
    sim_axis_hears(bench, "G28\nG1 Z30 F900\n", 16, 0);
    while (sim_board_says(bench, bytes, sizeof bytes, 100000000))
        ;
    if (!isfinite(sim_true_depth_mm(bench, 200000000)))
        abort();
    sim_close(bench);
    char *text = sim_truth_json(&truth);
    if (!text)
        abort();
    free(text);
    return 0;
}
