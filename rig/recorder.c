/* SPDX-License-Identifier: GPL-3.0-or-later
 * The writing thread looks at the ring some 50 times a second rather than being woken
 * for every row: no system call in the reading thread, and rows wait in memory for
 * 20 ms at most where a power cut may cost a second. */
#include "rig/recorder.h"

#include "base/clock.h"
#include "rig/host_clock.h"
#include "rig/ring.h"

#include <errno.h>
#include <pthread.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/eventfd.h>
#include <unistd.h>

static const int64_t LOOK_NS = 20000000;
static const int64_t SYNC_NS = 500000000; /* so that a sync that takes its time ends within 1 s */

enum record_kind { RECORD_ROW, RECORD_MOTION, RECORD_STROKE, RECORD_EVENT };

struct row_record {
    uint32_t kind, source;
    double t_s, device_s;
    double values[];
};
struct motion_record {
    uint32_t kind;
    struct motion_row row;
};
struct stroke_record {
    uint32_t kind;
    struct stroke_row row;
};
struct event_record {
    uint32_t kind;
    double t_s;
    char word[24];
    char text[];
};

struct recorder {
    struct ring *ring;
    /* The adding thread's. */
    uint64_t rows, lost, lost_told;
    double lost_from_s, latest_s;
    /* The writing side's. */
    struct recording_writer *writer;
    int64_t synced_ns;
    /* Shared. */
    bool threaded;
    pthread_t thread;
    pthread_mutex_t lock;
    pthread_cond_t wake;
    bool closing;         /* under lock */
    struct rig_err first; /* under lock until `trouble` is set, then it stays as it is */
    atomic_bool trouble;
    int trouble_fd;
};

static int64_t real_ns(void)
{
    const struct rig_clock clock = host_clock(); /* in simulated time too: it is for the disk */
    return rig_clock_now(&clock);
}

/* ---- the writing side ---- */

static void note_trouble(struct recorder *recorder, const struct rig_err *err)
{
    pthread_mutex_lock(&recorder->lock);
    bool fresh = !atomic_load_explicit(&recorder->trouble, memory_order_relaxed);
    if (fresh)
        recorder->first = *err;
    pthread_mutex_unlock(&recorder->lock);
    if (!fresh)
        return;
    atomic_store_explicit(&recorder->trouble, true, memory_order_release);
    const uint64_t one = 1;
    /* Can't fail on a counter at 0; were it to, the next wake-up finds the flag. */
    if (recorder->trouble_fd >= 0 && write(recorder->trouble_fd, &one, sizeof one) < 0)
        return;
}

static int write_record(struct recorder *recorder, const void *bytes, struct rig_err *err)
{
    struct recording_writer *writer = recorder->writer;
    uint32_t kind;
    memcpy(&kind, bytes, sizeof kind);
    switch (kind) {
    case RECORD_ROW: {
        const struct row_record *row = bytes;
        return recording_row(writer, row->source, row->t_s, row->device_s, row->values, err);
    }
    case RECORD_MOTION: {
        const struct motion_row *row = &((const struct motion_record *)bytes)->row;
        return recording_motion(writer, row->t_s, row->stroke, row->depth_mm, row->reported_mm,
                                row->bracket_s, row->segment, err);
    }
    case RECORD_STROKE: {
        const struct stroke_row *row = &((const struct stroke_record *)bytes)->row;
        return recording_stroke(writer, row->stroke, row->plan_s, row->sent_s, row->accepted_s,
                                row->ended_s, err);
    }
    default: {
        const struct event_record *event = bytes;
        return recording_event(writer, event->t_s, event->word, event->text, err);
    }
    }
}

/* After trouble it goes on: other files may still have room, and the ring must not
 * fill up while the board is being parked. */
static void write_out(struct recorder *recorder)
{
    struct rig_err err = {0};
    const void *bytes;
    size_t size;
    unsigned count = 0;
    while ((bytes = ring_peek(recorder->ring, &size))) {
        if (write_record(recorder, bytes, &err))
            note_trouble(recorder, &err);
        ring_release(recorder->ring);
        if ((++count & 0xfff) == 0 && real_ns() - recorder->synced_ns >= SYNC_NS)
            break; /* a flood must not put off the sync */
    }
    int64_t now_ns = real_ns();
    if (now_ns - recorder->synced_ns < SYNC_NS)
        return;
    if (recording_sync(recorder->writer, &err))
        note_trouble(recorder, &err);
    recorder->synced_ns = now_ns;
}

