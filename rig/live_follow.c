/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "rig/live_follow.h"

#include "base/file.h"

#include <csv.h>

#include <fcntl.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

enum {
    PIECE = 64 * 1024,
    PIECES_A_POLL = 256, /* 16 MiB: a night of a fast board is taken in within seconds */
    MOTION_COLUMNS = 6,
    COLUMN_LIMIT = 64
};

/* One growing table of numbers. */
struct tail {
    char *path;
    int fd;
    bool headed; /* its header was read */
    size_t columns, wanted;
    size_t size; /* bytes waiting for their line's end */
    uint64_t rows;
    char bytes[PIECE];
};

struct live_follow {
    bool rows;
    struct tail source, motion, events;
    char channel[RIG_NAME_SIZE];
    struct csv_parser parser;
    bool parsing;
    /* Of the event under way. */
    int cell;
    bool head;
    double event_s;
    char kind[24], text[256];
    struct live *live;
    /* The newest of each. */
    struct live_now *now;
};

static bool open_tail(struct tail *tail)
{
    if (tail->fd < 0 && tail->path)
        tail->fd = open(tail->path, O_RDONLY | O_CLOEXEC | O_NOCTTY);
    return tail->fd >= 0;
}

static int name_tail(struct tail *tail, const char *folder, const char *name, struct rig_err *err)
{
    tail->fd = -1;
    tail->path = file_join(folder, name);
    return tail->path ? RIG_OK : rig_fail_memory(err, "following a recording");
}

static void close_tail(struct tail *tail)
{
    if (tail->fd >= 0)
        close(tail->fd);
    free(tail->path);
}

/* ---- sources and motion ---- */

/* Which column of the header's line has this name. */
static bool read_header(struct tail *tail, const char *line, size_t size, const char *wanted)
{
    const char *at = line, *end = line + size;
    bool found = false;
    while (end > line && (end[-1] == '\n' || end[-1] == '\r'))
        end--;
    for (tail->columns = 0; at <= end && tail->columns < COLUMN_LIMIT; tail->columns++) {
        const char *comma = memchr(at, ',', (size_t)(end - at));
        size_t wide = (size_t)((comma ? comma : end) - at);
        if (strlen(wanted) == wide && memcmp(at, wanted, wide) == 0) {
            tail->wanted = tail->columns;
            found = true;
        }
        at = comma ? comma + 1 : end + 1;
    }
    tail->headed = true;
    return found;
}

static int take_source(void *context, const struct row_batch *batch, struct rig_err *err)
{
    (void)err;
    struct live_follow *follow = context;
    const double *t_s = batch->values[0], *values = batch->values[follow->source.wanted];
    for (size_t i = 0; i < batch->rows; i++) {
        live_sample(follow->live, t_s[i], NAN, values[i]);
        if (isfinite(values[i]))
            follow->now->reading = values[i];
    }
    if (batch->rows && isfinite(t_s[batch->rows - 1]))
        follow->now->t_s = fmax(follow->now->t_s, t_s[batch->rows - 1]);
    follow->source.rows += batch->rows;
    return 0;
}

/* t_s,stroke,depth_mm,reported_mm,bracket_s,segment */
static int take_motion(void *context, const struct row_batch *batch, struct rig_err *err)
{
    (void)err;
    struct live_follow *follow = context;
    for (size_t i = 0; i < batch->rows; i++) {
        double depth = batch->values[2][i], segment = batch->values[5][i];
        live_sample(follow->live, batch->values[0][i], depth, NAN);
        if (isfinite(depth))
            follow->now->depth_mm = depth;
        if (segment >= 0 && segment < 4e9)
            follow->now->segment = (size_t)segment;
        if (isfinite(batch->values[0][i]))
            follow->now->t_s = fmax(follow->now->t_s, batch->values[0][i]);
    }
    return 0;
}

