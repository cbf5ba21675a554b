/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "rig/live_server.h"

#include "rig/host_clock.h"

#include <microhttpd.h>

#include <arpa/inet.h>
#include <errno.h>
#include <netinet/in.h>
#include <pthread.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/random.h>
#include <sys/resource.h>
#include <sys/socket.h>
#include <sys/syscall.h>
#include <unistd.h>

extern const char live_page_html[];
extern const char live_page_style[];
extern const char live_page_script[];
extern const char live_page_icon[];

static const int64_t LOOK_NS = 200000000;
enum {
    WAIT_MS = 50,
    NICENESS = 10,
    BUSY_REQUESTS = 60, /* more than this between two looks: somebody floods */
    BUSY_PAUSE_MS = 20
};

/* One TCP connection, from its start to its end. */
struct visitor {
    struct visitor *next, *previous;
    struct MHD_Connection *connection;
    int64_t since_ns; /* it came, or its last request was answered */
};

/* One request. */
struct errand {
    unsigned refused; /* HTTP status, 0: not */
    enum live_what what;
    size_t size;
    char body[LIVE_BODY_LIMIT];
};

struct live_server {
    struct live_server_settings settings;
    struct MHD_Daemon *daemon;
    struct MHD_Response *page, *style, *script, *icon, *plan;
    struct visitor visitors; /* head of a ring */
    struct live_lock lock;
    char machine[256], url[96];
    bool stopped;
    unsigned requests; /* since the last look */
    pthread_t thread;
    atomic_bool over;
    _Atomic int64_t asked_ns;
};

static int64_t now_ns(void)
{
    const struct rig_clock clock = host_clock();
    return rig_clock_now(&clock);
}

int live_token(char token[LIVE_TOKEN_SIZE], struct rig_err *err)
{
    unsigned char bytes[(LIVE_TOKEN_SIZE - 1) / 2];
    if (getrandom(bytes, sizeof bytes, 0) != (ssize_t)sizeof bytes)
        return rig_fail_os(err, errno, "random bytes can't be had");
    for (size_t i = 0; i < sizeof bytes; i++)
        snprintf(token + 2 * i, 3, "%02x", bytes[i]);
    return RIG_OK;
}

/* ---- answers ---- */

static void add_headers(struct MHD_Response *response, const char *type)
{
    static const char *const headers[][2] = {
        /* Only what comes from here is loaded, run or asked; no page may frame this one. */
        {"Content-Security-Policy",
         "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; "
         "connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"},
        {"X-Content-Type-Options", "nosniff"},
        {"Referrer-Policy", "no-referrer"},
        {"Cross-Origin-Resource-Policy", "same-origin"},
        {"Cross-Origin-Opener-Policy", "same-origin"},
        {"Cache-Control", "no-store"},
    };
    MHD_add_response_header(response, "Content-Type", type);
    for (size_t i = 0; i < sizeof headers / sizeof *headers; i++)
        MHD_add_response_header(response, headers[i][0], headers[i][1]);
}

static struct MHD_Response *lasting(const char *text, const char *type)
{
    struct MHD_Response *response =
        MHD_create_response_from_buffer(strlen(text), (void *)text, MHD_RESPMEM_PERSISTENT);
    if (response)
        add_headers(response, type);
    return response;
}

static enum MHD_Result refuse(struct MHD_Connection *connection, unsigned status)
{
    static const struct {
        unsigned status;
        const char *text;
    } words[] = {
        {400, "The request can't be understood.\n"},
        {403, "This is not allowed: the token is wrong, or the request came from another page.\n"},
        {404, "There is nothing here under this path.\n"},
        {405, "This path takes no such method.\n"},
        {411, "The request's length is missing.\n"},
        {413, "The request is too large.\n"},
        {421, "This page is reached by the machine's address or its own name only.\n"},
        {429, "Too many wrong tokens; wait a minute.\n"},
    };
    const char *text = "No.\n";
    for (size_t i = 0; i < sizeof words / sizeof *words; i++)
        if (words[i].status == status)
            text = words[i].text;
    struct MHD_Response *response = lasting(text, "text/plain; charset=utf-8");
    if (!response)
        return MHD_NO;
    if (status == 405)
        MHD_add_response_header(response, "Allow", "GET, HEAD, POST");
    MHD_add_response_header(response, "Connection", "close");
    enum MHD_Result sent = MHD_queue_response(connection, status, response);
    MHD_destroy_response(response);
    return sent;
}

