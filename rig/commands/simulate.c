/* SPDX-License-Identifier: GPL-3.0-or-later
 * wetsweep simulate: the simulated bench in real time, in a process of its own, behind
 * pseudo-terminals that speak just what hardware speaks. */
#include "commands.h"
#include "simulate_port.h"

#include "base/file.h"
#include "base/number.h"
#include "base/statement.h"
#include "base/text.h"
#include "rig/host_clock.h"
#include "rig/sim.h"

#include <errno.h>
#include <math.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/select.h>
#include <sys/stat.h>
#include <time.h>
#include <unistd.h>

static const char help[] =
    "usage: wetsweep simulate --bench FILE --rig FILE --links FOLDER [OPTION]...\n"
    "       wetsweep simulate --bench FILE --rig FILE --tell FILE\n\n"
    "Plays the hardware of a bench: an axis and a board behind pseudo-terminals, with\n"
    "links to them in FOLDER that are called like the ports of the rig file. Runs in\n"
    "real time until Ctrl-C. Opening the axis' port restarts its controller.\n\n"
    "  --bench FILE     what is true about the bench (.bench)\n"
    "  --rig FILE       the rig file that a run will use with it (.rig)\n"
    "  --links FOLDER   where to put the links; made if missing\n"
    "  --for TIME       end by itself, such as '90 s' or '2 min' (default: never)\n"
    "  --seed N         of noise and delays (default: 1)\n"
    "  --truth FILE     write what is true, as JSON, before the start\n"
    "  --tell FILE      only write what is true\n\n"
    "example: wetsweep simulate --bench profiles/harbour-b-bare.bench \\\n"
    "             --rig profiles/bench.rig --links ports --for '90 s'\n";

struct options {
    const char *bench, *rig, *links, *truth, *tell, *seed, *time;
};

struct job {
    struct sim_truth truth;
    struct rig rig;
    uint64_t seed;
    double time_s; /* INFINITY: until told */
    struct sim_bench *bench;
    struct simulate_port axis, board;
    bool made_folder;
    uint64_t writes;
    double late_sum_s, late_most_s; /* of writes of the board */
};

static volatile sig_atomic_t stop_asked;

static void ask_to_stop(int signal_number)
{
    (void)signal_number;
    stop_asked = 1;
}

/* ---- what was asked ---- */

static int read_options(int argc, char **argv, struct options *options)
{
    const struct {
        const char *name;
        const char **value;
    } known[] = {{"--bench", &options->bench}, {"--rig", &options->rig},
                 {"--links", &options->links}, {"--truth", &options->truth},
                 {"--tell", &options->tell},   {"--seed", &options->seed},
                 {"--for", &options->time}};
    enum { KNOWN = sizeof known / sizeof known[0] };
    for (int i = 1; i < argc; i++) {
        size_t k = 0;
        while (k < KNOWN && strcmp(argv[i], known[k].name) != 0)
            k++;
        if (k == KNOWN) {
            const char *names[KNOWN];
            for (k = 0; k < KNOWN; k++)
                names[k] = known[k].name;
            const char *nearest = nearest_word(argv[i], names, KNOWN);
            return nearest ? command_usage(argv[0], "'%s' is not an option; did you mean '%s'?",
                                           argv[i], nearest)
                           : command_usage(argv[0], "'%s' is not an option", argv[i]);
        }
        if (i + 1 == argc)
            return command_usage(argv[0], "%s needs a value", argv[i]);
        if (*known[k].value)
            return command_usage(argv[0], "%s is given twice", argv[i]);
        *known[k].value = argv[++i];
    }
    if (!options->bench || !options->rig)
        return command_usage(argv[0], "%s is missing", options->bench ? "--rig" : "--bench");
    if (!options->links && !options->tell)
        return command_usage(argv[0], "--links is missing");
    return 0;
}

static int read_numbers(const char *command, const struct options *options, struct job *job,
                        struct units *units)
{
    int64_t seed = 1;
    if (options->seed &&
        !rig_whole_number(options->seed, strlen(options->seed), 0, INT32_MAX, &seed, NULL))
        return command_usage(command, "--seed '%s' is not a whole number from 0 to %d",
                             options->seed, INT32_MAX);
    job->seed = (uint64_t)seed;
    job->time_s = INFINITY;
    if (!options->time)
        return 0;
    size_t digits = strspn(options->time, "0123456789.");
    const char *unit = options->time + digits + strspn(options->time + digits, " ");
    double value, time_s;
    struct rig_err err;
    if (!rig_number(options->time, digits, &value, NULL))
        return command_usage(command, "--for '%s' is not a time, such as '90 s'", options->time);
    if (!*unit)
        return command_usage(command, "--for '%s' has no unit; write '%s s'", options->time,
                             options->time);
    if (units_convert(units, QUANTITY_TIME, value, unit, strlen(unit), &time_s, &err))
        return command_usage(command, "--for '%s': %s", options->time, err.text);
    job->time_s = time_s;
    return 0;
}

