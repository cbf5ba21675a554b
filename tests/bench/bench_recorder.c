/* SPDX-License-Identifier: GPL-3.0-or-later
 * The run's own loop at speed: boards on pseudo-terminals send lines that hold their number
 * and the time at which they were written; what the recording says is compared with that.
 *
 *   bench_recorder [--rate LINES/S] [--ports N] [--seconds S] [--busy] [--bare]
 *
 * --rate is of each port; --busy keeps one core busy meanwhile; --bare measures a loop that
 * only polls, reads and stamps, which is what no program can do without. A board writes
 * what is due every millisecond, as adapters hand lines over. Prints lines lost, the error
 * of the time stamp, and the CPU used. Exit status 1 when a line was lost. */
#include "base/text.h"
#include "rig/bench_loop.h"
#include "rig/host_clock.h"

#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <poll.h>
#include <pthread.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

enum { PORTS = 8 };
static const double SETTLE_S = 0.5; /* what waited in a port when the loop began is late */

struct wish {
    double rate_hz, seconds;
    int ports;
    bool busy, bare;
};

struct port {
    int master;
    char name[128];
    pid_t sender;
};

static struct port ports[PORTS], axis_port;
static int64_t begun_ns; /* the first time that the loop looked at the clock */

static void die(const char *what)
{
    fprintf(stderr, "bench_recorder: %s: %s\n", what, strerror(errno));
    exit(1);
}

static int64_t clock_ns(clockid_t which)
{
    struct timespec now;
    clock_gettime(which, &now);
    return (int64_t)now.tv_sec * 1000000000 + now.tv_nsec;
}

static int64_t watched_now(void *context)
{
    (void)context;
    int64_t now_ns = clock_ns(CLOCK_MONOTONIC);
    if (begun_ns == 0)
        begun_ns = now_ns;
    return now_ns;
}

static void open_port(struct port *port)
{
    port->master = posix_openpt(O_RDWR | O_NOCTTY | O_CLOEXEC);
    if (port->master < 0 || grantpt(port->master) || unlockpt(port->master))
        die("no pseudo-terminal");
    snprintf(port->name, sizeof port->name, "%s", ptsname(port->master));
    int line = open(port->name, O_RDWR | O_NOCTTY);
    struct termios terms;
    if (line < 0 || tcgetattr(line, &terms))
        die("no pseudo-terminal");
    cfmakeraw(&terms);
    tcsetattr(line, TCSANOW, &terms);
    /* stays open, so that nothing is lost before the loop has it */
}

/* Lines "STAMP_US,NUMBER,1.234567" until it is killed. */
static void send_lines(int master, double rate_hz)
{
    static const int64_t EVERY_NS = 1000000;
    static char bytes[1 << 16];
    uint64_t sent = 0;
    int64_t from_ns = clock_ns(CLOCK_MONOTONIC);
    for (int64_t wake_ns = from_ns;; wake_ns += EVERY_NS) {
        struct timespec at = {.tv_sec = wake_ns / 1000000000, .tv_nsec = wake_ns % 1000000000};
        clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &at, NULL);
        int64_t now_ns = clock_ns(CLOCK_MONOTONIC);
        uint64_t due = (uint64_t)((double)(now_ns - from_ns) * 1e-9 * rate_hz);
        while (sent < due) {
            size_t size = 0;
            int64_t stamp_us = clock_ns(CLOCK_MONOTONIC) / 1000;
            for (; sent < due && size + 64 < sizeof bytes; sent++)
                size += (size_t)snprintf(bytes + size, 64, "%lld,%llu,%d.%06d\n",
                                         (long long)stamp_us, (unsigned long long)sent,
                                         (int)(sent % 3), (int)(sent % 999983));
            for (size_t done = 0; done < size;) {
                ssize_t n = write(master, bytes + done, size - done);
                if (n < 0)
                    _exit(1);
                done += (size_t)n;
            }
        }
    }
}

static pid_t start_sender(int master, double rate_hz)
{
    pid_t child = fork();
    if (child == 0)
        send_lines(master, rate_hz);
    return child;
}

static pid_t start_busy(void)
{
    pid_t child = fork();
    volatile uint64_t count = 0;
    while (child == 0)
        count++;
    return child;
}

