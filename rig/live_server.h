/* SPDX-License-Identifier: GPL-3.0-or-later
 * The live page over HTTP: one thread of its own with the lowest claim on the processor,
 * which shares nothing with those that record but what `look` copies out. What it answers
 * is decided in live_guard.h, what it says in live.h. It can ask for a stop and for nothing
 * else: there is no request that moves the axis. */
#ifndef RIG_LIVE_SERVER_H
#define RIG_LIVE_SERVER_H

#include "base/err.h"
#include "rig/live.h"
#include "rig/live_guard.h"

#include <stdbool.h>
#include <stdint.h>

enum {
    LIVE_PORT = 8737,
    LIVE_CONNECTIONS = 128, /* at once; more wait in the system's queue */
    LIVE_CONNECTIONS_AN_ADDRESS = 96,
    LIVE_REQUEST_BYTES = 16 * 1024, /* request line and headers */
    LIVE_REQUEST_S = 8              /* for a whole request and its answer, and idle */
};

struct live_server_settings {
    char address[64];      /* an IP address */
    uint16_t port;         /* 0: any that is free */
    bool next_ports;       /* when it is taken, one of the nine above will do */
    struct live *live;     /* used by the server's thread only, once it runs */
    const char *plan_json; /* borrowed */
    /* From the server's thread, some times a second: brings live up to date. */
    void (*look)(void *context, struct live *live);
    /* A right token came; called once. NULL: this page can't stop anything. */
    void (*stop)(void *context);
    void *context;
    char token[LIVE_TOKEN_SIZE]; /* "" without stop */
};

struct live_server;

/* Binds, then starts the thread. The calling thread's signal mask is the new one's. NULL
 * with err: RIG_EINPUT when the port is taken. */
struct live_server *live_server_open(const struct live_server_settings *settings,
                                     struct rig_err *err);
/* "http://127.0.0.1:8737/" */
const char *live_server_url(const struct live_server *server);
/* When it was last asked for anything, by the host's clock; INT64_MIN / 2: never. */
int64_t live_server_asked_ns(const struct live_server *server);
/* Ends the thread, answers nothing more. NULL allowed. */
void live_server_close(struct live_server *server);

/* 128 random bits as hex, for settings.token. */
int live_token(char token[LIVE_TOKEN_SIZE], struct rig_err *err);

#endif
