/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "rig/transport_log.h"

#include "base/file.h"

#include <inttypes.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>

struct logged {
    struct transport inner;
    struct rig_clock clock;
    int64_t start_ns;
    struct file_append *file;
    bool stopped;
};

static void put(struct logged *logged, char direction, const unsigned char *bytes, size_t size)
{
    char text[64 + 2 * 64];
    for (size_t done = 0; done < size && !logged->stopped;) {
        int64_t us = (rig_clock_now(&logged->clock) - logged->start_ns) / 1000;
        int length = snprintf(text, sizeof text, "%" PRId64 ".%06" PRId64 " %c ", us / 1000000,
                              us % 1000000, direction);
        for (int i = 0; i < 64 && done < size; i++, done++, length += 2)
            snprintf(text + length, sizeof text - (size_t)length, "%02x", bytes[done]);
        text[length++] = '\n';
        logged->stopped = file_append_write(logged->file, text, (size_t)length, NULL) != RIG_OK;
    }
    logged->stopped = logged->stopped || file_append_flush(logged->file, 0, NULL) != RIG_OK;
}

static long logged_read(void *context, void *bytes, size_t room, struct rig_err *err)
{
    struct logged *logged = context;
    long size = logged->inner.read(logged->inner.context, bytes, room, err);
    if (size > 0)
        put(logged, '<', bytes, (size_t)size);
    return size;
}

static long logged_write(void *context, const void *bytes, size_t size, struct rig_err *err)
{
    struct logged *logged = context;
    long written = logged->inner.write(logged->inner.context, bytes, size, err);
    if (written > 0)
        put(logged, '>', bytes, (size_t)written);
    return written;
}

static int logged_fd(void *context)
{
    struct logged *logged = context;
    return logged->inner.fd(logged->inner.context);
}

static void logged_close(void *context)
{
    struct logged *logged = context;
    file_append_close(logged->file, NULL);
    transport_close(&logged->inner);
    free(logged);
}

int transport_log(struct transport *transport, const char *log_path, const struct rig_clock *clock,
                  struct rig_err *err)
{
    struct logged *logged = calloc(1, sizeof *logged);
    if (!logged)
        return rig_fail_memory(err, "a log of a port");
    logged->file = file_append_open(log_path, 0, err);
    if (!logged->file) {
        free(logged);
        return err ? (int)err->code : RIG_EOS;
    }
    logged->inner = *transport;
    logged->clock = *clock;
    logged->start_ns = rig_clock_now(clock);
    *transport = (struct transport){logged_read, logged_write, logged_fd, logged_close, logged};
    return RIG_OK;
}
