/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "rig/live_guard.h"

#include "base/number.h"

#include <arpa/inet.h>
#include <stdio.h>
#include <string.h>
#include <strings.h>

static const struct {
    const char *path;
    enum live_what what;
} paths[] = {
    {"/", LIVE_PAGE},          {"/live.css", LIVE_STYLE},
    {"/live.js", LIVE_SCRIPT}, {"/favicon.svg", LIVE_ICON},
    {"/plan", LIVE_PLAN},      {"/state", LIVE_STATE},
    {"/stop", LIVE_STOP},
};

static const int64_t MINUTE_NS = 60000000000;
enum { WRONG_LIMIT = 5 };

static bool is_address(const char *text)
{
    struct in6_addr found;
    return inet_pton(AF_INET, text, &found) == 1 || inet_pton(AF_INET6, text, &found) == 1;
}

/* The name without port and brackets; false when it isn't of that form. */
static bool host_name(const char *host, char name[256])
{
    size_t size = strlen(host);
    const char *end = host + size, *start = host;
    if (host[0] == '[') {
        start = host + 1;
        end = strchr(host, ']');
        if (!end || (end[1] && end[1] != ':'))
            return false;
    } else if (strchr(host, ':')) {
        end = strchr(host, ':');
    }
    const char *port = *end == ']' ? end + 1 : end;
    if (*port == ':' && strspn(port + 1, "0123456789") != strlen(port + 1))
        return false;
    size = (size_t)(end - start);
    if (size == 0 || size > 255)
        return false;
    memcpy(name, start, size);
    name[size] = 0;
    return true;
}

bool live_host_known(const char *host, const char *machine)
{
    char name[256], local[300];
    if (!host || !host_name(host, name))
        return false;
    if (is_address(name) || strcasecmp(name, "localhost") == 0)
        return true;
    if (!machine || !*machine)
        return false;
    snprintf(local, sizeof local, "%.255s.local", machine);
    return strcasecmp(name, machine) == 0 || strcasecmp(name, local) == 0;
}

/* "http://" and the same host and port as the request went to. */
static bool own_origin(const struct live_request *request)
{
    static const char scheme[] = "http://";
    return !request->origin ||
           (strncmp(request->origin, scheme, sizeof scheme - 1) == 0 &&
            strcasecmp(request->origin + sizeof scheme - 1, request->host) == 0);
}

unsigned live_guard(const struct live_request *request, const char *machine, enum live_what *what)
{
    bool reads = strcmp(request->method, "GET") == 0 || strcmp(request->method, "HEAD") == 0;
    bool sends = strcmp(request->method, "POST") == 0;
    if (!reads && !sends)
        return 405;
    if (!live_host_known(request->host, machine))
        return 421;
    *what = LIVE_WHAT_COUNT;
    for (size_t i = 0; i < sizeof paths / sizeof *paths; i++)
        if (strcmp(request->path, paths[i].path) == 0)
            *what = paths[i].what;
    if (*what == LIVE_WHAT_COUNT)
        return 404;
    if (sends != (*what == LIVE_STOP))
        return 405;
    int64_t size;
    if (reads)
        return request->length && strcmp(request->length, "0") != 0 ? 413 : 0;
    if (!own_origin(request))
        return 403;
    if (!request->length)
        return 411;
    if (!rig_whole_number(request->length, strlen(request->length), 0, INT64_MAX, &size, NULL))
        return 400;
    return size > LIVE_BODY_LIMIT ? 413 : 0;
}

unsigned live_lock_try(struct live_lock *lock, const char *body, size_t size, int64_t now_ns)
{
    static const char blanks[] = " \t\r\n";
    if (!*lock->token)
        return 404;
    if (lock->wrong && now_ns - lock->minute_ns >= MINUTE_NS)
        lock->wrong = 0;
    if (lock->wrong >= WRONG_LIMIT)
        return 429;
    while (size && body[0] && strchr(blanks, body[0])) {
        body++;
        size--;
    }
    while (size && body[size - 1] && strchr(blanks, body[size - 1]))
        size--;
    size_t wanted = strlen(lock->token);
    unsigned difference = size != wanted;
    for (size_t i = 0; i < wanted; i++)
        difference |= (unsigned)(unsigned char)lock->token[i] ^
                      (unsigned)(i < size ? (unsigned char)body[i] : 0);
    if (!difference)
        return 0;
    if (lock->wrong++ == 0)
        lock->minute_ns = now_ns;
    return 403;
}

bool live_address(const char *text, char address[64], uint16_t *port)
{
    char name[256] = "127.0.0.1";
    const char *digits = strrchr(text, ':');
    bool alone = strspn(text, "0123456789") == strlen(text);
    int64_t number;
    digits = alone ? text : digits ? digits + 1 : "";
    if (!rig_whole_number(digits, strlen(digits), 0, UINT16_MAX, &number, NULL))
        return false;
    if (!alone && digits != text + 1) {
        if (!host_name(text, name) || (text[0] != '[' && strchr(text, ':') != digits - 1))
            return false;
        if (strcmp(name, "localhost") == 0)
            snprintf(name, sizeof name, "127.0.0.1");
    }
    if (!is_address(name) || strlen(name) > 63)
        return false;
    snprintf(address, 64, "%.63s", name);
    *port = (uint16_t)number;
    return true;
}