static void *writing_thread(void *context)
{
    struct recorder *recorder = context;
    for (;;) {
        write_out(recorder);
        pthread_mutex_lock(&recorder->lock);
        bool closing = recorder->closing;
        if (!closing && ring_used(recorder->ring) < ring_room(recorder->ring) / 4) {
            int64_t until_ns = real_ns() + LOOK_NS;
            struct timespec until = {.tv_sec = until_ns / 1000000000,
                                     .tv_nsec = until_ns % 1000000000};
            pthread_cond_timedwait(&recorder->wake, &recorder->lock, &until);
        }
        pthread_mutex_unlock(&recorder->lock);
        if (closing && ring_used(recorder->ring) == 0)
            return NULL;
    }
}

/* ---- opening and closing ---- */

static int start_thread(struct recorder *recorder, struct rig_err *err)
{
    recorder->trouble_fd = eventfd(0, EFD_CLOEXEC | EFD_NONBLOCK);
    if (recorder->trouble_fd < 0)
        return rig_fail_os(err, errno, "no way to hear of trouble with the disk");
    int code = pthread_create(&recorder->thread, NULL, writing_thread, recorder);
    if (code)
        return rig_fail_os(err, code, "the thread that writes the recording can't be started");
    recorder->threaded = true;
    return RIG_OK;
}

static int init_shared(struct recorder *recorder)
{
    pthread_condattr_t monotonic; /* a clock that is set back must not delay a sync */
    int code = pthread_condattr_init(&monotonic);
    if (code)
        return code;
    code = pthread_condattr_setclock(&monotonic, CLOCK_MONOTONIC);
    if (!code)
        code = pthread_cond_init(&recorder->wake, &monotonic);
    pthread_condattr_destroy(&monotonic);
    if (code)
        return code;
    code = pthread_mutex_init(&recorder->lock, NULL);
    if (code)
        pthread_cond_destroy(&recorder->wake);
    return code;
}

static void free_all(struct recorder *recorder)
{
    if (recorder->trouble_fd >= 0)
        close(recorder->trouble_fd);
    pthread_mutex_destroy(&recorder->lock);
    pthread_cond_destroy(&recorder->wake);
    ring_free(recorder->ring);
    free(recorder);
}

struct recorder *recorder_open(struct recording_writer *writer, size_t room, bool threaded,
                               struct rig_err *err)
{
    struct ring *ring = ring_open(room, err);
    struct recorder *recorder = calloc(1, sizeof *recorder);
    int code = RIG_OK;
    if (ring && !recorder)
        rig_fail_memory(err, "the recorder");
    if (!ring || !recorder)
        goto fail;
    recorder->ring = ring;
    recorder->writer = writer;
    recorder->trouble_fd = -1;
    recorder->synced_ns = real_ns();
    atomic_init(&recorder->trouble, false);
    code = init_shared(recorder);
    if (code) {
        rig_fail_os(err, code, "the recorder's lock can't be made");
        goto fail;
    }
    if (threaded && start_thread(recorder, err)) {
        free_all(recorder);
        recording_close(writer, RUN_FAULTED, "the recorder could not be started", NULL);
        return NULL;
    }
    return recorder;
fail:
    free(recorder);
    ring_free(ring);
    recording_close(writer, RUN_FAULTED, "the recorder could not be started", NULL);
    return NULL;
}

/* ---- the adding side ---- */

/* A gap is told as soon as there is room again, before what comes next. */
static bool tell_lost(struct recorder *recorder, double t_s)
{
    if (recorder->lost == recorder->lost_told)
        return true;
    char text[160];
    snprintf(text, sizeof text,
             "%llu records were lost since %.3f s: the disk is too slow, and the queue was full",
             (unsigned long long)(recorder->lost - recorder->lost_told), recorder->lost_from_s);
    size_t size = strlen(text) + 1;
    struct event_record *event = ring_reserve(recorder->ring, sizeof *event + size);
    if (!event)
        return false;
    event->kind = RECORD_EVENT;
    event->t_s = t_s;
    memset(event->word, 0, sizeof event->word);
    memcpy(event->word, "lost", 5);
    memcpy(event->text, text, size);
    ring_commit(recorder->ring);
    recorder->lost_told = recorder->lost;
    return true;
}