static uint64_t asked_number(struct MHD_Connection *connection, const char *name)
{
    const char *text = MHD_lookup_connection_value(connection, MHD_GET_ARGUMENT_KIND, name);
    return text && strspn(text, "0123456789") == strlen(text) ? strtoull(text, NULL, 10) : 0;
}

static enum MHD_Result answer_state(struct live_server *server, struct MHD_Connection *connection)
{
    const struct live_seen seen = {
        .depths = asked_number(connection, "depths"),
        .readings = asked_number(connection, "readings"),
        .events = asked_number(connection, "events"),
    };
    bool whole = MHD_lookup_connection_value(connection, MHD_GET_ARGUMENT_KIND, "whole") != NULL;
    char *text = live_state_json(server->settings.live, &seen, whole);
    if (!text)
        return MHD_NO;
    struct MHD_Response *response =
        MHD_create_response_from_buffer(strlen(text), text, MHD_RESPMEM_MUST_FREE);
    if (!response) {
        free(text);
        return MHD_NO;
    }
    add_headers(response, "application/json");
    enum MHD_Result sent = MHD_queue_response(connection, 200, response);
    MHD_destroy_response(response);
    return sent;
}

static enum MHD_Result answer_stop(struct live_server *server, struct MHD_Connection *connection,
                                   const struct errand *errand)
{
    unsigned status = live_lock_try(&server->lock, errand->body, errand->size, now_ns());
    if (status)
        return refuse(connection, status);
    /* Once: a second wish would halt at once and leave the board where it is. That stays
     * with those who stand at the bench. */
    if (!server->stopped)
        server->settings.stop(server->settings.context);
    server->stopped = true;
    struct MHD_Response *response = lasting("Stopping: the axis slows down and parks the board.\n",
                                            "text/plain; charset=utf-8");
    if (!response)
        return MHD_NO;
    enum MHD_Result sent = MHD_queue_response(connection, 202, response);
    MHD_destroy_response(response);
    return sent;
}

static enum MHD_Result answer(struct live_server *server, struct MHD_Connection *connection,
                              const struct errand *errand)
{
    switch (errand->what) {
    case LIVE_PAGE:
        return MHD_queue_response(connection, 200, server->page);
    case LIVE_STYLE:
        return MHD_queue_response(connection, 200, server->style);
    case LIVE_SCRIPT:
        return MHD_queue_response(connection, 200, server->script);
    case LIVE_ICON:
        return MHD_queue_response(connection, 200, server->icon);
    case LIVE_PLAN:
        return MHD_queue_response(connection, 200, server->plan);
    case LIVE_STATE:
        return answer_state(server, connection);
    case LIVE_STOP:
        return answer_stop(server, connection, errand);
    default:
        return refuse(connection, 404);
    }
}

/* ---- what MHD calls, all from the server's thread ---- */

static enum MHD_Result handle(void *context, struct MHD_Connection *connection, const char *path,
                              const char *method, const char *version, const char *upload,
                              size_t *upload_size, void **state)
{
    struct live_server *server = context;
    struct errand *errand = *state;
    (void)version;
    if (!errand) {
        server->requests++;
        atomic_store(&server->asked_ns, now_ns());
        errand = calloc(1, sizeof *errand);
        if (!errand)
            return MHD_NO;
        *state = errand;
        const struct live_request request = {
            .method = method,
            .path = path,
            .host = MHD_lookup_connection_value(connection, MHD_HEADER_KIND, "Host"),
            .origin = MHD_lookup_connection_value(connection, MHD_HEADER_KIND, "Origin"),
            .length = MHD_lookup_connection_value(connection, MHD_HEADER_KIND, "Content-Length"),
        };
        errand->refused = live_guard(&request, server->machine, &errand->what);
        if (errand->refused)
            return refuse(connection, errand->refused);
        return MHD_YES;
    }
    if (*upload_size) {
        /* Length was checked; this holds too where a request lies about it. */
        if (*upload_size > sizeof errand->body - errand->size)
            return MHD_NO;
        memcpy(errand->body + errand->size, upload, *upload_size);
        errand->size += *upload_size;
        *upload_size = 0;
        return MHD_YES;
    }
    return answer(server, connection, errand);
}

