/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "rig/host_clock.h"

#include <stddef.h>
#include <sys/resource.h>
#include <sys/syscall.h>
#include <time.h>
#include <unistd.h>

static int64_t now_ns(void *context)
{
    (void)context;
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now); /* can't fail for this clock (POSIX) */
    return (int64_t)now.tv_sec * 1000000000 + now.tv_nsec;
}

static void sleep_until_ns(void *context, int64_t until_ns)
{
    (void)context;
    if (until_ns <= 0)
        return;
    struct timespec until = {.tv_sec = (time_t)(until_ns / 1000000000),
                             .tv_nsec = (long)(until_ns % 1000000000)};
    clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &until, NULL);
}

int64_t host_slept_ns(void)
{
    struct timespec boot = {0};
    if (clock_gettime(CLOCK_BOOTTIME, &boot)) /* Linux has it since 2.6.39 */
        return 0;
    return (int64_t)boot.tv_sec * 1000000000 + boot.tv_nsec - now_ns(NULL);
}

struct rig_clock host_clock(void)
{
    return (struct rig_clock){now_ns, sleep_until_ns, NULL};
}

void host_prefer_this_thread(void)
{
    static const int BEFORE_OTHERS = -15;
    /* On Linux a thread has a nice value of its own. */
    (void)setpriority(PRIO_PROCESS, (id_t)syscall(SYS_gettid), BEFORE_OTHERS);
}