/* An axis that takes everything at once and says that it stands where it was sent. */
static void *answer_axis(void *context)
{
    int fd = *(int *)context;
    char line[256];
    size_t size = 0;
    double z_mm = 0;
    for (char byte; read(fd, &byte, 1) == 1;) {
        if (byte != '\n') {
            if (size + 1 < sizeof line)
                line[size++] = byte;
            continue;
        }
        line[size] = '\0';
        size = 0;
        const char *z = strstr(line, "G1 Z")    ? strstr(line, "G1 Z") + 4
                        : strstr(line, "G92 Z") ? strstr(line, "G92 Z") + 5
                                                : NULL;
        if (z)
            z_mm = strtod(z, NULL);
        char answer[64];
        int n =
            snprintf(answer, sizeof answer, strstr(line, "M114") ? "Z:%.4f\nok\n" : "ok\n", z_mm);
        if (write(fd, answer, (size_t)n) != n)
            return NULL;
    }
    return NULL;
}

/* ---- what was recorded ---- */

struct errors {
    double *ms;
    size_t count, room;
    uint64_t first, next, lost;
    bool any;
};

static void note(struct errors *errors, uint64_t number, double late_ms, bool settled)
{
    if (!errors->any)
        errors->first = errors->next = number;
    errors->any = true;
    errors->lost += number - errors->next;
    errors->next = number + 1;
    if (!settled)
        return;
    if (errors->count == errors->room) {
        errors->room = errors->room ? 2 * errors->room : 1 << 16;
        errors->ms = realloc(errors->ms, errors->room * sizeof *errors->ms);
        if (!errors->ms)
            die("no memory");
    }
    errors->ms[errors->count++] = late_ms;
}

static int by_size(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return (x > y) - (x < y);
}

static int tell(const struct wish *wish, struct errors *errors, double wall_s, double cpu_s,
                double loop_s)
{
    uint64_t lines = errors->next - errors->first - errors->lost;
    qsort(errors->ms, errors->count, sizeof *errors->ms, by_size);
    if (errors->count == 0)
        die("nothing was recorded");
    printf("%s, %d x %.0f lines/s%s, %.1f s: %llu lines, %llu lost\n",
           wish->bare ? "bare loop" : "recorded", wish->ports, wish->rate_hz,
           wish->busy ? ", one core busy" : "", wall_s, (unsigned long long)lines,
           (unsigned long long)errors->lost);
    printf("  stamp late by %.3f ms median, %.3f ms 99th percentile, %.3f ms largest\n",
           errors->ms[errors->count / 2], errors->ms[(size_t)((double)errors->count * 0.99)],
           errors->ms[errors->count - 1]);
    printf("  CPU %.1f %% of a core", 100 * cpu_s / wall_s);
    if (!wish->bare)
        printf(", %.1f %% of it the loop that reads", 100 * loop_s / wall_s);
    printf("\n");
    return errors->lost > 0;
}

static double cpu_of(clockid_t which)
{
    return (double)clock_ns(which) * 1e-9;
}

/* ---- the bare loop ---- */

