/* SPDX-License-Identifier: GPL-3.0-or-later
 * What the files of `wetsweep run` share. */
#ifndef RIG_COMMANDS_RUN_PARTS_H
#define RIG_COMMANDS_RUN_PARTS_H

#include "rig/bench_loop.h"
#include "rig/inputs.h"
#include "rig/replug.h"
#include "rig/run_summary.h"

#include <pthread.h>
#include <stdbool.h>
#include <stdint.h>

struct notifier;
struct run_watch;

struct run_options {
    const char *profile, *rig, *board, *revision, *coating, *note, *water_temperature;
    const char *out, *bench, *ports;
    const char *go_on; /* the recording of a run to go on with; NULL: a new one */
    const char *until, *on_event, *patience;
    const char *sync; /* NULL: the one beside the rig file, if any */
    bool watch;
    const char *watch_at; /* NULL: the usual address */
    double patience_s;    /* 0: default */
    uint64_t seed;
    bool measures_axis; /* it is no board's run: wetsweep sync */
};

/* What people see while it runs. */
struct run_show {
    bool terminal, colour;
    const struct plan *plan;
    enum run_phase phase; /* told last */
    bool stop_told, cause_told, line_open;
    bool no_next;    /* nothing to say of what to do next */
    int64_t told_ns; /* of the real clock, also in simulated time */
    unsigned stops;
    char trouble[512]; /* told last */
};

void run_show_open(struct run_show *show, const struct plan *plan);
void run_show_cautions(const struct run_show *show, bool simulated);
void run_show_plan(const struct inputs *inputs, const char *folder, bool goes_on);
/* At any rate: prints what is new, and a line of progress when its time has come. */
void run_show_update(struct run_show *show, const struct bench_view *view);
void run_show_end(struct run_show *show, const struct bench_end *end,
                  const struct run_summary *summary, const char *folder);

/* One run from its options to its end. */
struct run_job {
    const struct run_options *options;
    const struct recording *earlier; /* to go on with; NULL: a new one */
    struct recording_left left;
    struct inputs *inputs;
    const char *folder;
    struct bench_settings bench;
    struct sim_bench *sim;
    struct run_show show;
    struct bench_end end;
    struct rig_err err, closing;
    int code, closed;
    int lock_fd; /* -1: none */
    struct notifier *notifier;
    struct run_watch *watch; /* NULL: no page */
    struct replug replugs[RIG_SOURCE_LIMIT + 1];
    struct run_summary summary;
    /* Between the loop's thread and this one. */
    pthread_mutex_t lock;
    struct bench_view view;
    bool viewed, over;
};

/* ---- run_open.c: 0, or the code with err ---- */
int run_refuse_existing(const char *folder, struct rig_err *err);
/* Hardware is locked against other runs first; the lock is job->lock_fd. */
int run_open_ports(struct run_job *job, struct rig_err *err);
void run_close_ports(struct run_job *job);
/* After the ports, for the clock: --until as a time of that clock. */
int run_set_until(struct run_job *job, struct rig_err *err);
int run_open_recording(struct run_job *job, double water_degc, struct rig_err *err);
/* In the recording, once it is open: that it was gone on with here, and after what. */
void run_tell_seam(const struct run_job *job);
/* The time of day in UTC, RFC 3339. */
void run_started_now(char started[32]);
/* Who and what, as the recording keeps it. started: UTC. */
struct run_facts run_facts_of(const struct run_job *job, double water_degc, const char *started);

/* ---- run_watch.c: the live page of this very run ---- */
/* Serves from now on and prints where, and the token that stops the run. */
int run_watch_open(struct run_job *job, struct rig_err *err);
/* From the loop's thread, within the job's lock. */
void run_watch_view(struct run_job *job);
/* Viewers get a moment to see the end. NULL allowed. */
void run_watch_close(struct run_job *job);

/* ID-YYYYMMDD-HHMMSS.recording, local time; what a path can't hold becomes '-'. */
void run_default_folder(char *folder, size_t room, const char *board);

/* Ports, recording, loop, end. Returns the exit status; has printed all there is to say. */
int run_carry_out(const struct run_options *options, struct inputs *inputs,
                  const struct recording *earlier, double water_degc, const char *folder);

#endif
