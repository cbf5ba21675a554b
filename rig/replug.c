/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "rig/replug.h"

#include <stdio.h>

static void *open_port(void *context)
{
    struct replug *replug = context;
    replug->code =
        transport_open(&replug->port, replug->path, replug->baud, replug->clock, &replug->err);
    atomic_store_explicit(&replug->done, true, memory_order_release);
    return NULL;
}

int replug_open(struct replug *replug, const char *path, int baud, const struct rig_clock *clock,
                struct transport *port, struct rig_err *err)
{
    if (replug->begun) {
        if (!atomic_load_explicit(&replug->done, memory_order_acquire))
            return REPLUG_OPENING;
        pthread_join(replug->thread, NULL);
        replug->begun = false;
        *port = replug->port;
        *err = replug->err;
        return replug->code;
    }
    int size = snprintf(replug->path, sizeof replug->path, "%s", path);
    if (size < 0 || (size_t)size >= sizeof replug->path)
        return rig_fail(err, RIG_EINPUT, "the port path %.100s is too long", path);
    replug->baud = baud;
    replug->clock = clock;
    replug->err = (struct rig_err){0};
    atomic_store_explicit(&replug->done, false, memory_order_relaxed);
    int code = pthread_create(&replug->thread, NULL, open_port, replug);
    if (code)
        return rig_fail_os(err, code, "the thread that opens a port can't be started");
    replug->begun = true;
    return REPLUG_OPENING;
}

void replug_end(struct replug *replug)
{
    if (!replug->begun)
        return;
    pthread_join(replug->thread, NULL);
    replug->begun = false;
    if (replug->code == 0)
        transport_close(&replug->port);
}