static int run_bare(const struct wish *wish)
{
    struct errors errors[PORTS] = {0};
    struct pollfd fds[PORTS];
    static char bytes[PORTS][1 << 16];
    size_t held[PORTS] = {0};
    size_t room = 1 << 16, count = 0;
    struct {
        int64_t at_ns;
        size_t size;
        int port;
    } *pieces = malloc(sizeof *pieces * 2000000);
    size_t all_room = (size_t)(wish->rate_hz * wish->ports * (wish->seconds + 1) * 64), all = 0;
    char *text = malloc(all_room);
    if (!pieces || !text)
        die("no memory");
    for (int i = 0; i < wish->ports; i++) {
        int fd = open(ports[i].name, O_RDWR | O_NOCTTY | O_NONBLOCK);
        fds[i] = (struct pollfd){.fd = fd, .events = POLLIN};
        ports[i].sender = start_sender(ports[i].master, wish->rate_hz);
    }
    int64_t from_ns = clock_ns(CLOCK_MONOTONIC), now_ns = from_ns;
    double cpu_s = cpu_of(CLOCK_PROCESS_CPUTIME_ID);
    while (now_ns < from_ns + (int64_t)(wish->seconds * 1e9)) {
        poll(fds, (nfds_t)wish->ports, 100);
        now_ns = clock_ns(CLOCK_MONOTONIC);
        for (int i = 0; i < wish->ports; i++) {
            ssize_t n = read(fds[i].fd, text + all, room);
            if (n <= 0 || count == 2000000 || all + room > all_room)
                continue;
            pieces[count].at_ns = now_ns;
            pieces[count].size = (size_t)n;
            pieces[count++].port = i;
            all += (size_t)n;
        }
    }
    cpu_s = cpu_of(CLOCK_PROCESS_CPUTIME_ID) - cpu_s;
    size_t at = 0;
    for (size_t p = 0; p < count; p++) {
        int i = pieces[p].port;
        for (size_t k = 0; k < pieces[p].size; k++, at++) {
            if (text[at] != '\n') {
                bytes[i][held[i]++] = text[at];
                continue;
            }
            bytes[i][held[i]] = '\0';
            held[i] = 0;
            long long stamp_us;
            unsigned long long number;
            if (sscanf(bytes[i], "%lld,%llu", &stamp_us, &number) == 2)
                note(&errors[i], number, (double)pieces[p].at_ns * 1e-6 - (double)stamp_us * 1e-3,
                     pieces[p].at_ns > from_ns + (int64_t)(SETTLE_S * 1e9));
        }
    }
    int status = 0;
    for (int i = 0; i < wish->ports; i++)
        status |= tell(wish, &errors[i], wish->seconds, cpu_s, 0);
    return status;
}

/* ---- the run ---- */

static char *rig_text(const struct wish *wish)
{
    struct text text = {0};
    text_format(&text,
                "axis\n  port %s\n  travel 0 mm to 200 mm\n  speed up to 60 mm/s\n"
                "  acceleration up to 900 mm/s2\n  resolution 400 steps/mm\n  park at -20 mm\nend\n"
                "water\n  datum at stage 31.4 mm\nend\n",
                axis_port.name);
    for (int i = 0; i < wish->ports; i++)
        text_format(&text,
                    "source board%d\n  port %s\n  line csv\n  clock column 1 in us\n"
                    "  channel number column 2 in 1\n  channel level column 3 in volts role "
                    "sensor\nend\n",
                    i, ports[i].name);
    return text_take(&text);
}

static void read_back(const char *folder, int port, struct errors *errors)
{
    char path[300], line[200];
    snprintf(path, sizeof path, "%s/board%d.csv", folder, port);
    FILE *file = fopen(path, "r");
    if (!file || !fgets(line, sizeof line, file))
        die(path);
    while (fgets(line, sizeof line, file)) {
        double t_s, device_s;
        unsigned long long number;
        if (sscanf(line, "%lf,%lf,%llu", &t_s, &device_s, &number) != 3)
            die(path);
        /* both since the machine's start; the recording has the run's start as zero */
        double late_ms = ((double)begun_ns * 1e-9 + t_s - device_s) * 1e3;
        note(errors, number, late_ms, t_s > SETTLE_S);
    }
    fclose(file);
}

