/* SPDX-License-Identifier: GPL-3.0-or-later
 * A recording of a small bench in a folder of its own, for tests of what is written
 * and read. */
#ifndef TESTS_RECORDINGS_H
#define TESTS_RECORDINGS_H

#include "results/recording.h"

struct recording_bench {
    char base[64];   /* temporary, removed at the end */
    char folder[96]; /* of the recording, inside */
    struct units *units;
    struct rig rig;
    struct plan *plan;
    struct run_facts facts;
};

/* Sources 'board' (clock; level, command) and 'thermo' (no clock; water). profile NULL:
 * a ramp up and down. files: for profiles that follow. */
void recording_bench_open(struct recording_bench *bench, const char *profile,
                          const struct plan_files *files);
void recording_bench_close(struct recording_bench *bench);
/* A fresh recording; fails the test when it can't be made. */
struct recording_writer *recording_bench_create(const struct recording_bench *bench);
struct recording *recording_bench_reopen(const struct recording_bench *bench);

/* The whole file NAME of the recording, NUL-terminated; the caller frees. */
char *recording_bench_read(const struct recording_bench *bench, const char *name, size_t *size);
/* Puts bytes in the place of the file NAME. */
void recording_bench_put(const struct recording_bench *bench, const char *name, const char *bytes,
                         size_t size);

/* Rows of a source kept in memory. */
struct kept_rows {
    size_t columns, rows, room;
    double *cells; /* row-major */
};
int keep_rows(void *context, const struct row_batch *batch, struct rig_err *err);

#endif