static int read_files(const struct options *options, struct job *job, struct units *units,
                      struct rig_err *err)
{
    char *text = NULL;
    size_t size = 0;
    int code = file_read(options->bench, STATEMENT_FILE_LIMIT, &text, &size, err);
    if (!code)
        code = sim_truth_read(&job->truth, options->bench, text, size, units, err);
    free(text);
    text = NULL;
    if (!code)
        code = file_read(options->rig, STATEMENT_FILE_LIMIT, &text, &size, err);
    if (!code)
        code = rig_read(&job->rig, options->rig, text, size, units, err);
    free(text);
    return code;
}

static int write_truth(const struct job *job, const char *path, struct rig_err *err)
{
    char *text = sim_truth_json(&job->truth);
    if (!text)
        return rig_fail_memory(err, "the truth");
    struct text whole = {0};
    text_add(&whole, text);
    text_add(&whole, "\n");
    free(text);
    int code = text_failed(&whole) ? rig_fail_memory(err, "the truth")
                                   : file_replace(path, whole.bytes, whole.size, err);
    text_free(&whole);
    return code;
}

/* ---- ports ---- */

/* A relative port of the rig file names its link; a real device's name doesn't. */
static const char *link_name(const char *port, const char *otherwise)
{
    bool plain = port[0] && !strchr(port, '/') && !strchr(port, ':') && port[0] != '.';
    return plain ? port : otherwise;
}

static const char *board_port(const struct rig *rig)
{
    for (size_t i = 0; i < rig->source_count; i++)
        for (size_t k = 0; k < rig->sources[i].channel_count; k++)
            if (rig->sources[i].channels[k].role == ROLE_SENSOR)
                return rig->sources[i].port;
    return "";
}

static int make_ports(struct job *job, const char *folder, struct rig_err *err)
{
    if (mkdir(folder, 0777) == 0)
        job->made_folder = true;
    else if (errno != EEXIST)
        return rig_fail_os(err, errno, "the folder %s can't be made", folder);
    const char *axis = link_name(job->rig.axis.port, "axis");
    const char *board = link_name(board_port(&job->rig), "board");
    if (strcmp(axis, board) == 0)
        return rig_fail(err, RIG_EINPUT,
                        "the rig file gives axis and board the same port, '%s'; name two", axis);
    int code = simulate_port_make(&job->axis, folder, axis, err);
    return code ? code : simulate_port_make(&job->board, folder, board, err);
}

/* ---- the loop ---- */

static int64_t host_ns(void)
{
    const struct rig_clock clock = host_clock();
    return rig_clock_now(&clock);
}

static void hear_hosts(struct job *job, int64_t now_ns)
{
    char bytes[1024];
    size_t size;
    if (simulate_port_look(&job->axis))
        sim_axis_power_cycle(job->bench, now_ns);
    simulate_port_look(&job->board);
    if (job->axis.open && (size = simulate_port_read(&job->axis, bytes, sizeof bytes)))
        sim_axis_hears(job->bench, bytes, size, now_ns);
    if (job->board.open && (size = simulate_port_read(&job->board, bytes, sizeof bytes)))
        sim_board_hears(job->bench, bytes, size, now_ns);
}

static void tell_hosts(struct job *job, int64_t now_ns, int64_t due_ns)
{
    char bytes[SIMULATE_PENDING];
    size_t size;
    while ((size = sim_axis_says(job->bench, bytes, sizeof bytes, now_ns)))
        simulate_port_write(&job->axis, bytes, size);
    while ((size = sim_board_says(job->bench, bytes, sizeof bytes, now_ns))) {
        simulate_port_write(&job->board, bytes, size);
        double late_s = rig_ns_to_s(now_ns - due_ns);
        job->writes++;
        job->late_sum_s += late_s;
        job->late_most_s = fmax(job->late_most_s, late_s);
    }
}

