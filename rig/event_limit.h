/* SPDX-License-Identifier: GPL-3.0-or-later
 * Events that may come by the thousand (malformed lines, resend requests, chatter):
 * the first of each minute are kept word for word, the rest is counted. */
#ifndef RIG_EVENT_LIMIT_H
#define RIG_EVENT_LIMIT_H

#include <stdbool.h>
#include <stdint.h>

enum { EVENT_LIMIT_A_MINUTE = 20 };

struct event_limit {
    int64_t minute_ns; /* where the minute under way began */
    unsigned kept;     /* in it */
    uint64_t total, held_back;
};

/* True when this one is to be kept; counts it in any case. */
static inline bool event_limit_takes(struct event_limit *limit, int64_t now_ns)
{
    if (limit->total == 0 || now_ns - limit->minute_ns >= 60000000000) {
        limit->minute_ns = now_ns;
        limit->kept = 0;
    }
    limit->total++;
    if (limit->kept < EVENT_LIMIT_A_MINUTE) {
        limit->kept++;
        return true;
    }
    limit->held_back++;
    return false;
}

#endif
