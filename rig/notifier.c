/* SPDX-License-Identifier: GPL-3.0-or-later
 * A queue of fixed size and the thread that empties it. The lock is held for a copy only. */
#include "rig/notifier.h"

#include "base/clock.h"
#include "rig/host_clock.h"

#include <errno.h>
#include <fcntl.h>
#include <pthread.h>
#include <signal.h>
#include <spawn.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

extern char **environ;

struct call {
    char event[24], text[600];
    double t_s;
};

struct notifier {
    char *command, *recording, *board;
    int64_t limit_ns;
    pthread_t thread;
    pthread_mutex_t lock;
    pthread_cond_t wake;
    /* Under lock. */
    struct call queue[NOTIFIER_QUEUE];
    size_t first, count;
    bool closing;
    int64_t closing_until_ns;
    struct notifier_tally tally;
};

static int64_t now_ns(void)
{
    const struct rig_clock clock = host_clock();
    return rig_clock_now(&clock);
}

/* ---- one call ---- */

/* NAME=value, malloc'd. */
static char *variable(const char *name, const char *value)
{
    size_t size = strlen(name) + strlen(value) + 2;
    char *text = malloc(size);
    if (text)
        snprintf(text, size, "%s=%s", name, value);
    return text;
}

/* The program's own environment with the event's in front. */
static char **environment(const struct notifier *notifier, const struct call *call)
{
    enum { OURS = 5 };
    char t_s[32];
    snprintf(t_s, sizeof t_s, "%.3f", call->t_s);
    size_t theirs = 0;
    while (environ[theirs])
        theirs++;
    char **list = calloc(OURS + theirs + 1, sizeof *list);
    if (!list)
        return NULL;
    list[0] = variable("WETSWEEP_EVENT", call->event);
    list[1] = variable("WETSWEEP_TEXT", call->text);
    list[2] = variable("WETSWEEP_T_S", t_s);
    list[3] = variable("WETSWEEP_RECORDING", notifier->recording);
    list[4] = variable("WETSWEEP_BOARD", notifier->board);
    bool whole = true;
    for (size_t i = 0; i < OURS; i++)
        whole = whole && list[i];
    size_t count = OURS;
    for (size_t i = 0; i < theirs; i++)
        if (strncmp(environ[i], "WETSWEEP_", 9) != 0)
            list[count++] = environ[i];
    if (whole)
        return list;
    for (size_t i = 0; i < OURS; i++)
        free(list[i]);
    free(list);
    return NULL;
}

static void free_environment(char **list)
{
    for (size_t i = 0; i < 5; i++)
        free(list[i]);
    free(list);
}

/* In a process group of its own, which can be ended whole; with the signals of a fresh
 * program, which this one has changed for itself; what it prints goes where errors go. */
static int start(const struct notifier *notifier, char **list, pid_t *child)
{
    posix_spawnattr_t how;
    posix_spawn_file_actions_t files;
    sigset_t none, all;
    char shell[] = "sh", option[] = "-c";
    char *arguments[] = {shell, option, notifier->command, NULL};
    sigemptyset(&none);
    sigfillset(&all);
    int failed = posix_spawnattr_init(&how);
    if (failed)
        return failed;
    failed = posix_spawn_file_actions_init(&files);
    if (failed) {
        posix_spawnattr_destroy(&how);
        return failed;
    }
    if (!(failed = posix_spawnattr_setflags(&how, POSIX_SPAWN_SETPGROUP | POSIX_SPAWN_SETSIGMASK |
                                                      POSIX_SPAWN_SETSIGDEF)) &&
        !(failed = posix_spawnattr_setpgroup(&how, 0)) &&
        !(failed = posix_spawnattr_setsigmask(&how, &none)) &&
        !(failed = posix_spawnattr_setsigdefault(&how, &all)) &&
        !(failed = posix_spawn_file_actions_addopen(&files, 0, "/dev/null", O_RDONLY, 0)) &&
        !(failed = posix_spawn_file_actions_adddup2(&files, 2, 1)))
        failed = posix_spawn(child, "/bin/sh", &files, &how, arguments, list);
    posix_spawn_file_actions_destroy(&files);
    posix_spawnattr_destroy(&how);
    return failed;
}

static int64_t sooner(int64_t a, int64_t b)
{
    return a < b ? a : b;
}

static void count(struct notifier *notifier, uint64_t *what)
{
    pthread_mutex_lock(&notifier->lock);
    ++*what;
    pthread_mutex_unlock(&notifier->lock);
}

/* The time for the call under way, which the end of the run may shorten. */
static int64_t limit_now(struct notifier *notifier, int64_t begun_ns)
{
    int64_t until_ns = begun_ns + notifier->limit_ns;
    pthread_mutex_lock(&notifier->lock);
    if (notifier->closing)
        until_ns = sooner(until_ns, notifier->closing_until_ns);
    pthread_mutex_unlock(&notifier->lock);
    return until_ns;
}

