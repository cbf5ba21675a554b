/* SPDX-License-Identifier: GPL-3.0-or-later
 * A logged byte stream, played at its own times against a clock. Each line of the log
 * is SECONDS and the bytes in hexadecimal, after '<' (received then) or '>' (sent then,
 * passed over): "0.250000 < 6f6b0a". '#' starts a comment. */
#include "rig/transport_parts.h"

#include "base/file.h"
#include "base/number.h"

#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { LOG_LIMIT = 256 * 1024 * 1024 };

struct chunk {
    int64_t at_ns;
    size_t from, size; /* in bytes */
};

struct replay {
    const struct rig_clock *clock;
    int64_t start_ns;
    char *bytes;
    size_t byte_count;
    struct chunk *chunks;
    size_t count, room, next, taken;
};

static void replay_close(void *context)
{
    struct replay *replay = context;
    free(replay->bytes);
    free(replay->chunks);
    free(replay);
}

static long replay_read(void *context, void *bytes, size_t room, struct rig_err *err)
{
    struct replay *replay = context;
    if (replay->next == replay->count) {
        rig_fail(err, RIG_EUNPLUGGED, "the log has ended");
        return -1;
    }
    const struct chunk *chunk = &replay->chunks[replay->next];
    if (rig_clock_now(replay->clock) - replay->start_ns < chunk->at_ns)
        return 0;
    size_t size = chunk->size - replay->taken < room ? chunk->size - replay->taken : room;
    memcpy(bytes, replay->bytes + chunk->from + replay->taken, size);
    replay->taken += size;
    if (replay->taken == chunk->size) {
        replay->taken = 0;
        replay->next++;
    }
    return (long)size;
}

/* What is sent to a log goes nowhere. */
static long replay_write(void *context, const void *bytes, size_t size, struct rig_err *err)
{
    (void)context;
    (void)bytes;
    (void)err;
    return (long)size;
}

static int replay_fd(void *context)
{
    (void)context;
    return -1;
}

static int hex(char c)
{
    return c >= '0' && c <= '9' ? c - '0' : c >= 'a' && c <= 'f' ? c - 'a' + 10 : -1;
}

/* One line; false when it is no line of a log. */
static bool take_line(struct replay *replay, const char *at, const char *end)
{
    double seconds;
    const char *blank = memchr(at, ' ', (size_t)(end - at));
    if (!blank || !rig_number(at, (size_t)(blank - at), &seconds, NULL) || seconds < 0 ||
        end - blank < 3 || (blank[1] != '<' && blank[1] != '>') || blank[2] != ' ')
        return false;
    size_t from = replay->byte_count;
    for (at = blank + 3; at < end; at += 2) {
        if (end - at < 2 || hex(at[0]) < 0 || hex(at[1]) < 0)
            return false;
        replay->bytes[replay->byte_count++] = (char)(hex(at[0]) * 16 + hex(at[1]));
    }
    if (blank[1] == '>' || replay->byte_count == from) {
        replay->byte_count = from;
        return true;
    }
    if (replay->count == replay->room) {
        size_t room = replay->room ? 2 * replay->room : 256;
        struct chunk *larger = realloc(replay->chunks, room * sizeof *larger);
        if (!larger)
            return false;
        replay->chunks = larger;
        replay->room = room;
    }
    replay->chunks[replay->count++] = (struct chunk){
        .at_ns = rig_s_to_ns(seconds), .from = from, .size = replay->byte_count - from};
    return true;
}

int transport_open_replay(struct transport *transport, const char *path,
                          const struct rig_clock *clock, struct rig_err *err)
{
    char *log;
    size_t size;
    int code = file_read(path, LOG_LIMIT, &log, &size, err);
    if (code)
        return code;
    struct replay *replay = calloc(1, sizeof *replay);
    if (replay)
        replay->bytes = malloc(size / 2 + 1);
    if (!replay || !replay->bytes) {
        free(replay);
        free(log);
        return rig_fail_memory(err, "a log");
    }
    int line = 1;
    for (const char *at = log, *end = log + size; at < end && !code; line++) {
        const char *newline = memchr(at, '\n', (size_t)(end - at));
        const char *stop = newline ? newline : end;
        if (stop > at && *at != '#' && !take_line(replay, at, stop))
            code = rig_fail(err, RIG_EINPUT,
                            "%.200s:%d:1: no line of a log; one looks like '0.25 < 6f6b0a'", path,
                            line);
        at = newline ? newline + 1 : end;
    }
    free(log);
    if (code) {
        replay_close(replay);
        return code;
    }
    replay->clock = clock;
    replay->start_ns = rig_clock_now(clock);
    *transport = (struct transport){.read = replay_read,
                                    .write = replay_write,
                                    .fd = replay_fd,
                                    .close = replay_close,
                                    .context = replay};
    return RIG_OK;
}
