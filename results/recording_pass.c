/* SPDX-License-Identifier: GPL-3.0-or-later
 * One pass over a source by several threads. The file is cut into chunks of a fixed size;
 * threads take them as they get free and collect each in parts of their own, which are
 * merged in the order of the file. What a part sees follows from the file alone, so the
 * result is the same to the last bit with any number of threads. */
#include "results/recording_parts.h"

#include <pthread.h>
#include <stdatomic.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

/* Small enough that what a part collects stays in the cache until it is merged, and that no
 * thread waits long for another at the end; large enough that taking turns costs nothing. */
enum { CHUNK = 1 << 20, THREAD_LIMIT = 8 };

struct pass {
    const struct table_file *file;
    const struct row_collector *collectors;
    size_t collector_count;
    size_t chunks;
    atomic_size_t next;   /* chunk to be taken */
    atomic_size_t failed; /* the first that failed; those behind it stop; SIZE_MAX: none */
    pthread_mutex_t lock; /* for all below */
    pthread_cond_t turn_changed;
    size_t turn; /* the chunk that may merge */
    struct scan_report report;
    struct rig_err err; /* of `failed` */
    int code;
};

struct worker {
    struct pass *pass;
    struct table_scanner scanner;
    void *parts[ROW_COLLECTOR_LIMIT];
    size_t chunk;
    bool has_turn;
};

/* Once `chunk` has failed, whatever comes behind it is of no use. */
static void fail(struct pass *pass, size_t chunk, int code, const struct rig_err *err)
{
    pthread_mutex_lock(&pass->lock);
    if (chunk < atomic_load(&pass->failed)) {
        atomic_store(&pass->failed, chunk);
        pass->code = code;
        pass->err = *err;
    }
    pthread_mutex_unlock(&pass->lock);
}

static bool is_stopped(const struct worker *worker)
{
    return atomic_load_explicit(&worker->pass->failed, memory_order_relaxed) < worker->chunk;
}

/* Waits until all chunks before the worker's are merged. From then on until end_turn no
 * other thread merges. */
static void take_turn(struct worker *worker)
{
    struct pass *pass = worker->pass;
    if (worker->has_turn)
        return;
    pthread_mutex_lock(&pass->lock);
    while (pass->turn != worker->chunk)
        pthread_cond_wait(&pass->turn_changed, &pass->lock);
    pthread_mutex_unlock(&pass->lock);
    worker->has_turn = true;
}

static void end_turn(struct worker *worker, const struct scan_report *report)
{
    struct pass *pass = worker->pass;
    pthread_mutex_lock(&pass->lock);
    if (report)
        scan_report_follow(&pass->report, report);
    pass->turn++;
    pthread_cond_broadcast(&pass->turn_changed);
    pthread_mutex_unlock(&pass->lock);
    worker->has_turn = false;
}

static int merge_parts(struct worker *worker, struct rig_err *err)
{
    struct pass *pass = worker->pass;
    int code = RIG_OK;
    take_turn(worker);
    for (size_t i = 0; !code && i < pass->collector_count && !is_stopped(worker); i++)
        code = pass->collectors[i].merge(pass->collectors[i].whole, worker->parts[i], err);
    return code;
}

static int take_batch(void *context, const struct row_batch *batch, struct rig_err *err)
{
    struct worker *worker = context;
    struct pass *pass = worker->pass;
    bool full = false;
    int code = is_stopped(worker) ? -1 : RIG_OK;
    for (size_t i = 0; !code && i < pass->collector_count; i++) {
        const struct row_collector *collector = &pass->collectors[i];
        code = collector->take(worker->parts[i], batch, err);
        full = full || (collector->full && collector->full(worker->parts[i]));
    }
    return !code && full ? merge_parts(worker, err) : code;
}

