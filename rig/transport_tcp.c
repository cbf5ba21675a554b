/* SPDX-License-Identifier: GPL-3.0-or-later
 * tcp:HOST:PORT, for serial servers: raw bytes. HOST is a name, an IPv4 address, or an
 * IPv6 address in brackets. */
#include "rig/transport_parts.h"

#include <errno.h>
#include <fcntl.h>
#include <netdb.h>
#include <netinet/in.h>
#include <netinet/tcp.h>
#include <poll.h>
#include <stdio.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

enum { CONNECT_MS = 5000 };

/* 0, or the errno of why not. */
static int connect_within(int fd, const struct addrinfo *to)
{
    if (fcntl(fd, F_SETFL, O_NONBLOCK) < 0)
        return errno;
    if (connect(fd, to->ai_addr, to->ai_addrlen) == 0)
        return 0;
    if (errno != EINPROGRESS)
        return errno;
    struct pollfd ready = {.fd = fd, .events = POLLOUT};
    int polled = poll(&ready, 1, CONNECT_MS);
    if (polled <= 0)
        return polled < 0 ? errno : ETIMEDOUT;
    int why = 0;
    socklen_t size = sizeof why;
    return getsockopt(fd, SOL_SOCKET, SO_ERROR, &why, &size) < 0 ? errno : why;
}

int transport_open_tcp(struct transport *transport, const char *address, struct rig_err *err)
{
    char host[256];
    const char *colon = strrchr(address, ':');
    if (!colon || colon == address || !colon[1] || (size_t)(colon - address) >= sizeof host)
        return rig_fail(err, RIG_EINPUT, "port tcp:%.200s; write it as tcp:HOST:PORT", address);
    size_t size = (size_t)(colon - address);
    bool bracketed = size > 2 && address[0] == '[' && address[size - 1] == ']'; /* IPv6 */
    memcpy(host, address + bracketed, size - 2 * bracketed);
    host[size - 2 * bracketed] = 0;
    struct addrinfo hints = {.ai_family = AF_UNSPEC, .ai_socktype = SOCK_STREAM}, *list;
    int found = getaddrinfo(host, colon + 1, &hints, &list);
    if (found)
        return rig_fail(err, RIG_EUNPLUGGED, "port tcp:%.200s: %s", address, gai_strerror(found));
    int why = EHOSTUNREACH, fd = -1;
    for (const struct addrinfo *to = list; to && fd < 0; to = to->ai_next) {
        fd = socket(to->ai_family, to->ai_socktype | SOCK_CLOEXEC, to->ai_protocol);
        why = fd < 0 ? errno : connect_within(fd, to);
        if (fd >= 0 && why) {
            close(fd);
            fd = -1;
        }
    }
    freeaddrinfo(list);
    if (fd < 0)
        return rig_fail(err, RIG_EUNPLUGGED, "port tcp:%.200s can't be reached: %s", address,
                        strerror(why));
    int on = 1; /* lines are short and must not wait for more */
    (void)setsockopt(fd, IPPROTO_TCP, TCP_NODELAY, &on, sizeof on);
    (void)setsockopt(fd, SOL_SOCKET, SO_KEEPALIVE, &on, sizeof on); /* a server that vanished */
    char name[256];
    snprintf(name, sizeof name, "tcp:%.200s", address);
    return transport_of_fd(transport, fd, name, err);
}
