/* SPDX-License-Identifier: GPL-3.0-or-later
 * A run from opened ports to a closed recording. On hardware three threads share the
 * work, so that no terminal and no disk can hold up the ports: one runs the bench loop,
 * the recorder's own writes, and this one prints. In simulated time there is one. */
#include "rig/commands/commands.h"
#include "rig/commands/run_parts.h"

#include "base/file.h"
#include "rig/host_clock.h"
#include "rig/sim.h"

#include <errno.h>
#include <math.h>
#include <pthread.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/signalfd.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

struct job {
    const struct run_options *options;
    struct inputs *inputs;
    const char *folder;
    struct bench_settings bench;
    struct sim_bench *sim;
    struct run_show show;
    struct bench_end end;
    struct rig_err err, closing;
    int code, closed;
    /* Between the loop's thread and this one. */
    pthread_mutex_t lock;
    struct bench_view view;
    bool viewed, over;
};

/* ---- signals: a wish to stop arrives as bytes to read, in no thread's way ---- */

/* A descriptor to read them from, or -1. */
static int take_signals(struct rig_err *err)
{
    sigset_t wishes;
    struct sigaction ignored = {.sa_handler = SIG_IGN}, hangup;
    sigemptyset(&wishes);
    sigaddset(&wishes, SIGINT);
    sigaddset(&wishes, SIGTERM);
    /* Under nohup a closed terminal is no reason to stop. */
    if (sigaction(SIGHUP, NULL, &hangup) == 0 && hangup.sa_handler != SIG_IGN)
        sigaddset(&wishes, SIGHUP);
    /* A reader of our output that goes away, or Ctrl-Z, must not leave the board wet. */
    if (sigaction(SIGPIPE, &ignored, NULL) || sigaction(SIGTSTP, &ignored, NULL) ||
        sigaction(SIGXFSZ, &ignored, NULL) || sigprocmask(SIG_BLOCK, &wishes, NULL)) {
        rig_fail_os(err, errno, "signals can't be set up");
        return -1;
    }
    int fd = signalfd(-1, &wishes, SFD_NONBLOCK | SFD_CLOEXEC);
    if (fd < 0)
        rig_fail_os(err, errno, "signals can't be set up");
    return fd;
}

/* ---- ports ---- */

static int port_path(const struct job *job, const char *path, char *whole, size_t room,
                     struct rig_err *err)
{
    const char *folder = job->options->ports;
    bool relative = path[0] != '/' && !strchr(path, ':');
    int size = folder && relative ? snprintf(whole, room, "%s/%s", folder, path)
                                  : snprintf(whole, room, "%s", path);
    if (size < 0 || (size_t)size >= room)
        return rig_fail(err, RIG_EINPUT, "the port path %.100s is too long", path);
    return RIG_OK;
}

static int open_port(const struct job *job, struct transport *port, const char *path, int baud,
                     struct rig_err *err)
{
    char whole[RIG_PATH_SIZE * 2];
    int code = port_path(job, path, whole, sizeof whole, err);
    return code ? code : transport_open(port, whole, baud, &job->bench.clock, err);
}

static int open_hardware(struct job *job, struct rig_err *err)
{
    const struct rig *rig = &job->inputs->rig;
    job->bench.clock = host_clock();
    job->bench.polls = true;
    int code = open_port(job, &job->bench.axis, rig->axis.port, rig->axis.baud, err);
    for (size_t i = 0; !code && i < rig->source_count; i++)
        code =
            open_port(job, &job->bench.sources[i], rig->sources[i].port, rig->sources[i].baud, err);
    return code;
}

static int open_simulated(struct job *job, struct rig_err *err)
{
    const struct rig *rig = &job->inputs->rig;
    const char *path = job->options->bench;
    struct sim_truth truth;
    char *text = NULL;
    size_t size = 0;
    if (rig->source_count > 1)
        return rig_fail(err, RIG_EINPUT,
                        "%s: the simulated bench has one board, and the rig file names %zu "
                        "sources; leave one",
                        job->inputs->rig_path, rig->source_count);
    int code = file_read(path, 1 << 20, &text, &size, err);
    if (!code)
        code = sim_truth_read(&truth, path, text, size, job->inputs->units, err);
    free(text);
    if (code)
        return code;
    job->sim = sim_open(&truth, rig, job->options->seed, err);
    if (!job->sim)
        return err->code ? (int)err->code : RIG_EMEMORY;
    job->bench.clock = sim_clock(job->sim);
    job->bench.axis = sim_axis_transport(job->sim);
    if (rig->source_count)
        job->bench.sources[0] = sim_board_transport(job->sim);
    return RIG_OK;
}

static void close_ports(struct job *job)
{
    transport_close(&job->bench.axis);
    for (size_t i = 0; i < job->inputs->rig.source_count; i++)
        transport_close(&job->bench.sources[i]);
}

/* ---- the recording ---- */

static int refuse_existing(const char *folder, struct rig_err *err)
{
    struct stat found;
    if (lstat(folder, &found) == 0)
        return rig_fail(err, RIG_EINPUT,
                        "%s: exists already, and a recording is never written over; give another "
                        "--out, or move it away",
                        folder);
    return RIG_OK;
}