static void scan_chunk(struct worker *worker)
{
    struct pass *pass = worker->pass;
    struct scan_report report = {0};
    struct rig_err err = {0};
    uint64_t from = (uint64_t)worker->chunk * CHUNK, size = pass->file->size;
    uint64_t to = size - from < CHUNK ? size : from + CHUNK;
    int code = recording_table_scan(&worker->scanner, from, to, &report, &err);
    if (!code)
        code = merge_parts(worker, &err);
    if (code)
        fail(pass, worker->chunk, code, &err);
    take_turn(worker);
    end_turn(worker, is_stopped(worker) ? NULL : &report);
}

static void *run_worker(void *context)
{
    struct worker *worker = context;
    struct pass *pass = worker->pass;
    /* A chunk once taken gets its turn, whatever happens: those behind it wait for that. */
    while (atomic_load(&pass->failed) == SIZE_MAX &&
           (worker->chunk = atomic_fetch_add(&pass->next, 1)) < pass->chunks)
        scan_chunk(worker);
    return NULL;
}

static void close_worker(struct worker *worker)
{
    const struct pass *pass = worker->pass;
    for (size_t i = 0; i < pass->collector_count; i++)
        if (worker->parts[i])
            pass->collectors[i].close(worker->parts[i]);
    recording_table_scanner_close(&worker->scanner);
}

static int open_worker(struct worker *worker, struct pass *pass, struct rig_err *err)
{
    *worker = (struct worker){.pass = pass};
    int code = recording_table_scanner_open(&worker->scanner, pass->file, take_batch, worker, err);
    for (size_t i = 0; !code && i < pass->collector_count; i++) {
        worker->parts[i] = pass->collectors[i].open(pass->collectors[i].whole, err);
        if (!worker->parts[i])
            code = RIG_EMEMORY;
    }
    if (code)
        close_worker(worker);
    return code;
}

static int run(struct pass *pass, size_t threads, struct rig_err *err)
{
    struct worker workers[THREAD_LIMIT];
    pthread_t running[THREAD_LIMIT];
    size_t ready = 0, started = 1;
    int code = RIG_OK;
    while (!code && ready < threads)
        if (!(code = open_worker(&workers[ready], pass, err)))
            ready++;
    if (!code) {
        /* Where there are no more threads to be had, fewer do. */
        while (started < ready &&
               pthread_create(&running[started], NULL, run_worker, &workers[started]) == 0)
            started++;
        run_worker(&workers[0]);
        for (size_t i = 1; i < started; i++)
            pthread_join(running[i], NULL);
        if ((code = pass->code) && err)
            *err = pass->err;
    }
    while (ready > 0)
        close_worker(&workers[--ready]);
    return code;
}

static size_t thread_count(size_t asked, size_t chunks)
{
    long cores = sysconf(_SC_NPROCESSORS_ONLN);
    size_t threads = asked ? asked : cores > 0 ? (size_t)cores : 1;
    threads = threads < THREAD_LIMIT ? threads : THREAD_LIMIT;
    return threads < chunks ? threads : chunks > 0 ? chunks : 1;
}

int recording_pass(const struct recording *recording, size_t source, size_t threads,
                   const struct row_collector collectors[], size_t count,
                   struct scan_report *report, struct rig_err *err)
{
    struct table_file file;
    if (source >= recording_rig(recording)->source_count || count > ROW_COLLECTOR_LIMIT)
        return rig_fail(err, RIG_EBUG, "source %zu of a recording, %zu collectors", source, count);
    int code = recording_table_open(&file, recording, source, err);
    if (!code) {
        struct pass pass = {.file = &file,
                            .collectors = collectors,
                            .collector_count = count,
                            .chunks = (size_t)((file.size + CHUNK - 1) / CHUNK),
                            .failed = SIZE_MAX,
                            .report = recording_table_report(&file)};
        pthread_mutex_init(&pass.lock, NULL);
        pthread_cond_init(&pass.turn_changed, NULL);
        code = run(&pass, thread_count(threads, pass.chunks), err);
        scan_report_add(report, &pass.report);
        pthread_cond_destroy(&pass.turn_changed);
        pthread_mutex_destroy(&pass.lock);
    }
    recording_table_close(&file);
    return code;
}
