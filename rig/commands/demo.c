/* SPDX-License-Identifier: GPL-3.0-or-later
 * wetsweep demo: the whole job on the simulated bench, by the commands that a user
 * would type. Each is shown before it runs; the simulated truth is printed beside
 * the results only after the fit, which never sees it. */
#include "commands.h"
#include "demo_truth.h"

#include "base/err.h"

#include <errno.h>
#include <signal.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

static const char usage[] =
    "usage: wetsweep demo [--out FOLDER]\n"
    "\n"
    "Runs the whole job on the simulated bench: plan, a short run in real time over\n"
    "pseudo-terminals, a longer one in simulated time, the fit, and a table of each result\n"
    "beside the simulated truth. The board and its data are invented.\n"
    "\n"
    "  --out FOLDER   where recordings and reports go (default: out)\n"
    "\n"
    "example: wetsweep demo --out out\n";

static void show(char *const arguments[])
{
    printf("\n$ wetsweep");
    for (size_t i = 1; arguments[i]; i++) {
        const char *argument = arguments[i];
        size_t prefix = strlen(WETSWEEP_PROFILES);
        bool shipped = strncmp(argument, WETSWEEP_PROFILES, prefix) == 0;
        printf(strchr(argument, ' ') ? " \"%s%s\"" : " %s%s", shipped ? "profiles" : "",
               shipped ? argument + prefix : argument);
    }
    printf("\n");
    fflush(stdout);
}

static pid_t start(char *const arguments[])
{
    fflush(NULL);
    pid_t child = fork();
    if (child == 0) {
        execv("/proc/self/exe", arguments);
        _exit(127);
    }
    return child;
}

static int finish(pid_t child)
{
    int status;
    while (waitpid(child, &status, 0) < 0)
        if (errno != EINTR)
            return 1;
    return WIFEXITED(status) ? WEXITSTATUS(status) : 1;
}

/* Runs one subcommand, shown first; arguments end with NULL. */
static int run(char *const arguments[])
{
    show(arguments);
    pid_t child = start(arguments);
    return child < 0 ? 1 : finish(child);
}

static bool wait_for(const char *path)
{
    struct stat found;
    struct timespec pause = {.tv_nsec = 50 * 1000 * 1000};
    for (int tries = 0; tries < 100; tries++) {
        if (lstat(path, &found) == 0)
            return true;
        nanosleep(&pause, NULL);
    }
    return false;
}

static int wire_part(char *rig, char *bench, char *profile, char *links, char *recording)
{
    char *simulate[] = {"wetsweep", "simulate", "--bench", bench, "--rig",
                        rig,        "--links",  links,     NULL};
    show(simulate);
    pid_t bench_process = start(simulate);
    if (bench_process < 0)
        return 1;
    char port[8192];
    snprintf(port, sizeof port, "%s/board", links);
    int status = 1;
    if (wait_for(port)) {
        char *arguments[] = {"wetsweep", "run",     profile,     "--rig",      rig, "--ports",
                             links,      "--board", "WS-B-0007", "--revision", "B", "--coating",
                             "none",     "--out",   recording,   NULL};
        status = run(arguments);
    } else {
        fprintf(stderr, "wetsweep: the simulated bench made no ports in %s\n", links);
    }
    kill(bench_process, SIGTERM);
    finish(bench_process);
    return status;
}

static int make_folder(const char *out, char folder[2048])
{
    struct rig_err err;
    if (mkdir(out, 0777) < 0 && errno != EEXIST) {
        rig_fail_os(&err, errno, "folder %s can't be made", out);
    } else {
        snprintf(folder, 2048, "%s/demo-XXXXXX", out);
        if (mkdtemp(folder))
            return 0;
        rig_fail_os(&err, errno, "a folder in %s can't be made", out);
    }
    fprintf(stderr, "wetsweep: %s\n", err.text);
    return 1;
}

static int whole_job(const char *folder)
{
    static char rig[] = WETSWEEP_PROFILES "/bench.rig";
    static char bench[] = WETSWEEP_PROFILES "/harbour-b-bare.bench";
    static char profile[] = WETSWEEP_PROFILES "/first-dip.profile";
    static char wire_profile[] = WETSWEEP_PROFILES "/wire-check.profile";
    char wire[4096], dip[4096], links[4096], truth[4096], results[8192], picture[4096];
    snprintf(wire, sizeof wire, "%s/wire.recording", folder);
    snprintf(dip, sizeof dip, "%s/first-dip.recording", folder);
    snprintf(links, sizeof links, "%s/ports", folder);
    snprintf(truth, sizeof truth, "%s/truth.json", folder);
    snprintf(results, sizeof results, "%s/results.json", dip);
    snprintf(picture, sizeof picture, "%s/plan.svg", folder);

    puts("wetsweep demonstrates the whole job on a simulated bench: a hydraulics lab's model\n"
         "harbour basin and an invented wave-staff board, revision B, bare.");
    char *plan[] = {"wetsweep", "plan", profile, "--rig", rig, "--picture", picture, NULL};
    if (run(plan))
        return 1;
    puts("\nA short run in real time, over pseudo-terminals, against a bench in a process of\n"
         "its own:");
    if (wire_part(rig, bench, wire_profile, links, wire))
        return 1;
    puts("\nThe whole profile in simulated time:");
    char *dip_run[] = {
        "wetsweep", "run",       profile,   "--rig",     rig,
        "--bench",  bench,       "--board", "WS-B-0007", "--revision",
        "B",        "--coating", "none",    "--note",    "demonstration, invented data",
        "--out",    dip,         NULL};
    char *fit[] = {"wetsweep", "fit", dip, NULL};
    char *tell[] = {"wetsweep", "simulate", "--bench", bench, "--rig", rig, "--tell", truth, NULL};
    if (run(dip_run) || run(fit) || run(tell))
        return 1;
    puts("\nWhat the fit found, beside the truth that the simulated bench was given:");
    int missed = demo_compare(results, truth);
    printf("\nReport:      %s/report.html\nPlan:        %s\nRecordings:  %s\n", dip, picture,
           folder);
    return missed < 0;
}

int command_demo(int argc, char **argv)
{
    const char *out = "out";
    for (int i = 1; i < argc; i++) {
        if (strcmp(argv[i], "--help") == 0) {
            fputs(usage, stdout);
            return 0;
        }
        if (strcmp(argv[i], "--out") == 0 && i + 1 < argc) {
            out = argv[++i];
            continue;
        }
        fprintf(stderr, "wetsweep: demo: '%s' is not known; see wetsweep demo --help\n", argv[i]);
        return 2;
    }
    char folder[2048];
    return make_folder(out, folder) ? 1 : whole_job(folder);
}
