/* SPDX-License-Identifier: GPL-3.0-or-later
 * What a run needs before it can begin: the axis for itself alone, open ports, a fresh
 * recording. */
#include "rig/commands/run_parts.h"

#include "base/file.h"
#include "base/text.h"
#include "base/utc.h"
#include "rig/axis_lock.h"
#include "rig/host_clock.h"
#include "rig/sim.h"
#include "rig/until.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <time.h>

/* ---- ports ---- */

static int port_path(const struct run_job *job, const char *path, char *whole, size_t room,
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

static int open_port(const struct run_job *job, struct transport *port, const char *path, int baud,
                     struct rig_err *err)
{
    char whole[RIG_PATH_SIZE * 2];
    int code = port_path(job, path, whole, sizeof whole, err);
    return code ? code : transport_open(port, whole, baud, &job->bench.clock, err);
}

static int reopen(void *context, size_t port, struct transport *transport, struct rig_err *err)
{
    struct run_job *job = context;
    const struct rig *rig = &job->inputs->rig;
    bool axis = port == BENCH_AXIS;
    char whole[RIG_PATH_SIZE * 2];
    int code =
        port_path(job, axis ? rig->axis.port : rig->sources[port].port, whole, sizeof whole, err);
    if (code)
        return code;
    code = replug_open(&job->replugs[port], whole, axis ? rig->axis.baud : rig->sources[port].baud,
                       &job->bench.clock, transport, err);
    return code == REPLUG_OPENING ? BENCH_OPENING : code;
}

static int64_t slept_ns(void *context)
{
    (void)context;
    return host_slept_ns();
}

static int open_hardware_ports(struct run_job *job, struct rig_err *err)
{
    const struct rig *rig = &job->inputs->rig;
    char whole[RIG_PATH_SIZE * 2], holder[200];
    job->bench.clock = host_clock();
    job->bench.polls = true;
    job->bench.reopen = reopen;
    job->bench.reopen_context = job;
    job->bench.slept_ns = slept_ns;
    if (port_path(job, rig->axis.port, whole, sizeof whole, err))
        return err->code;
    snprintf(holder, sizeof holder, "board %.60s, recording %.100s", job->options->board,
             job->folder);
    job->lock_fd = axis_lock_take(NULL, whole, holder, err);
    if (job->lock_fd < 0)
        return err->code;
    int code = open_port(job, &job->bench.axis, rig->axis.port, rig->axis.baud, err);
    for (size_t i = 0; !code && i < rig->source_count; i++)
        code =
            open_port(job, &job->bench.sources[i], rig->sources[i].port, rig->sources[i].baud, err);
    return code;
}

static int open_simulated_ports(struct run_job *job, struct rig_err *err)
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

int run_open_ports(struct run_job *job, struct rig_err *err)
{
    return job->options->bench ? open_simulated_ports(job, err) : open_hardware_ports(job, err);
}

void run_close_ports(struct run_job *job)
{
    for (size_t i = 0; i <= BENCH_AXIS; i++)
        replug_end(&job->replugs[i]);
    transport_close(&job->bench.axis);
    for (size_t i = 0; i < job->inputs->rig.source_count; i++)
        transport_close(&job->bench.sources[i]);
}

int run_set_until(struct run_job *job, struct rig_err *err)
{
    const char *until = job->options->until;
    time_t now = time(NULL), at;
    if (!until)
        return RIG_OK;
    int code = until_next(until, now, &at, err);
    if (code)
        return code;
    /* In differences from here on: setting the computer's clock doesn't move the end. */
    job->bench.until = until;
    job->bench.until_ns = rig_clock_now(&job->bench.clock) + rig_s_to_ns(difftime(at, now));
    return RIG_OK;
}

/* ---- the recording ---- */

int run_refuse_existing(const char *folder, struct rig_err *err)
{
    struct stat found;
    if (lstat(folder, &found) == 0)
        return rig_fail(err, RIG_EINPUT,
                        "%s: exists already, and a recording is never written over; give another "
                        "--out, or move it away",
                        folder);
    return RIG_OK;
}

void run_started_now(char started[32])
{
    time_t now = time(NULL);
    struct tm utc;
    *started = 0;
    if (gmtime_r(&now, &utc))
        strftime(started, 32, "%Y-%m-%dT%H:%M:%SZ", &utc);
}

struct run_facts run_facts_of(const struct run_job *job, double water_degc, const char *started)
{
    const struct inputs *inputs = job->inputs;
    const struct run_options *options = job->options;
    if (job->earlier) {
        struct run_facts facts = *recording_facts(job->earlier);
        facts.started = started;
        facts.version = WETSWEEP_VERSION;
        return facts;
    }
    return (struct run_facts){
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
        .sync_name = inputs->sync_path,
        .sync_text = inputs->sync_text,
        .started = started,
        .version = WETSWEEP_VERSION,
        .water_degc = water_degc,
    };
}

static struct recording_writer *go_on_with(struct run_job *job, const struct run_facts *facts,
                                           struct rig_err *err)
{
    int64_t then, now;
    double since_s = NAN;
    if (utc_read(recording_facts(job->earlier)->started, &then) && utc_read(facts->started, &now))
        since_s = (double)(now - then);
    struct recording_writer *writer =
        recording_resume(job->earlier, facts, since_s, &job->left, &job->bench.elapsed_s, err);
    job->bench.goes_on = true;
    job->bench.left = job->left.stroke;
    job->bench.whole = job->left.whole;
    return writer;
}

void run_tell_seam(const struct run_job *job)
{
    char text[480], gap[32];
    const char *reason = recording_state_reason(job->earlier);
    snprintf(
        text, sizeof text,
        "the run is gone on with; before, it %s%s (%.200s); %s without rows, stroke %zu of %zu was "
        "the latest, and its pass is repeated",
        job->left.state == RUN_RUNNING ? "was killed" : "had ended, ",
        job->left.state == RUN_RUNNING ? "" : run_state_name(job->left.state),
        *reason ? reason : "no reason given",
        text_duration(gap, job->bench.elapsed_s - job->left.last_s), job->left.stroke + 1,
        plan_stroke_count(job->inputs->plan));
    recorder_event(job->bench.recorder, job->bench.elapsed_s, "seam", text);
}

int run_open_recording(struct run_job *job, double water_degc, struct rig_err *err)
{
    const struct inputs *inputs = job->inputs;
    char started[32];
    run_started_now(started);
    const struct run_facts facts = run_facts_of(job, water_degc, started);
    struct recording_writer *writer = job->earlier
                                          ? go_on_with(job, &facts, err)
                                          : recording_create(job->folder, &facts, &inputs->rig,
                                                             inputs->plan, &inputs->files, err);
    if (!writer)
        return err->code ? (int)err->code : RIG_EOS;
    /* In simulated time the ring is written out at every wake-up. */
    size_t room = job->sim ? (size_t)1 << 20 : RECORDER_ROOM;
    job->bench.recorder = recorder_open(writer, room, !job->sim, err);
    return job->bench.recorder ? RIG_OK : (int)err->code;
}
