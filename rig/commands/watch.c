/* SPDX-License-Identifier: GPL-3.0-or-later
 * wetsweep watch: the live page of a recording that another process writes, or that is
 * finished. Reads only. */
#include "rig/commands/commands.h"

#include "base/file.h"
#include "base/text.h"
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
#include <sys/stat.h>
#include <sys/statvfs.h>

static const char usage[] =
    "usage: wetsweep watch RECORDING [--at ADDRESS:PORT] [--json]\n"
    "\n"
    "Shows a recording as a page in a browser: the board in the water, depth and reading, how\n"
    "far the plan is carried out, what happened. Works while another process records, and\n"
    "afterwards. Ctrl-C ends the page and nothing else.\n"
    "\n"
    "  --at ADDRESS:PORT  where the page is (default: 127.0.0.1:8737, or one of the nine ports\n"
    "                     after it). 0.0.0.0:8737 shows it to the whole network; whoever can\n"
    "                     reach it may look\n"
    "  --json             print how it stands, once, as the page gets it; no page\n"
    "\n"
    "example: wetsweep watch WS-B-0007-20260412-161500.recording\n";

/* What is followed. Used by the server's thread alone, once it runs. */
struct watched {
    const char *folder;
    struct recording *recording;
    struct live_follow *follow;
    struct live_now now;
    int64_t news_ns;
    size_t segment;          /* told last */
    double segment_s;        /* t_s at which it was first seen */
    struct timespec changed; /* run.json */
    bool taken;
};

/* The state changes when run.json is replaced. One that can't be read just then is looked
 * at again. */
static void look_at_state(struct watched *watched)
{
    struct stat found;
    struct rig_err ignored;
    char *path = file_join(watched->folder, "run.json");
    bool same = !path || stat(path, &found) ||
                (found.st_mtim.tv_sec == watched->changed.tv_sec &&
                 found.st_mtim.tv_nsec == watched->changed.tv_nsec);
    free(path);
    if (same)
        return;
    struct recording *again = recording_open(watched->folder, &ignored);
    if (!again)
        return;
    watched->changed = found.st_mtim;
    watched->now.state = recording_state(again);
    if (watched->now.state != RUN_RUNNING)
        snprintf(watched->now.why, sizeof watched->now.why, "%s", recording_state_reason(again));
    recording_free(again);
}

/* Time left, from where the plan has the segment under way to begin. */
static void reckon(struct watched *watched)
{
    const struct plan *plan = recording_plan(watched->recording);
    struct live_now *now = &watched->now;
    if (now->state == RUN_COMPLETE)
        now->plan_s = plan_duration_s(plan);
    if (now->segment >= plan_segment_count(plan) || now->state == RUN_COMPLETE)
        return;
    if (now->segment != watched->segment) {
        watched->segment = now->segment;
        watched->segment_s = now->t_s;
    }
    double passed_s =
        fmin(now->t_s - watched->segment_s, plan_segments(plan)[now->segment].duration_s);
    now->plan_s = plan_segments(plan)[now->segment].start_s + fmax(passed_s, 0);
    now->left_s = plan_duration_s(plan) - now->plan_s;
}

static void look(void *context, struct live *live)
{
    struct watched *watched = context;
    const struct rig_clock clock = host_clock();
    int64_t now_ns = rig_clock_now(&clock);
    struct statvfs disk;
    look_at_state(watched);
    if (live_follow_poll(watched->follow, live, &watched->now) || !watched->taken)
        watched->news_ns = now_ns;
    watched->taken = true;
    watched->now.quiet_s =
        watched->now.state == RUN_RUNNING ? rig_ns_to_s(now_ns - watched->news_ns) : 0;
    if (statvfs(watched->folder, &disk) == 0)
        watched->now.disk_free_bytes = (double)disk.f_bavail * (double)disk.f_frsize;
    reckon(watched);
    live_take(live, &watched->now, now_ns);
}

