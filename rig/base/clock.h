/* SPDX-License-Identifier: GPL-3.0-or-later
 * Time as an argument: whoever needs it gets a clock, and tests hand in one
 * that they move themselves. */
#ifndef BASE_CLOCK_H
#define BASE_CLOCK_H

#include <stdint.h>

/* Nanoseconds of a monotonic clock; only differences mean anything. */
struct rig_clock {
    int64_t (*now_ns)(void *context);
    /* Returns when now_ns() >= until_ns, or earlier when something may have
     * happened (a signal, bytes on a port): callers loop. */
    void (*sleep_until_ns)(void *context, int64_t until_ns);
    void *context;
};

static inline int64_t rig_clock_now(const struct rig_clock *clock)
{
    return clock->now_ns(clock->context);
}

/* Differences only: an int64_t of ns holds 292 years, a double of seconds keeps
 * nanoseconds for 100 days. */
static inline double rig_ns_to_s(int64_t ns)
{
    return (double)ns * 1e-9;
}

static inline int64_t rig_s_to_ns(double s)
{
    return (int64_t)(s * 1e9 + (s < 0 ? -0.5 : 0.5));
}

#endif
