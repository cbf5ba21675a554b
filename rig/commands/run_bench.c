/* SPDX-License-Identifier: GPL-3.0-or-later
 * A run from opened ports to a closed recording. On hardware three threads share the
 * work, so that no terminal and no disk can hold up the ports: one runs the bench loop,
 * the recorder's own writes, and this one prints. In simulated time there is one. */
#include "rig/commands/commands.h"
#include "rig/commands/run_parts.h"

#include "rig/host_clock.h"
#include "rig/notifier.h"
#include "rig/sim.h"

#include <errno.h>
#include <pthread.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/signalfd.h>
#include <time.h>
#include <unistd.h>

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

/* ---- calls at events ---- */

static const double CALL_S = 30;

static void call(void *context, double t_s, const char *kind, const char *text)
{
    struct run_job *job = context;
    notifier_tell(job->notifier, kind, t_s, text);
}

static int open_notifier(struct run_job *job, struct rig_err *err)
{
    job->notifier =
        notifier_open(job->options->on_event, job->folder, job->options->board, CALL_S, err);
    job->bench.alert = call;
    job->bench.alert_context = job;
    return job->notifier ? RIG_OK : (int)err->code;
}

static void end_calls(struct run_job *job)
{
    struct notifier_tally tally;
    notifier_close(job->notifier, &tally);
    job->notifier = NULL;
    if (tally.failed || tally.cut || tally.dropped)
        fprintf(stderr,
                "wetsweep: --on-event: of %llu events, %llu calls failed, %llu were ended after "
                "%.0f s, %llu were not made\n",
                (unsigned long long)tally.told, (unsigned long long)tally.failed,
                (unsigned long long)tally.cut, CALL_S, (unsigned long long)tally.dropped);
}

/* ---- running ---- */

static void show_inline(void *context, const struct bench_view *view)
{
    struct run_job *job = context;
    run_show_update(&job->show, view);
}

static void show_shared(void *context, const struct bench_view *view)
{
    struct run_job *job = context;
    pthread_mutex_lock(&job->lock);
    job->view = *view;
    job->viewed = true;
    run_watch_view(job);
    pthread_mutex_unlock(&job->lock);
}

/* Into run.json; without memory for it the run is as good as it was. */
static void note_summary(struct run_job *job)
{
    if (job->code)
        return;
    run_summary_make(&job->summary, &job->end);
    char *text = run_summary_json(&job->summary, &job->end);
    if (text)
        recorder_note(job->bench.recorder, "summary", text, NULL);
    free(text);
}

/* The loop and the recording's end belong together: a terminal that is held (Ctrl-S) must
 * not keep a finished recording open. */
static void run_and_close(struct run_job *job)
{
    job->code = bench_run(&job->bench, &job->end, &job->err);
    for (size_t i = 0; i <= BENCH_AXIS; i++)
        replug_end(&job->replugs[i]);
    enum run_state state = job->code ? RUN_FAULTED : job->end.state;
    const char *why = job->code ? job->err.text : job->end.why;
    note_summary(job);
    job->closed = recorder_close(job->bench.recorder, state, why, &job->closing);
    /* The recording is closed: whoever is called may look at it. */
    notifier_tell(job->notifier, run_state_name(state), job->end.view.t_s, why);
}

static void *loop_thread(void *context)
{
    struct run_job *job = context;
    host_prefer_this_thread();
    run_and_close(job);
    pthread_mutex_lock(&job->lock);
    job->over = true;
    pthread_mutex_unlock(&job->lock);
    return NULL;
}

static void print_until_over(struct run_job *job)
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
static void close_unused(struct run_job *job, int os_errno)
{
    job->code = rig_fail_os(&job->err, os_errno, "the run's thread can't be started");
    run_close_ports(job);
    recorder_close(job->bench.recorder, RUN_FAULTED, job->err.text, NULL);
}

static void run_in_thread(struct run_job *job)
{
    pthread_t thread;
    int failed = pthread_mutex_init(&job->lock, NULL);
    if (failed) {
        close_unused(job, failed);
        return;
    }
    struct rig_err err = {0};
    if (job->options->watch && run_watch_open(job, &err)) {
        run_close_ports(job);
        recorder_close(job->bench.recorder, RUN_FAULTED, err.text, NULL);
        job->code = (int)err.code;
        job->err = err;
        pthread_mutex_destroy(&job->lock);
        return;
    }
    failed = pthread_create(&thread, NULL, loop_thread, job);
    if (failed) {
        close_unused(job, failed);
    } else {
        print_until_over(job);
        pthread_join(thread, NULL);
    }
    run_watch_close(job);
    pthread_mutex_destroy(&job->lock);
}

static int run_and_tell(struct run_job *job)
{
    job->bench.context = job;
    job->bench.show = job->sim ? show_inline : show_shared;
    if (job->sim)
        run_and_close(job);
    else
        run_in_thread(job);
    end_calls(job);
    if (job->code)
        return command_error(&job->err);
    run_show_end(&job->show, &job->end, &job->summary, job->folder);
    if (!job->closed)
        return job->end.exit_status;
    /* Told already where the disk was what ended the run. */
    if (job->end.state != RUN_FAULTED)
        fprintf(stderr, "wetsweep: the recording is not whole: %s\n", job->closing.text);
    return job->end.state == RUN_STOPPED ? job->end.exit_status : 5;
}

int run_carry_out(const struct run_options *options, struct inputs *inputs,
                  const struct recording *earlier, double water_degc, const char *folder)
{
    struct run_job *job = calloc(1, sizeof *job);
    struct rig_err err = {0};
    if (!job) {
        rig_fail_memory(&err, "the run");
        return command_error(&err);
    }
    job->options = options;
    job->inputs = inputs;
    job->folder = folder;
    job->earlier = earlier;
    job->bench.rig = &inputs->rig;
    job->bench.plan = inputs->plan;
    job->bench.signal_fd = job->lock_fd = -1;
    job->bench.patience_s = options->patience_s;
    run_show_open(&job->show, inputs->plan);
    job->show.no_next = options->measures_axis;
    int status, code = earlier ? RIG_OK : run_refuse_existing(folder, &err);
    if (!code) {
        run_show_cautions(&job->show, options->bench);
        run_show_plan(inputs, folder, earlier);
        int fd = take_signals(&err);
        job->bench.signal_fd = fd;
        code = fd < 0 ? RIG_EOS : RIG_OK;
    }
    if (!code)
        code = run_open_ports(job, &err);
    if (!code)
        code = run_set_until(job, &err);
    if (!code && options->on_event)
        code = open_notifier(job, &err);
    if (!code)
        code = run_open_recording(job, water_degc, &err);
    if (code) {
        run_close_ports(job);
        end_calls(job);
        status = command_error(&err);
    } else {
        if (earlier)
            run_tell_seam(job);
        status = run_and_tell(job);
    }
    if (job->bench.signal_fd >= 0)
        close(job->bench.signal_fd);
    if (job->lock_fd >= 0)
        close(job->lock_fd);
    sim_close(job->sim);
    free(job);
    return status;
}