/* Until the bench has something to say, a host has, or a signal has come. */
static void wait_until(const struct job *job, int64_t wait_ns, const sigset_t *mask)
{
    static const int64_t LOOK_NS = 5000000; /* a port that is closed can only be looked at */
    fd_set readable;
    int top = 0;
    FD_ZERO(&readable);
    const struct simulate_port *ports[] = {&job->axis, &job->board};
    for (size_t i = 0; i < 2; i++) {
        if (ports[i]->open && ports[i]->fd < FD_SETSIZE) {
            FD_SET(ports[i]->fd, &readable);
            top = ports[i]->fd >= top ? ports[i]->fd + 1 : top;
        } else if (wait_ns > LOOK_NS) {
            wait_ns = LOOK_NS;
        }
    }
    if (wait_ns < 0)
        wait_ns = 0;
    struct timespec timeout = {.tv_sec = wait_ns / 1000000000, .tv_nsec = wait_ns % 1000000000};
    pselect(top, &readable, NULL, NULL, &timeout, mask);
}

static void run(struct job *job, const sigset_t *mask)
{
    int64_t start_ns = host_ns(), due_ns = 0;
    while (!stop_asked) {
        int64_t now_ns = host_ns() - start_ns;
        if (rig_ns_to_s(now_ns) >= job->time_s)
            break;
        hear_hosts(job, now_ns);
        tell_hosts(job, now_ns, due_ns < now_ns ? due_ns : now_ns);
        due_ns = sim_next_ns(job->bench);
        wait_until(job, due_ns - (host_ns() - start_ns), mask);
    }
}

static int run_ports(struct job *job, const struct options *options, struct rig_err *err)
{
    job->bench = sim_open(&job->truth, &job->rig, job->seed, err);
    if (!job->bench)
        return err->code;
    int code = make_ports(job, options->links, err);
    if (code)
        return code;
    /* Signals are let in only while waiting: none can slip in between test and wait. */
    sigset_t blocked, before;
    struct sigaction action = {.sa_handler = ask_to_stop};
    sigemptyset(&blocked);
    sigaddset(&blocked, SIGINT);
    sigaddset(&blocked, SIGTERM);
    sigaddset(&blocked, SIGHUP);
    sigprocmask(SIG_BLOCK, &blocked, &before);
    sigaction(SIGINT, &action, NULL);
    sigaction(SIGTERM, &action, NULL);
    sigaction(SIGHUP, &action, NULL);
    printf("simulated bench, all data invented: %s\n  axis   %s -> %s\n  board  %s -> %s\n",
           options->bench, job->axis.link, job->axis.device, job->board.link, job->board.device);
    puts(isfinite(job->time_s) ? "until its time is up, or Ctrl-C" : "until Ctrl-C");
    fflush(stdout);
    sigset_t waiting = before;
    sigdelset(&waiting, SIGINT);
    sigdelset(&waiting, SIGTERM);
    sigdelset(&waiting, SIGHUP);
    run(job, &waiting);
    struct sim_tally tally = sim_tally(job->bench);
    printf("ended: %llu lines taken by the axis, %llu asked for again, %llu bytes overran the "
           "buffer;\n  %llu lines of the board (%.3f ms late on average, %.3f ms at most), %llu "
           "lost for want of a reader\n",
           (unsigned long long)tally.lines_taken, (unsigned long long)tally.lines_refused,
           (unsigned long long)tally.overruns, (unsigned long long)tally.board_lines,
           job->writes ? 1e3 * job->late_sum_s / (double)job->writes : 0, 1e3 * job->late_most_s,
           (unsigned long long)job->axis.lost_lines + (unsigned long long)job->board.lost_lines);
    sigprocmask(SIG_SETMASK, &before, NULL);
    return 0;
}

int command_simulate(int argc, char **argv)
{
    struct options options = {0};
    for (int i = 1; i < argc; i++)
        if (strcmp(argv[i], "--help") == 0) {
            fputs(help, stdout);
            return 0;
        }
    int status = read_options(argc, argv, &options);
    if (status)
        return status;
    struct rig_err err = {0};
    struct units *units = units_open(&err);
    if (!units)
        return command_error(&err);
    struct job *job = calloc(1, sizeof *job);
    if (!job) {
        units_close(units);
        rig_fail_memory(&err, "the simulated bench");
        return command_error(&err);
    }
    job->axis.fd = job->board.fd = -1;
    int code = 0;
    status = read_numbers(argv[0], &options, job, units);
    if (!status) {
        code = read_files(&options, job, units, &err);
        if (!code && options.truth)
            code = write_truth(job, options.truth, &err);
        if (!code && options.tell)
            code = write_truth(job, options.tell, &err);
        if (!code && !options.tell && options.links)
            code = run_ports(job, &options, &err);
    }
    simulate_port_close(&job->axis);
    simulate_port_close(&job->board);
    if (job->made_folder && options.links)
        rmdir(options.links); /* stays if somebody put something in */
    sim_close(job->bench);
    free(job);
    units_close(units);
    return code ? command_error(&err) : status;
}
