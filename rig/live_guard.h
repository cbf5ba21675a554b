/* SPDX-License-Identifier: GPL-3.0-or-later
 * Who may ask the live page for what, decided from the words of the request alone. Pure. */
#ifndef RIG_LIVE_GUARD_H
#define RIG_LIVE_GUARD_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum live_what {
    LIVE_PAGE,
    LIVE_STYLE,
    LIVE_SCRIPT,
    LIVE_ICON,
    LIVE_PLAN,  /* what stays the same through the run, as JSON */
    LIVE_STATE, /* how it stands, as JSON */
    LIVE_STOP,
    LIVE_WHAT_COUNT
};

enum { LIVE_BODY_LIMIT = 128, LIVE_TOKEN_SIZE = 33 };

/* The words of a request that decide. NULL: the header is not there. */
struct live_request {
    const char *method, *path, *host, *origin, *length;
};

/* HTTP status (RFC 9110) of the refusal, or 0 with *what. machine: this machine's own
 * name, NULL or "": none. */
unsigned live_guard(const struct live_request *request, const char *machine, enum live_what *what);

/* Whether a page reached under this Host is ours: an IP address, localhost, or the
 * machine's own name (also with .local behind it), with any port. Any other name could be
 * one that somebody else's name server points here, to let a page of theirs read ours. */
bool live_host_known(const char *host, const char *machine);

/* Guesses at the token: five wrong ones within a minute, and none is looked at until the
 * minute is over. Zero-initialise. */
struct live_lock {
    char token[LIVE_TOKEN_SIZE]; /* "": nothing can be stopped */
    int64_t minute_ns;
    unsigned wrong;
};
/* 0: right; 403: wrong; 429: too many were wrong; 404: there is nothing to unlock. body:
 * what came, size bytes; blanks and line ends around the token don't count. Takes the same
 * time wherever the first wrong letter stands. */
unsigned live_lock_try(struct live_lock *lock, const char *body, size_t size, int64_t now_ns);

/* "ADDRESS:PORT", "[ADDRESS]:PORT", ":PORT" or "PORT" with ADDRESS an IP address or
 * localhost. False when it is none of that; then nothing is written. */
bool live_address(const char *text, char address[64], uint16_t *port);

#endif
