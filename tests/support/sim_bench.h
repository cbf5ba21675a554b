/* SPDX-License-Identifier: GPL-3.0-or-later
 * A simulated bench in few lines, for tests: a truth without faults, a rig to plug it
 * to, and a sender that follows the rules of the wire. */
#ifndef TESTS_SIM_BENCH_H
#define TESTS_SIM_BENCH_H

#include "rig/sim.h"

struct test_bench {
    struct sim_truth truth; /* change, then open */
    struct rig rig;
    struct sim_bench *sim;
    int64_t now_ns;
    char said[4096]; /* by the axis, the latest, NUL-terminated */
    size_t said_size;
    long long line; /* number of the last line sent */
};

/* Ideal truth (sim_truth_defaults without steps) and a rig: axis Z, homes to stage 0, a
 * board of CSV lines: clock ms, level, command, horn, degC. */
void test_bench_set(struct test_bench *bench);
void test_bench_open(struct test_bench *bench, uint64_t seed);
void test_bench_close(struct test_bench *bench);
/* Moves on, keeps what the axis says. */
void test_bench_wait(struct test_bench *bench, double seconds);
/* Sends without number or checksum, not waiting for anything. */
void test_bench_send(struct test_bench *bench, const char *line);
/* Sends "N<number> line*<checksum>". */
void test_bench_send_numbered(struct test_bench *bench, const char *line);
/* Forgets what was said. */
void test_bench_hush(struct test_bench *bench);
/* Moves on until the axis has said `what`, 600 s at most; fails the test then. Forgets
 * everything up to and including it. */
void test_bench_until(struct test_bench *bench, const char *what);
/* Sends and waits for its 'ok'. */
void test_bench_do(struct test_bench *bench, const char *line);
/* Every line of the board from now for `seconds`: at most `room` rows of up to 8
 * numbers; arrival times into at_s. Returns the number of rows. */
size_t test_bench_rows(struct test_bench *bench, double seconds, double rows[][8], double at_s[],
                       size_t room);

#endif