static int open_recording(struct job *job, double water_degc, struct rig_err *err)
{
    const struct inputs *inputs = job->inputs;
    const struct run_options *options = job->options;
    char started[32] = "";
    time_t now = time(NULL);
    struct tm utc;
    if (gmtime_r(&now, &utc))
        strftime(started, sizeof started, "%Y-%m-%dT%H:%M:%SZ", &utc);
    const struct run_facts facts = {
        .board = options->board,
        .revision = options->revision,
        .coating = options->coating,
        .note = options->note,
        .rig_name = inputs->rig_path,
        .rig_text = inputs->rig_text,
        .controller_name = inputs->controller_text ? inputs->rig.axis.speaks : "",
        .controller_text = inputs->controller_text,
        .profile_name = inputs->profile_path,
        .profile_text = inputs->profile_text,
        .started = started,
        .version = WETSWEEP_VERSION,
        .water_degc = water_degc,
    };
    struct recording_writer *writer =
        recording_create(job->folder, &facts, &inputs->rig, inputs->plan, &inputs->files, err);
    if (!writer)
        return err->code ? (int)err->code : RIG_EOS;
    /* In simulated time the ring is written out at every wake-up. */
    size_t room = job->sim ? (size_t)1 << 20 : RECORDER_ROOM;
    job->bench.recorder = recorder_open(writer, room, !job->sim, err);
    return job->bench.recorder ? RIG_OK : (int)err->code;
}

/* ---- running ---- */

static void show_inline(void *context, const struct bench_view *view)
{
    struct job *job = context;
    run_show_update(&job->show, view);
}

static void show_shared(void *context, const struct bench_view *view)
{
    struct job *job = context;
    pthread_mutex_lock(&job->lock);
    job->view = *view;
    job->viewed = true;
    pthread_mutex_unlock(&job->lock);
}

/* The loop and the recording's end belong together: a terminal that is held (Ctrl-S) must
 * not keep a finished recording open. */
static void run_and_close(struct job *job)
{
    job->code = bench_run(&job->bench, &job->end, &job->err);
    enum run_state state = job->code ? RUN_FAULTED : job->end.state;
    const char *why = job->code ? job->err.text : job->end.why;
    job->closed = recorder_close(job->bench.recorder, state, why, &job->closing);
}

static void *loop_thread(void *context)
{
    struct job *job = context;
    run_and_close(job);
    pthread_mutex_lock(&job->lock);
    job->over = true;
    pthread_mutex_unlock(&job->lock);
    return NULL;
}

static void print_until_over(struct job *job)
{
    for (bool over = false; !over;) {
        struct bench_view view;
        const struct timespec pause = {.tv_nsec = 100000000};
        (void)nanosleep(&pause, NULL);
        pthread_mutex_lock(&job->lock);
        over = job->over;
        bool fresh = job->viewed;
        view = job->view;
        job->viewed = false;
        pthread_mutex_unlock(&job->lock);
        if (fresh)
            run_show_update(&job->show, &view);
    }
}

/* The thread could not be had: nothing was sent to the axis. */
static void close_unused(struct job *job, int os_errno)
{
    job->code = rig_fail_os(&job->err, os_errno, "the run's thread can't be started");
    close_ports(job);
    recorder_close(job->bench.recorder, RUN_FAULTED, job->err.text, NULL);
}

static void run_in_thread(struct job *job)
{
    pthread_t thread;
    int failed = pthread_mutex_init(&job->lock, NULL);
    if (failed) {
        close_unused(job, failed);
        return;
    }
    failed = pthread_create(&thread, NULL, loop_thread, job);
    if (failed) {
        close_unused(job, failed);
    } else {
        print_until_over(job);
        pthread_join(thread, NULL);
    }
    pthread_mutex_destroy(&job->lock);
}

static int run_and_tell(struct job *job)
{
    job->bench.context = job;
    job->bench.show = job->sim ? show_inline : show_shared;
    if (job->sim)
        run_and_close(job);
    else
        run_in_thread(job);
    if (job->code)
        return command_error(&job->err);
    run_show_end(&job->show, &job->end, job->folder);
    if (!job->closed)
        return job->end.exit_status;
    /* Told already where the disk was what ended the run. */
    if (job->end.state != RUN_FAULTED)
        fprintf(stderr, "wetsweep: the recording is not whole: %s\n", job->closing.text);
    return job->end.state == RUN_STOPPED ? job->end.exit_status : 5;
}

int run_carry_out(const struct run_options *options, struct inputs *inputs, double water_degc,
                  const char *folder)
{
    struct job *job = calloc(1, sizeof *job);
    struct rig_err err = {0};
    if (!job) {
        rig_fail_memory(&err, "the run");
        return command_error(&err);
    }
    job->options = options;
    job->inputs = inputs;
    job->folder = folder;
    job->bench.rig = &inputs->rig;
    job->bench.plan = inputs->plan;
    job->bench.signal_fd = -1;
    run_show_open(&job->show, inputs->plan);
    int status, code = refuse_existing(folder, &err);
    if (!code) {
        run_show_cautions(&job->show, options->bench);
        run_show_plan(inputs, folder);
        int fd = take_signals(&err);
        job->bench.signal_fd = fd;
        code = fd < 0 ? RIG_EOS : RIG_OK;
    }
    if (!code)
        code = options->bench ? open_simulated(job, &err) : open_hardware(job, &err);
    if (!code)
        code = open_recording(job, water_degc, &err);
    if (code) {
        close_ports(job);
        status = command_error(&err);
    } else {
        status = run_and_tell(job);
    }
    if (job->bench.signal_fd >= 0)
        close(job->bench.signal_fd);
    sim_close(job->sim);
    free(job);
    return status;
}
