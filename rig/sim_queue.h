/* SPDX-License-Identifier: GPL-3.0-or-later
 * Bytes on their way to the host, each run of them with the time of its arrival; and
 * a value's recent past, for dead times. Private to the simulated bench. */
#ifndef RIG_SIM_QUEUE_H
#define RIG_SIM_QUEUE_H

#include "base/err.h"

#include <stddef.h>
#include <stdint.h>

enum { SIM_QUEUE_BYTES = 65536, SIM_QUEUE_RUNS = 8192 };

struct sim_queue {
    char *bytes; /* ring */
    size_t head, size;
    struct sim_run {
        int64_t at_ns;
        size_t size;
    } * runs; /* ring */
    size_t run_head, run_count;
    int64_t last_ns; /* arrivals keep their order */
    uint64_t lost;   /* bytes */
};

int sim_queue_init(struct sim_queue *queue, struct rig_err *err);
void sim_queue_drop(struct sim_queue *queue); /* frees; zeroed allowed */
/* Arrives at at_ns, or with the run before it if that is later. The oldest runs go
 * where there is no room. size <= SIM_QUEUE_BYTES. */
void sim_queue_put(struct sim_queue *queue, const char *bytes, size_t size, int64_t at_ns);
/* Moves what has arrived by now_ns. */
size_t sim_queue_take(struct sim_queue *queue, char *bytes, size_t room, int64_t now_ns);
/* The first arrival after now_ns, INT64_MAX: none. */
int64_t sim_queue_next_ns(const struct sim_queue *queue, int64_t now_ns);
void sim_queue_clear(struct sim_queue *queue);

/* Nodes (t, value) of a piecewise linear past, asked at times that never go back. */
struct sim_trail {
    struct sim_node {
        double t, value;
    } * nodes; /* ring of `room` */
    size_t room, head, count;
};

/* Room for `span_s` at up to rate_hz nodes a second. */
int sim_trail_init(struct sim_trail *trail, double span_s, double rate_hz, struct rig_err *err);
void sim_trail_drop(struct sim_trail *trail); /* frees; zeroed allowed */
void sim_trail_put(struct sim_trail *trail, double t, double value);
/* Forgets what lies before t. Before the first node: its value; after the last: its. */
double sim_trail_at(struct sim_trail *trail, double t);

#endif