static struct visitor *visitor_of(struct MHD_Connection *connection)
{
    const union MHD_ConnectionInfo *info =
        MHD_get_connection_info(connection, MHD_CONNECTION_INFO_SOCKET_CONTEXT);
    return info ? info->socket_context : NULL;
}

static void note_done(void *context, struct MHD_Connection *connection, void **state,
                      enum MHD_RequestTerminationCode code)
{
    (void)context;
    (void)code;
    struct visitor *visitor = visitor_of(connection);
    free(*state);
    *state = NULL;
    if (visitor)
        visitor->since_ns = now_ns();
}

static void note_visitor(void *context, struct MHD_Connection *connection, void **socket_context,
                         enum MHD_ConnectionNotificationCode code)
{
    struct live_server *server = context;
    struct visitor *visitor;
    if (code == MHD_CONNECTION_NOTIFY_STARTED) {
        visitor = calloc(1, sizeof *visitor); /* without one it has MHD's own time-out only */
        *socket_context = visitor;
        if (!visitor)
            return;
        *visitor = (struct visitor){server->visitors.next, &server->visitors, connection, now_ns()};
        visitor->next->previous = visitor;
        server->visitors.next = visitor;
    } else if ((visitor = *socket_context)) {
        visitor->previous->next = visitor->next;
        visitor->next->previous = visitor->previous;
        free(visitor);
        *socket_context = NULL;
    }
}

/* ---- the thread ---- */

/* MHD's own time-out begins anew with each byte; a request that drips in byte by byte is
 * ended here. */
static void end_slow(struct live_server *server)
{
    int64_t oldest_ns = now_ns() - (int64_t)LIVE_REQUEST_S * 1000000000;
    for (struct visitor *at = server->visitors.next; at != &server->visitors; at = at->next)
        if (at->since_ns < oldest_ns) {
            const union MHD_ConnectionInfo *info =
                MHD_get_connection_info(at->connection, MHD_CONNECTION_INFO_CONNECTION_FD);
            if (info)
                shutdown(info->connect_fd, SHUT_RDWR);
        }
}

static void *serve(void *context)
{
    struct live_server *server = context;
    int64_t looked_ns = 0;
    /* Threads are scheduled one by one here: this one gives way to all that record. */
    (void)setpriority(PRIO_PROCESS, (id_t)syscall(SYS_gettid), NICENESS);
    while (!atomic_load(&server->over)) {
        if (now_ns() - looked_ns >= LOOK_NS) {
            looked_ns = now_ns();
            server->settings.look(server->settings.context, server->settings.live);
            server->requests = 0;
            end_slow(server);
        }
        MHD_run_wait(server->daemon, WAIT_MS);
        if (server->requests > BUSY_REQUESTS) {
            const struct timespec pause = {.tv_nsec = BUSY_PAUSE_MS * 1000000L};
            (void)nanosleep(&pause, NULL);
        }
    }
    return NULL;
}

/* ---- opening ---- */