static void carry_out(struct notifier *notifier, const struct call *call)
{
    char **list = environment(notifier, call);
    pid_t child = 0, ended;
    int status = 0, failed = list ? start(notifier, list, &child) : ENOMEM;
    if (list)
        free_environment(list);
    if (failed) {
        count(notifier, &notifier->tally.failed);
        return;
    }
    int64_t begun_ns = now_ns();
    while ((ended = waitpid(child, &status, WNOHANG)) == 0 || (ended < 0 && errno == EINTR)) {
        const struct timespec pause = {.tv_nsec = 10000000};
        if (now_ns() < limit_now(notifier, begun_ns)) {
            (void)nanosleep(&pause, NULL);
            continue;
        }
        kill(-child, SIGKILL);
        while (waitpid(child, &status, 0) < 0 && errno == EINTR)
            ;
        count(notifier, &notifier->tally.cut);
        return;
    }
    if (ended < 0 || !WIFEXITED(status) || WEXITSTATUS(status) != 0)
        count(notifier, &notifier->tally.failed);
}

/* ---- the queue ---- */

static void *calling_thread(void *context)
{
    struct notifier *notifier = context;
    for (;;) {
        pthread_mutex_lock(&notifier->lock);
        while (notifier->count == 0 && !notifier->closing)
            pthread_cond_wait(&notifier->wake, &notifier->lock);
        bool late = notifier->closing && now_ns() >= notifier->closing_until_ns;
        if (late)
            notifier->tally.dropped += notifier->count;
        if (late || notifier->count == 0) {
            pthread_mutex_unlock(&notifier->lock);
            return NULL;
        }
        struct call call = notifier->queue[notifier->first];
        notifier->first = (notifier->first + 1) % NOTIFIER_QUEUE;
        notifier->count--;
        pthread_mutex_unlock(&notifier->lock);
        carry_out(notifier, &call);
    }
}

static void free_all(struct notifier *notifier)
{
    free(notifier->command);
    free(notifier->recording);
    free(notifier->board);
    free(notifier);
}

struct notifier *notifier_open(const char *command, const char *recording, const char *board,
                               double limit_s, struct rig_err *err)
{
    struct notifier *notifier = calloc(1, sizeof *notifier);
    if (notifier) {
        notifier->command = strdup(command);
        notifier->recording = strdup(recording);
        notifier->board = strdup(board);
    }
    if (!notifier || !notifier->command || !notifier->recording || !notifier->board) {
        rig_fail_memory(err, "the calls at events");
        if (notifier)
            free_all(notifier);
        return NULL;
    }
    notifier->limit_ns = rig_s_to_ns(limit_s);
    int code = pthread_mutex_init(&notifier->lock, NULL);
    if (!code && (code = pthread_cond_init(&notifier->wake, NULL)))
        pthread_mutex_destroy(&notifier->lock);
    if (!code && (code = pthread_create(&notifier->thread, NULL, calling_thread, notifier))) {
        pthread_cond_destroy(&notifier->wake);
        pthread_mutex_destroy(&notifier->lock);
    }
    if (!code)
        return notifier;
    rig_fail_os(err, code, "the thread for calls at events can't be started");
    free_all(notifier);
    return NULL;
}

void notifier_tell(struct notifier *notifier, const char *event, double t_s, const char *text)
{
    if (!notifier)
        return;
    pthread_mutex_lock(&notifier->lock);
    notifier->tally.told++;
    if (notifier->count == NOTIFIER_QUEUE) {
        /* The oldest goes: how the run ended is what must be told. */
        notifier->first = (notifier->first + 1) % NOTIFIER_QUEUE;
        notifier->count--;
        notifier->tally.dropped++;
    }
    struct call *call = &notifier->queue[(notifier->first + notifier->count++) % NOTIFIER_QUEUE];
    call->t_s = t_s;
    snprintf(call->event, sizeof call->event, "%s", event);
    snprintf(call->text, sizeof call->text, "%s", text);
    pthread_cond_signal(&notifier->wake);
    pthread_mutex_unlock(&notifier->lock);
}

void notifier_close(struct notifier *notifier, struct notifier_tally *tally)
{
    *tally = (struct notifier_tally){0};
    if (!notifier)
        return;
    pthread_mutex_lock(&notifier->lock);
    notifier->closing = true;
    notifier->closing_until_ns = now_ns() + 2 * notifier->limit_ns;
    pthread_cond_signal(&notifier->wake);
    pthread_mutex_unlock(&notifier->lock);
    pthread_join(notifier->thread, NULL);
    *tally = notifier->tally;
    pthread_cond_destroy(&notifier->wake);
    pthread_mutex_destroy(&notifier->lock);
    free_all(notifier);
}
