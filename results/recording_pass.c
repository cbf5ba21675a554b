/* SPDX-License-Identifier: GPL-3.0-or-later
 * One pass over a source by several threads. The file is cut into chunks of a fixed size;
 * threads take them as they get free and collect each in parts of their own, which are
 * merged in the order of the file. What a part sees follows from the file alone, so the
 * result is the same to the last bit with any number of threads. */
#include "results/in_order.h"
#include "results/recording_parts.h"

#include <stdlib.h>

/* Small enough that what a part collects stays in the cache until it is merged, and that no
 * thread waits long for another at the end; large enough that taking turns costs nothing. */
enum { CHUNK = 1 << 20 };

struct pass {
    const struct table_file *file;
    const struct row_collector *collectors;
    size_t collector_count;
    struct scan_report report;
};

/* Of one thread. */
struct share {
    struct pass *pass;
    struct table_scanner scanner;
    void *parts[ROW_COLLECTOR_LIMIT];
    struct in_order_worker *worker;
    struct scan_report report; /* of its chunk */
};

static int merge_parts(struct share *share, struct rig_err *err)
{
    const struct pass *pass = share->pass;
    int code = RIG_OK;
    for (size_t i = 0; !code && i < pass->collector_count; i++)
        code = pass->collectors[i].merge(pass->collectors[i].whole, share->parts[i], err);
    return code;
}

static int take_batch(void *context, const struct row_batch *batch, struct rig_err *err)
{
    struct share *share = context;
    const struct pass *pass = share->pass;
    bool full = false;
    int code = in_order_stopped(share->worker) ? -1 : RIG_OK;
    for (size_t i = 0; !code && i < pass->collector_count; i++) {
        const struct row_collector *collector = &pass->collectors[i];
        code = collector->take(share->parts[i], batch, err);
        full = full || (collector->full && collector->full(share->parts[i]));
    }
    if (code || !full)
        return code;
    in_order_wait(share->worker);
    return in_order_stopped(share->worker) ? -1 : merge_parts(share, err);
}

static int scan_chunk(const void *whole, void *context, size_t chunk,
                      struct in_order_worker *worker, struct rig_err *err)
{
    const struct pass *pass = whole;
    struct share *share = context;
    uint64_t from = (uint64_t)chunk * CHUNK, size = pass->file->size;
    uint64_t to = size - from < CHUNK ? size : from + CHUNK;
    share->worker = worker;
    share->report = (struct scan_report){0};
    return recording_table_scan(&share->scanner, from, to, &share->report, err);
}

static int take_chunk(void *whole, void *context, size_t chunk, struct rig_err *err)
{
    struct pass *pass = whole;
    struct share *share = context;
    (void)chunk;
    int code = merge_parts(share, err);
    scan_report_follow(&pass->report, &share->report);
    return code;
}

static void close_share(void *context)
{
    struct share *share = context;
    const struct pass *pass = share->pass;
    for (size_t i = 0; i < pass->collector_count; i++)
        if (share->parts[i])
            pass->collectors[i].close(share->parts[i]);
    recording_table_scanner_close(&share->scanner);
}

static int open_share(void *whole, void *context, struct rig_err *err)
{
    struct share *share = context;
    const struct pass *pass = share->pass = whole;
    int code = recording_table_scanner_open(&share->scanner, pass->file, take_batch, share, err);
    for (size_t i = 0; !code && i < pass->collector_count; i++) {
        share->parts[i] = pass->collectors[i].open(pass->collectors[i].whole, err);
        code = share->parts[i] ? RIG_OK : RIG_EMEMORY;
    }
    return code;
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
                            .report = recording_table_report(&file)};
        const struct in_order job = {&pass,      sizeof(struct share), open_share,
                                     scan_chunk, take_chunk,           close_share};
        code = in_order_run(&job, (size_t)((file.size + CHUNK - 1) / CHUNK), threads, err);
        scan_report_add(report, &pass.report);
    }
    recording_table_close(&file);
    return code;
}
