/* SPDX-License-Identifier: GPL-3.0-or-later
 * Preloaded into a run: a disk that takes its time, and a system clock that is set back.
 *   BAD_SYNC_S         each fdatasync takes so long (from BAD_FROM_S after the start on, for 12 s)
 *   BAD_CLOCK_BACK_S   from BAD_FROM_S on the time of day is so much earlier
 * Only what the C library is asked for; the kernel's own clocks go on. */
#define _GNU_SOURCE
#include <stdlib.h>
#include <sys/syscall.h>
#include <time.h>
#include <unistd.h>

static double setting(const char *name)
{
    const char *text = getenv(name);
    return text ? strtod(text, NULL) : 0;
}

static int real_clock(clockid_t clock, struct timespec *now)
{
    return (int)syscall(SYS_clock_gettime, clock, now);
}

/* Seconds since the first call of any of these. */
static double age_s(void)
{
    static struct timespec first;
    struct timespec now;
    real_clock(CLOCK_MONOTONIC, &now);
    if (first.tv_sec == 0)
        first = now;
    return (double)(now.tv_sec - first.tv_sec) + (double)(now.tv_nsec - first.tv_nsec) * 1e-9;
}

int fdatasync(int fd)
{
    double pause_s = setting("BAD_SYNC_S"), from_s = setting("BAD_FROM_S"), age = age_s();
    if (pause_s > 0 && age > from_s && age < from_s + 12) {
        struct timespec pause = {.tv_sec = (time_t)pause_s};
        nanosleep(&pause, NULL);
    }
    return (int)syscall(SYS_fdatasync, fd);
}

int clock_gettime(clockid_t clock, struct timespec *now)
{
    double back_s = setting("BAD_CLOCK_BACK_S");
    int code = real_clock(clock, now);
    if (code == 0 && clock == CLOCK_REALTIME && back_s > 0 && age_s() > setting("BAD_FROM_S"))
        now->tv_sec -= (time_t)back_s;
    return code;
}

time_t time(time_t *at)
{
    struct timespec now;
    clock_gettime(CLOCK_REALTIME, &now);
    if (at)
        *at = now.tv_sec;
    return now.tv_sec;
}