/* Until Ctrl-C, or whoever ends programs. */
static int serve(struct live_server_settings *settings, const char *folder)
{
    struct rig_err err = {0};
    sigset_t wishes;
    int wish;
    sigemptyset(&wishes);
    sigaddset(&wishes, SIGINT);
    sigaddset(&wishes, SIGTERM);
    sigaddset(&wishes, SIGHUP);
    if (sigprocmask(SIG_BLOCK, &wishes, NULL))
        return 1;
    struct live_server *server = live_server_open(settings, &err);
    if (!server)
        return command_error(&err);
    printf("%s is shown at %s\nCtrl-C ends the page.\n", folder, live_server_url(server));
    fflush(stdout);
    (void)sigwait(&wishes, &wish);
    live_server_close(server);
    return 0;
}

static int show(struct watched *watched, struct live_server_settings *settings, bool json)
{
    struct rig_err err = {0};
    const struct plan *plan = recording_plan(watched->recording);
    const struct rig *rig = recording_rig(watched->recording);
    const struct run_facts *facts = recording_facts(watched->recording);
    const struct plan_sheet sheet = {plan, rig, facts->profile_name, facts->rig_name};
    const struct live_about about = {
        .facts = facts,
        .rig = rig,
        .plan = plan,
        .folder = watched->folder,
        .bytes_planned = plan_recording_bytes(&sheet),
    };
    char *about_json = live_plan_json(&about, &err);
    struct live *live = about_json ? live_open(plan, plan_duration_s(plan) + 30, &err) : NULL;
    watched->follow = live ? live_follow_open(watched->folder, rig, true, &err) : NULL;
    int status;
    if (!watched->follow) {
        status = command_error(&err);
    } else if (json) {
        look(watched, live);
        const struct live_seen nothing = {0};
        char *state = live_state_json(live, &nothing, true);
        status = state ? 0 : 1;
        if (state)
            printf("{\"run\":%s,\"state\":%s}\n", about_json, state);
        free(state);
    } else {
        settings->live = live;
        settings->plan_json = about_json;
        settings->look = look;
        settings->context = watched;
        status = serve(settings, watched->folder);
    }
    live_follow_close(watched->follow);
    live_free(live);
    free(about_json);
    return status;
}

int command_watch(int argc, char **argv)
{
    struct live_server_settings settings = {
        .address = "127.0.0.1", .port = LIVE_PORT, .next_ports = true};
    struct watched watched = {0};
    struct rig_err err = {0};
    bool json = false;
    for (int i = 1; i < argc; i++) {
        if (strcmp(argv[i], "--help") == 0) {
            fputs(usage, stdout);
            return 0;
        } else if (strcmp(argv[i], "--json") == 0) {
            json = true;
        } else if (strcmp(argv[i], "--at") == 0 && i + 1 < argc) {
            if (!live_address(argv[++i], settings.address, &settings.port))
                return command_usage(argv[0], "--at '%s' is no ADDRESS:PORT", argv[i]);
            settings.next_ports = false;
        } else if (argv[i][0] != '-' && !watched.folder) {
            watched.folder = argv[i];
        } else {
            return command_usage(argv[0], "'%s' is not expected here", argv[i]);
        }
    }
    if (!watched.folder)
        return command_usage(argv[0], "a recording is missing");
    watched.recording = recording_open(watched.folder, &err);
    if (!watched.recording)
        return command_error(&err);
    watched.segment = SIZE_MAX;
    watched.now = (struct live_now){
        .plan_s = NAN,
        .left_s = NAN,
        .segment = SIZE_MAX,
        .depth_mm = NAN,
        .reading = NAN,
        .malformed = UINT64_MAX,
        .lost = UINT64_MAX,
        .resends = UINT64_MAX,
        .disk_free_bytes = NAN,
    };
    int status = show(&watched, &settings, json);
    recording_free(watched.recording);
    return status;
}
