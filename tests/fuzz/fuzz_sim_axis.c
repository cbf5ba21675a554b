/* SPDX-License-Identifier: GPL-3.0-or-later
 * The simulated controller hears any bytes at any times: the stage stays on its travel and
 * the bench keeps going. The first byte picks the law; each 0xff moves time on. */
#include "rig/sim.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    if (size < 1 || size > 4096)
        return 0;
    struct rig_err err = {0};
    struct sim_truth truth;
    sim_truth_defaults(&truth);
    truth.law = data[0] & 1 ? SPEED_JERK_LIMITED : SPEED_TRAPEZOID;
    truth.backlash_mm = 0.05;
    truth.line_interval_s = 1;
    static struct rig rig;
    memset(&rig, 0, sizeof rig);
    rig.axis.letter = 'Z';
    rig.axis.homes = true;
    rig.source_count = 1;
    rig.sources[0].clock_unit_s = 1e-3;
    struct sim_bench *bench = sim_open(&truth, &rig, 1, &err);
    if (!bench)
        abort();
    char bytes[4096];
    int64_t now_ns = 0;
    for (size_t i = 1; i < size; i++) {
        if (data[i] == 0xff)
            now_ns += 37000000;
        else
            sim_axis_hears(bench, (const char *)&data[i], 1, now_ns);
        while (sim_axis_says(bench, bytes, sizeof bytes, now_ns))
            ;
        double stage_mm = sim_true_stage_mm(bench, now_ns);
        /* a half of the play beyond the ends */
        if (!(stage_mm >= truth.travel_low_mm - 0.026 && stage_mm <= truth.travel_high_mm + 0.026))
            abort();
        if (sim_next_ns(bench) <= now_ns)
            abort();
    }
    sim_close(bench);
    return 0;
}
