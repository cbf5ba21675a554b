/* SPDX-License-Identifier: GPL-3.0-or-later
 * What the files of `wetsweep run` share. */
#ifndef RIG_COMMANDS_RUN_PARTS_H
#define RIG_COMMANDS_RUN_PARTS_H

#include "rig/bench_loop.h"
#include "rig/inputs.h"

#include <stdbool.h>
#include <stdint.h>

struct run_options {
    const char *profile, *rig, *board, *revision, *coating, *note, *water_temperature;
    const char *out, *bench, *ports;
    uint64_t seed;
};

/* What people see while it runs. */
struct run_show {
    bool terminal, colour;
    const struct plan *plan;
    enum run_phase phase; /* told last */
    bool stop_told, cause_told, line_open;
    int64_t told_ns; /* of the real clock, also in simulated time */
    unsigned stops;
};

void run_show_open(struct run_show *show, const struct plan *plan);
void run_show_cautions(const struct run_show *show, bool simulated);
void run_show_plan(const struct inputs *inputs, const char *folder);
/* At any rate: prints what is new, and a line of progress when its time has come. */
void run_show_update(struct run_show *show, const struct bench_view *view);
void run_show_end(struct run_show *show, const struct bench_end *end, const char *folder);

/* Ports, recording, loop, end. Returns the exit status; has printed all there is to say. */
int run_carry_out(const struct run_options *options, struct inputs *inputs, double water_degc,
                  const char *folder);

#endif
