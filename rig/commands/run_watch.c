/* SPDX-License-Identifier: GPL-3.0-or-later
 * wetsweep run --watch: the live page of this very run. The page's thread copies what the
 * loop last said and looks at the events on the disk; the loop waits for neither. */
#include "rig/commands/run_parts.h"

#include "rig/host_clock.h"
#include "rig/live.h"
#include "rig/live_follow.h"
#include "rig/live_server.h"
#include "rig/plan_sheet.h"

#include <math.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/statvfs.h>
#include <time.h>
#include <unistd.h>

enum { SAMPLES = 64 };
/* Who asked within the last two seconds is shown the end, for so long. */
static const double LINGER_S = 2;

struct run_watch {
    struct run_job *job;
    char *plan_json;
    struct live *live;
    struct live_follow *follow;
    struct live_server *server;
    /* Within the job's lock: what the loop said since the page looked. */
    struct {
        double t_s, depth_mm, reading;
    } samples[SAMPLES];
    size_t count;
    struct bench_view view;
    int64_t news_ns;
    bool seen;
};

void run_watch_view(struct run_job *job)
{
    struct run_watch *watch = job->watch;
    const struct rig_clock clock = host_clock();
    if (!watch)
        return;
    watch->view = job->view;
    watch->seen = true;
    watch->news_ns = rig_clock_now(&clock);
    if (watch->count == SAMPLES) /* nobody looks: the newest ones stay */
        memmove(watch->samples, watch->samples + 1, --watch->count * sizeof *watch->samples);
    watch->samples[watch->count].t_s = job->view.t_s;
    watch->samples[watch->count].depth_mm = job->view.run.depth_mm;
    watch->samples[watch->count++].reading = job->view.reading;
}

static struct live_now now_of(const struct bench_view *view)
{
    struct live_now now = {
        .state = view->state,
        .t_s = view->t_s,
        .plan_s = view->run.plan_s,
        .left_s = view->run.left_s,
        .segment = view->run.segment < view->run.segments ? view->run.segment : SIZE_MAX,
        .depth_mm = view->run.depth_mm,
        .reading = view->reading,
        .rows = view->rows,
        .malformed = view->malformed,
        .lost = view->lost,
        .resends = view->resends,
        .stopping = view->stops > 0,
        .disk_free_bytes = NAN,
    };
    snprintf(now.phase, sizeof now.phase, "%s", run_phase_name(view->run.phase));
    snprintf(now.why, sizeof now.why, "%s", view->why);
    return now;
}

/* In the page's thread. */
static void look(void *context, struct live *live)
{
    struct run_watch *watch = context;
    const struct rig_clock clock = host_clock();
    int64_t now_ns = rig_clock_now(&clock);
    struct live_now unused = {0};
    struct statvfs disk;
    pthread_mutex_lock(&watch->job->lock);
    struct live_now now = now_of(&watch->view);
    bool seen = watch->seen;
    now.quiet_s = now.state == RUN_RUNNING ? rig_ns_to_s(now_ns - watch->news_ns) : 0;
    for (size_t i = 0; i < watch->count; i++)
        live_sample(live, watch->samples[i].t_s, watch->samples[i].depth_mm,
                    watch->samples[i].reading);
    watch->count = 0;
    pthread_mutex_unlock(&watch->job->lock);
    if (!seen)
        return;
    live_follow_poll(watch->follow, live, &unused);
    if (statvfs(watch->job->folder, &disk) == 0)
        now.disk_free_bytes = (double)disk.f_bavail * (double)disk.f_frsize;
    live_take(live, &now, now_ns);
}

/* As the first Ctrl-C; the loop passes it over where somebody wished to stop before. */
static void stop(void *context)
{
    (void)context;
    sigqueue(getpid(), SIGINT, (union sigval){.sival_int = BENCH_FROM_AFAR});
}

static int open_live(struct run_watch *watch, struct rig_err *err)
{
    struct run_job *job = watch->job;
    const struct plan *plan = job->inputs->plan;
    const struct rig *rig = &job->inputs->rig;
    char started[32];
    run_started_now(started);
    const struct run_facts facts = run_facts_of(job, NAN, started);
    const struct plan_sheet sheet = {plan, rig, facts.profile_name, facts.rig_name};
    const struct live_about about = {
        .facts = &facts,
        .rig = rig,
        .plan = plan,
        .folder = job->folder,
        .can_stop = true,
        .bytes_planned = plan_recording_bytes(&sheet),
    };
    watch->plan_json = live_plan_json(&about, err);
    watch->live = watch->plan_json ? live_open(plan, plan_duration_s(plan) + 30, err) : NULL;
    watch->follow = watch->live ? live_follow_open(job->folder, rig, false, err) : NULL;
    return watch->follow ? RIG_OK : (int)err->code;
}

static void free_watch(struct run_watch *watch)
{
    live_follow_close(watch->follow);
    live_free(watch->live);
    free(watch->plan_json);
    free(watch);
}

int run_watch_open(struct run_job *job, struct rig_err *err)
{
    struct live_server_settings settings = {
        .address = "127.0.0.1", .port = LIVE_PORT, .next_ports = !job->options->watch_at};
    struct run_watch *watch = calloc(1, sizeof *watch);
    const struct rig_clock clock = host_clock();
    if (!watch)
        return rig_fail_memory(err, "the live page");
    watch->job = job;
    watch->news_ns = rig_clock_now(&clock);
    if (job->options->watch_at)
        live_address(job->options->watch_at, settings.address, &settings.port);
    int code = open_live(watch, err);
    if (!code)
        code = live_token(settings.token, err);
    settings.live = watch->live;
    settings.plan_json = watch->plan_json;
    settings.look = look;
    settings.stop = stop;
    settings.context = watch;
    if (!code && !(watch->server = live_server_open(&settings, err)))
        code = (int)err->code;
    if (code) {
        free_watch(watch);
        return code;
    }
    job->watch = watch;
    printf("The run is shown at %s\nToken to stop it there: %s\n", live_server_url(watch->server),
           settings.token);
    fflush(stdout);
    return RIG_OK;
}

void run_watch_close(struct run_job *job)
{
    struct run_watch *watch = job->watch;
    const struct rig_clock clock = host_clock();
    const struct timespec pause = {.tv_nsec = 50000000};
    if (!watch)
        return;
    pthread_mutex_lock(&job->lock);
    watch->view = job->end.view;
    watch->view.state = job->code ? RUN_FAULTED : job->end.state;
    snprintf(watch->view.why, sizeof watch->view.why, "%.500s",
             job->code ? job->err.text : job->end.why);
    watch->seen = true;
    pthread_mutex_unlock(&job->lock);
    int64_t end_ns = rig_clock_now(&clock), asked_ns = live_server_asked_ns(watch->server);
    while (rig_ns_to_s(end_ns - asked_ns) < LINGER_S &&
           rig_ns_to_s(rig_clock_now(&clock) - end_ns) < LINGER_S)
        (void)nanosleep(&pause, NULL);
    live_server_close(watch->server);
    job->watch = NULL;
    free_watch(watch);
}