/* True when bytes came. */
static bool read_tail(struct live_follow *follow, struct tail *tail, const char *wanted,
                      row_sink *sink)
{
    bool any = false;
    if (!open_tail(tail))
        return false;
    for (int piece = 0; piece < PIECES_A_POLL; piece++) {
        ssize_t got = read(tail->fd, tail->bytes + tail->size, sizeof tail->bytes - tail->size);
        if (got <= 0)
            break;
        any = true;
        tail->size += (size_t)got;
        size_t used = 0;
        if (!tail->headed) {
            const char *end = memchr(tail->bytes, '\n', tail->size);
            if (!end && tail->size < sizeof tail->bytes)
                continue;
            used = end ? (size_t)(end - tail->bytes) + 1 : 0;
            if (!read_header(tail, tail->bytes, used, wanted)) {
                /* No such column: nothing of this table can be shown. */
                close(tail->fd);
                free(tail->path);
                tail->fd = -1;
                tail->path = NULL;
                return any;
            }
        }
        size_t parsed = 0;
        struct scan_report report = {0};
        struct rig_err ignored;
        if (recording_parse(tail->bytes + used, tail->size - used, tail->columns, sink, follow,
                            &parsed, &report, &ignored))
            parsed = 0;
        used += parsed;
        if (used == 0 && tail->size == sizeof tail->bytes)
            used = tail->size; /* one line longer than all that: passed over */
        tail->size -= used;
        memmove(tail->bytes, tail->bytes + used, tail->size);
    }
    return any;
}

/* ---- events ---- */

static void take_cell(void *bytes, size_t size, void *context)
{
    struct live_follow *follow = context;
    char number[40];
    switch (follow->cell++) {
    case 0:
        snprintf(number, sizeof number, "%.*s", (int)(size < 39 ? size : 39), (const char *)bytes);
        follow->event_s = strtod(number, NULL);
        break;
    case 1:
        snprintf(follow->kind, sizeof follow->kind, "%.*s", (int)(size < 23 ? size : 23),
                 (const char *)bytes);
        break;
    case 2:
        snprintf(follow->text, sizeof follow->text, "%.*s", (int)(size < 255 ? size : 255),
                 (const char *)bytes);
        break;
    default:
        break;
    }
}

static void take_event(int end, void *context)
{
    (void)end;
    struct live_follow *follow = context;
    if (!follow->head && follow->cell == 3) {
        live_event(follow->live, follow->event_s, follow->kind, follow->text);
        if (strcmp(follow->kind, "phase") == 0 && follow->rows)
            snprintf(follow->now->phase, sizeof follow->now->phase, "%.63s", follow->text);
    }
    follow->head = false;
    follow->cell = 0;
}

static bool read_events(struct live_follow *follow)
{
    bool any = false;
    struct tail *tail = &follow->events;
    if (!open_tail(tail))
        return false;
    for (int piece = 0; piece < PIECES_A_POLL; piece++) {
        ssize_t got = read(tail->fd, tail->bytes, sizeof tail->bytes);
        if (got <= 0)
            break;
        any = true;
        csv_parse(&follow->parser, tail->bytes, (size_t)got, take_cell, take_event, follow);
    }
    return any;
}

/* ---- the whole ---- */

struct live_follow *live_follow_open(const char *folder, const struct rig *rig, bool rows,
                                     struct rig_err *err)
{
    struct live_follow *follow = calloc(1, sizeof *follow);
    size_t source = 0, channel = 0;
    if (!follow) {
        rig_fail_memory(err, "following a recording");
        return NULL;
    }
    follow->source.fd = follow->motion.fd = follow->events.fd = -1;
    follow->rows = rows;
    follow->head = true;
    int code = name_tail(&follow->events, folder, "events.csv", err);
    if (!code && rows)
        code = name_tail(&follow->motion, folder, "motion.csv", err);
    if (!code && rows && live_reading(rig, &source, &channel)) {
        char name[RIG_NAME_SIZE + 8];
        snprintf(name, sizeof name, "%s.csv", rig->sources[source].name);
        snprintf(follow->channel, sizeof follow->channel, "%s",
                 rig->sources[source].channels[channel].name);
        code = name_tail(&follow->source, folder, name, err);
    }
    if (!code && csv_init(&follow->parser, 0))
        code = rig_fail_memory(err, "following a recording");
    follow->parsing = !code;
    if (code) {
        live_follow_close(follow);
        return NULL;
    }
    return follow;
}

void live_follow_close(struct live_follow *follow)
{
    if (!follow)
        return;
    close_tail(&follow->source);
    close_tail(&follow->motion);
    close_tail(&follow->events);
    if (follow->parsing)
        csv_free(&follow->parser);
    free(follow);
}

bool live_follow_poll(struct live_follow *follow, struct live *live, struct live_now *now)
{
    follow->live = live;
    follow->now = now;
    bool any = read_events(follow);
    if (!follow->rows)
        return any;
    any |= read_tail(follow, &follow->motion, "segment", take_motion);
    any |= read_tail(follow, &follow->source, follow->channel, take_source);
    now->rows = follow->source.rows;
    return any;
}