static void *reserve(struct recorder *recorder, size_t size, double t_s)
{
    recorder->latest_s = t_s;
    void *record = tell_lost(recorder, t_s) ? ring_reserve(recorder->ring, size) : NULL;
    if (!record) {
        if (recorder->lost == recorder->lost_told)
            recorder->lost_from_s = t_s;
        recorder->lost++;
    }
    return record;
}

void recorder_row(struct recorder *recorder, size_t source, double t_s, double device_s,
                  const double values[], size_t count)
{
    struct row_record *row = reserve(recorder, sizeof *row + count * sizeof values[0], t_s);
    if (!row)
        return;
    row->kind = RECORD_ROW;
    row->source = (uint32_t)source;
    row->t_s = t_s;
    row->device_s = device_s;
    memcpy(row->values, values, count * sizeof values[0]);
    ring_commit(recorder->ring);
    recorder->rows++;
}

void recorder_motion(struct recorder *recorder, const struct motion_row *row)
{
    struct motion_record *record = reserve(recorder, sizeof *record, row->t_s);
    if (!record)
        return;
    record->kind = RECORD_MOTION;
    record->row = *row;
    ring_commit(recorder->ring);
}

void recorder_stroke(struct recorder *recorder, const struct stroke_row *row)
{
    struct stroke_record *record = reserve(recorder, sizeof *record, recorder->latest_s);
    if (!record)
        return;
    record->kind = RECORD_STROKE;
    record->row = *row;
    ring_commit(recorder->ring);
}

void recorder_event(struct recorder *recorder, double t_s, const char *kind, const char *text)
{
    size_t size = strlen(text) + 1;
    struct event_record *record = reserve(recorder, sizeof *record + size, t_s);
    if (!record)
        return;
    record->kind = RECORD_EVENT;
    record->t_s = t_s;
    snprintf(record->word, sizeof record->word, "%s", kind);
    memcpy(record->text, text, size);
    ring_commit(recorder->ring);
}

static void log_motion(void *context, const struct motion_row *row)
{
    recorder_motion(context, row);
}

static void log_stroke(void *context, const struct stroke_row *row)
{
    recorder_stroke(context, row);
}

static void log_event(void *context, double t_s, const char *kind, const char *text)
{
    recorder_event(context, t_s, kind, text);
}

struct run_log recorder_log(struct recorder *recorder)
{
    return (struct run_log){
        .motion = log_motion, .stroke = log_stroke, .event = log_event, .context = recorder};
}

void recorder_drain(struct recorder *recorder)
{
    if (!recorder->threaded)
        write_out(recorder);
}

int recorder_trouble(struct recorder *recorder, struct rig_err *err)
{
    if (!atomic_load_explicit(&recorder->trouble, memory_order_acquire))
        return RIG_OK;
    if (err)
        *err = recorder->first;
    return recorder->first.code ? (int)recorder->first.code : RIG_EOS;
}

int recorder_trouble_fd(const struct recorder *recorder)
{
    return recorder->trouble_fd;
}

uint64_t recorder_rows(const struct recorder *recorder)
{
    return recorder->rows;
}

uint64_t recorder_lost(const struct recorder *recorder)
{
    return recorder->lost;
}

/* run.json is touched by nobody else between its making and recording_close. */
int recorder_note(struct recorder *recorder, const char *key, const char *json, struct rig_err *err)
{
    return recording_note(recorder->writer, key, json, err);
}

int recorder_close(struct recorder *recorder, enum run_state state, const char *why,
                   struct rig_err *err)
{
    if (recorder->threaded) {
        pthread_mutex_lock(&recorder->lock);
        recorder->closing = true;
        pthread_cond_signal(&recorder->wake);
        pthread_mutex_unlock(&recorder->lock);
        pthread_join(recorder->thread, NULL);
    }
    do
        write_out(recorder);
    while (ring_used(recorder->ring) > 0);
    tell_lost(recorder, recorder->latest_s); /* a gap at the very end */
    write_out(recorder);
    struct rig_err last = {0};
    int closed = recording_close(recorder->writer, state, why, &last);
    int code = recorder_trouble(recorder, err);
    if (!code && closed) {
        if (err)
            *err = last;
        code = closed;
    }
    free_all(recorder);
    return code;
}
