/* SPDX-License-Identifier: GPL-3.0-or-later
 * Threads take items as they get free; each waits for its turn before its outcome is taken. */
#include "results/in_order.h"

#include <pthread.h>
#include <stdatomic.h>
#include <stdint.h>
#include <stdlib.h>
#include <unistd.h>

enum { THREAD_LIMIT = 8 };

struct crew {
    const struct in_order *job;
    size_t items;
    atomic_size_t next;   /* item to be worked on */
    atomic_size_t failed; /* the first that failed; those behind it stop; SIZE_MAX: none */
    pthread_mutex_t lock; /* for all below */
    pthread_cond_t turn_changed;
    size_t turn;        /* the item that may be taken */
    struct rig_err err; /* of `failed` */
    int code;
};

struct in_order_worker {
    struct crew *crew;
    void *part;
    size_t item;
    bool has_turn;
};

/* Once `item` has failed, whatever comes behind it is of no use. */
static void fail(struct crew *crew, size_t item, int code, const struct rig_err *err)
{
    pthread_mutex_lock(&crew->lock);
    if (item < atomic_load(&crew->failed)) {
        atomic_store(&crew->failed, item);
        crew->code = code;
        crew->err = *err;
    }
    pthread_mutex_unlock(&crew->lock);
}

bool in_order_stopped(const struct in_order_worker *worker)
{
    return atomic_load_explicit(&worker->crew->failed, memory_order_relaxed) < worker->item;
}

void in_order_wait(struct in_order_worker *worker)
{
    struct crew *crew = worker->crew;
    if (worker->has_turn)
        return;
    pthread_mutex_lock(&crew->lock);
    while (crew->turn != worker->item)
        pthread_cond_wait(&crew->turn_changed, &crew->lock);
    pthread_mutex_unlock(&crew->lock);
    worker->has_turn = true;
}

static void end_turn(struct in_order_worker *worker)
{
    struct crew *crew = worker->crew;
    pthread_mutex_lock(&crew->lock);
    crew->turn++;
    pthread_cond_broadcast(&crew->turn_changed);
    pthread_mutex_unlock(&crew->lock);
    worker->has_turn = false;
}

static void one_item(struct in_order_worker *worker)
{
    struct crew *crew = worker->crew;
    const struct in_order *job = crew->job;
    struct rig_err err = {0};
    int code = job->work(job->whole, worker->part, worker->item, worker, &err);
    in_order_wait(worker);
    if (!code && !in_order_stopped(worker))
        code = job->take(job->whole, worker->part, worker->item, &err);
    if (code)
        fail(crew, worker->item, code, &err);
    end_turn(worker);
}

static void *run_worker(void *context)
{
    struct in_order_worker *worker = context;
    struct crew *crew = worker->crew;
    /* An item once begun gets its turn, whatever happens: those behind it wait for that. */
    while (atomic_load(&crew->failed) == SIZE_MAX &&
           (worker->item = atomic_fetch_add(&crew->next, 1)) < crew->items)
        one_item(worker);
    return NULL;
}

static void close_part(const struct in_order *job, void *part)
{
    if (part && job->close)
        job->close(part);
    free(part);
}

static int open_part(const struct in_order *job, void **part, struct rig_err *err)
{
    *part = calloc(1, job->part_size);
    if (!*part)
        return rig_fail_memory(err, "what a thread works with");
    return job->open ? job->open(job->whole, *part, err) : RIG_OK;
}

static int run(struct crew *crew, size_t threads, struct rig_err *err)
{
    struct in_order_worker workers[THREAD_LIMIT];
    pthread_t running[THREAD_LIMIT];
    size_t opened = 0, started = 1;
    int code = RIG_OK;
    while (!code && opened < threads) {
        struct in_order_worker *worker = &workers[opened++];
        *worker = (struct in_order_worker){.crew = crew};
        code = open_part(crew->job, &worker->part, err);
    }
    if (!code) {
        /* Where there are no more threads to be had, fewer do. */
        while (started < opened &&
               pthread_create(&running[started], NULL, run_worker, &workers[started]) == 0)
            started++;
        run_worker(&workers[0]);
        for (size_t i = 1; i < started; i++)
            pthread_join(running[i], NULL);
        if ((code = crew->code) && err)
            *err = crew->err;
    }
    while (opened > 0)
        close_part(crew->job, workers[--opened].part);
    return code;
}

static size_t thread_count(size_t asked, size_t items)
{
    long cores = sysconf(_SC_NPROCESSORS_ONLN);
    size_t threads = asked ? asked : cores > 0 ? (size_t)cores : 1;
    threads = threads < THREAD_LIMIT ? threads : THREAD_LIMIT;
    return threads < items ? threads : items > 0 ? items : 1;
}

int in_order_run(const struct in_order *job, size_t items, size_t threads, struct rig_err *err)
{
    struct crew crew = {.job = job, .items = items, .failed = SIZE_MAX};
    pthread_mutex_init(&crew.lock, NULL);
    pthread_cond_init(&crew.turn_changed, NULL);
    int code = run(&crew, thread_count(threads, items), err);
    pthread_cond_destroy(&crew.turn_changed);
    pthread_mutex_destroy(&crew.lock);
    return code;
}