static int run_recorded(const struct wish *wish)
{
    char folder[] = "/tmp/wetsweep-bench-XXXXXX", profile[200], inner[128];
    struct rig_err err = {0};
    static struct rig rig;
    if (!mkdtemp(folder))
        die(folder);
    snprintf(inner, sizeof inner, "%s/recording", folder);
    snprintf(profile, sizeof profile, "start at 10 mm\nhold %.3f s\nramp to 20 mm at 60 mm/s\n",
             wish->seconds);
    char *text = rig_text(wish);
    struct units *units = units_open(&err);
    if (!text || !units || rig_read(&rig, "bench", text, strlen(text), units, &err))
        goto fail;
    struct plan *plan = plan_make(&rig, "bench", profile, strlen(profile), units, NULL, &err);
    if (!plan)
        goto fail;
    const struct run_facts facts = {.board = "bench",
                                    .revision = "B",
                                    .coating = "",
                                    .note = "",
                                    .rig_name = "bench",
                                    .rig_text = text,
                                    .profile_name = "bench",
                                    .profile_text = profile,
                                    .started = "2026-01-01T00:00:00Z",
                                    .version = "bench",
                                    .water_degc = NAN};
    struct recording_writer *writer = recording_create(inner, &facts, &rig, plan, NULL, &err);
    if (!writer)
        goto fail;
    /* Before any thread: they fork. */
    for (int i = 0; i < wish->ports; i++)
        ports[i].sender = start_sender(ports[i].master, wish->rate_hz);
    pthread_t answers;
    if (pthread_create(&answers, NULL, answer_axis, &axis_port.master))
        die("no thread");
    struct recorder *recorder = recorder_open(writer, RECORDER_ROOM, true, &err);
    if (!recorder)
        goto fail;
    struct bench_settings settings = {.rig = &rig,
                                      .plan = plan,
                                      .clock = host_clock(),
                                      .polls = true,
                                      .recorder = recorder,
                                      .signal_fd = -1};
    settings.clock.now_ns = watched_now;
    if (transport_open(&settings.axis, rig.axis.port, 0, &settings.clock, &err))
        goto fail;
    for (int i = 0; i < wish->ports; i++)
        if (transport_open(&settings.sources[i], rig.sources[i].port, 0, &settings.clock, &err))
            goto fail;
    begun_ns = 0;
    host_prefer_this_thread(); /* as `run` does; the recorder's thread and the senders stay behind
                                */
    double cpu_s = cpu_of(CLOCK_PROCESS_CPUTIME_ID), loop_s = cpu_of(CLOCK_THREAD_CPUTIME_ID);
    struct bench_end end;
    if (bench_run(&settings, &end, &err))
        goto fail;
    double wall_s = (double)(clock_ns(CLOCK_MONOTONIC) - begun_ns) * 1e-9;
    loop_s = cpu_of(CLOCK_THREAD_CPUTIME_ID) - loop_s;
    if (recorder_close(recorder, end.state, end.why, &err))
        goto fail;
    cpu_s = cpu_of(CLOCK_PROCESS_CPUTIME_ID) - cpu_s;
    if (end.state != RUN_COMPLETE || end.view.malformed || end.view.lost)
        fprintf(stderr, "%s; %llu malformed, %llu lost\n", end.why,
                (unsigned long long)end.view.malformed, (unsigned long long)end.view.lost);
    int status = end.state != RUN_COMPLETE;
    for (int i = 0; i < wish->ports; i++) {
        struct errors errors = {0};
        read_back(inner, i, &errors);
        status |= tell(wish, &errors, wall_s, cpu_s, loop_s);
        free(errors.ms);
    }
    char command[200];
    snprintf(command, sizeof command, "rm -rf %s", folder);
    if (system(command))
        fprintf(stderr, "%s is left behind\n", folder);
    plan_free(plan);
    units_close(units);
    free(text);
    return status;
fail:
    fprintf(stderr, "bench_recorder: %s\n", err.text);
    return 1;
}

int main(int argc, char **argv)
{
    struct wish wish = {.rate_hz = 50000, .seconds = 20, .ports = 1};
    for (int i = 1; i < argc; i++) {
        bool more = i + 1 < argc;
        if (!strcmp(argv[i], "--rate") && more)
            wish.rate_hz = strtod(argv[++i], NULL);
        else if (!strcmp(argv[i], "--seconds") && more)
            wish.seconds = strtod(argv[++i], NULL);
        else if (!strcmp(argv[i], "--ports") && more)
            wish.ports = (int)strtol(argv[++i], NULL, 10);
        else if (!strcmp(argv[i], "--busy"))
            wish.busy = true;
        else if (!strcmp(argv[i], "--bare"))
            wish.bare = true;
        else
            wish.ports = 0;
    }
    if (wish.ports < 1 || wish.ports > PORTS || !(wish.rate_hz > 0) || !(wish.seconds > 1)) {
        fprintf(stderr,
                "usage: bench_recorder [--rate LINES/S] [--ports 1..%d] [--seconds S] "
                "[--busy] [--bare]\n",
                PORTS);
        return 2;
    }
    signal(SIGPIPE, SIG_IGN);
    for (int i = 0; i < wish.ports; i++)
        open_port(&ports[i]);
    open_port(&axis_port);
    pid_t busy = wish.busy ? start_busy() : 0;
    int status = wish.bare ? run_bare(&wish) : run_recorded(&wish);
    for (int i = 0; i < wish.ports; i++)
        if (ports[i].sender > 0)
            kill(ports[i].sender, SIGKILL);
    if (busy > 0)
        kill(busy, SIGKILL);
    while (wait(NULL) > 0)
        ;
    return status;
}
