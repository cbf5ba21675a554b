/* SPDX-License-Identifier: GPL-3.0-or-later
 * What the files of the bench loop share; private to rig/bench_*.c. */
#ifndef RIG_BENCH_PARTS_H
#define RIG_BENCH_PARTS_H

#include "rig/bench_loop.h"

#include "motion/axis.h"
#include "rig/decode.h"
#include "rig/event_limit.h"

enum { BENCH_READ_SIZE = 16384, BENCH_OUT_SIZE = 512 };

/* A port that is to be opened anew, again and again, each time after a longer pause. */
struct bench_retry {
    int64_t next_ns, pause_ns, most_ns; /* pause_ns 0: nothing is to be opened */
    int64_t lost_ns, opened_ns;
    bool hung; /* it was there all the while, and said nothing */
};

struct bench_source {
    struct bench_retry retry;
    struct transport port;
    bool open;
    struct decoder *decoder;
    uint64_t clock_resets;
    struct source_tally tally;
    int64_t last_ns;     /* of its latest line, 0: none */
    int64_t interval_ns; /* usual, between lines; 0: not known */
    struct event_limit malformed_limit;
};

struct bench {
    struct bench_settings *settings;
    struct axis *axis;
    struct supervisor *supervisor;
    struct transport axis_port;
    bool axis_open;
    struct bench_source sources[RIG_SOURCE_LIMIT];
    size_t source_count;
    struct bench_retry axis_retry;
    int64_t start_ns, now_ns;
    int64_t rest_until_ns; /* when the loop meant to wake, 0: not yet */
    int64_t slept_ns;
    char out[BENCH_OUT_SIZE]; /* bytes for the axis that its port has not taken yet */
    size_t out_size;
    bool trouble_told;
    struct event_limit chatter_limit, resend_limit;
    size_t sensor_channel[RIG_SOURCE_LIMIT]; /* the first of each source; RIG_CHANNEL_LIMIT: none */
    size_t shown_source, shown_channel;      /* the reading that is shown; RIG_SOURCE_LIMIT: none */
    double reading;
    enum run_phase shown_phase;
    int64_t shown_ns;
    unsigned stops;
    struct decoded line;
    char bytes[BENCH_READ_SIZE];
};

double bench_t_s(const struct bench *bench);
void bench_event(struct bench *bench, const char *kind, const char *text);

/* ---- bench_ports.c ---- */
/* Reads all that has come, at most some pieces a port, and acts on it. */
void bench_read_axis(struct bench *bench);
void bench_read_source(struct bench *bench, size_t source);
/* Lets the axis wire speak; false when nothing was left to say. */
void bench_write_axis(struct bench *bench);
void bench_greet_source(struct bench *bench, size_t source);
/* How many lines were passed over, as events at the end. */
void bench_tell_totals(struct bench *bench);
/* ---- bench_replug.c ---- */
void bench_lose_axis(struct bench *bench, const struct rig_err *err);
void bench_lose_source(struct bench *bench, size_t source, const struct rig_err *err);
/* Opens what is to be opened, when its time has come. */
void bench_replug(struct bench *bench);
int64_t bench_replug_ns(const struct bench *bench);
/* Whether nobody was here to look since the last wake-up. */
void bench_note_lapse(struct bench *bench);

/* Until a descriptor is ready or until_ns. */
void bench_poll(struct bench *bench, int64_t until_ns);

#endif