static int bind_one(struct live_server *server, uint16_t port, struct rig_err *err)
{
    struct sockaddr_in v4 = {.sin_family = AF_INET, .sin_port = htons(port)};
    struct sockaddr_in6 v6 = {.sin6_family = AF_INET6, .sin6_port = htons(port)};
    bool is_v6 = inet_pton(AF_INET6, server->settings.address, &v6.sin6_addr) == 1;
    if (!is_v6 && inet_pton(AF_INET, server->settings.address, &v4.sin_addr) != 1)
        return rig_fail(err, RIG_EINPUT, "%s is not an IP address", server->settings.address);
    errno = 0;
    server->daemon = MHD_start_daemon(
        MHD_USE_EPOLL | (is_v6 ? MHD_USE_IPv6 : 0), port, NULL, NULL, handle, server,
        MHD_OPTION_SOCK_ADDR, is_v6 ? (struct sockaddr *)&v6 : (struct sockaddr *)&v4,
        MHD_OPTION_CONNECTION_LIMIT, (unsigned)LIVE_CONNECTIONS, MHD_OPTION_PER_IP_CONNECTION_LIMIT,
        (unsigned)LIVE_CONNECTIONS_AN_ADDRESS, MHD_OPTION_CONNECTION_TIMEOUT,
        (unsigned)LIVE_REQUEST_S, MHD_OPTION_CONNECTION_MEMORY_LIMIT, (size_t)LIVE_REQUEST_BYTES,
        MHD_OPTION_NOTIFY_COMPLETED, note_done, NULL, MHD_OPTION_NOTIFY_CONNECTION, note_visitor,
        server, MHD_OPTION_END);
    if (!server->daemon) {
        int why = errno;
        return rig_fail(err, why == EADDRINUSE || why == EADDRNOTAVAIL ? RIG_EINPUT : RIG_EOS,
                        "the live page can't be had at %s:%u: %s; give another ADDRESS:PORT",
                        server->settings.address, port, strerror(why));
    }
    const union MHD_DaemonInfo *info =
        MHD_get_daemon_info(server->daemon, MHD_DAEMON_INFO_BIND_PORT);
    snprintf(server->url, sizeof server->url, is_v6 ? "http://[%s]:%u/" : "http://%s:%u/",
             server->settings.address, info ? info->port : port);
    return RIG_OK;
}

static int bind_server(struct live_server *server, struct rig_err *err)
{
    int code = bind_one(server, server->settings.port, err);
    for (unsigned next = 1; code == RIG_EINPUT && server->settings.next_ports && next < 10; next++)
        code = bind_one(server, (uint16_t)(server->settings.port + next), err);
    return code;
}

static int make_responses(struct live_server *server, struct rig_err *err)
{
    server->page = lasting(live_page_html, "text/html; charset=utf-8");
    server->style = lasting(live_page_style, "text/css; charset=utf-8");
    server->script = lasting(live_page_script, "text/javascript; charset=utf-8");
    server->icon = lasting(live_page_icon, "image/svg+xml");
    server->plan = lasting(server->settings.plan_json, "application/json");
    if (!server->page || !server->style || !server->script || !server->icon || !server->plan)
        return rig_fail_memory(err, "the live page");
    return RIG_OK;
}

static void drop(struct MHD_Response *response)
{
    if (response)
        MHD_destroy_response(response);
}

static void free_server(struct live_server *server)
{
    if (server->daemon)
        MHD_stop_daemon(server->daemon);
    drop(server->page);
    drop(server->style);
    drop(server->script);
    drop(server->icon);
    drop(server->plan);
    free(server);
}

struct live_server *live_server_open(const struct live_server_settings *settings,
                                     struct rig_err *err)
{
    struct live_server *server = calloc(1, sizeof *server);
    if (!server) {
        rig_fail_memory(err, "the live page");
        return NULL;
    }
    server->settings = *settings;
    server->visitors.next = server->visitors.previous = &server->visitors;
    if (settings->stop)
        memcpy(server->lock.token, settings->token, sizeof server->lock.token);
    if (gethostname(server->machine, sizeof server->machine - 1))
        server->machine[0] = 0;
    atomic_init(&server->over, false);
    atomic_init(&server->asked_ns, INT64_MIN / 2);
    int code = make_responses(server, err);
    if (!code)
        code = bind_server(server, err);
    if (!code) {
        int failed = pthread_create(&server->thread, NULL, serve, server);
        if (failed)
            code = rig_fail_os(err, failed, "the live page's thread can't be started");
    }
    if (code) {
        free_server(server);
        return NULL;
    }
    return server;
}

const char *live_server_url(const struct live_server *server)
{
    return server->url;
}

int64_t live_server_asked_ns(const struct live_server *server)
{
    return atomic_load(&server->asked_ns);
}

void live_server_close(struct live_server *server)
{
    if (!server)
        return;
    atomic_store(&server->over, true);
    pthread_join(server->thread, NULL);
    free_server(server);
}
