/* SPDX-License-Identifier: GPL-3.0-or-later
 * wetsweep demo: the whole job on the simulated bench, by the commands that a user
 * would type. Each is shown before it runs; the simulated truth is printed beside
 * the results only after the fit, which never sees it. */
#include "commands.h"
#include "demo_truth.h"

#include "base/err.h"

#include <errno.h>
#include <fcntl.h>
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
    "pseudo-terminals; a board bare and coated in simulated time, fitted and compared; a curve\n"
    "for three boards of the revision, and its table for the firmware; a verdict. Each result\n"
    "stands beside the simulated truth. Boards and data are invented.\n"
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

/* The same with its standard output in a file, and not shown. */
static pid_t start_into(char *const arguments[], const char *path)
{
    fflush(NULL);
    pid_t child = fork();
    if (child == 0) {
        int fd = open(path, O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, 0666);
        if (fd < 0 || dup2(fd, STDOUT_FILENO) < 0)
            _exit(127);
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

static char rig[] = WETSWEEP_PROFILES "/bench.rig";
static char bare[] = WETSWEEP_PROFILES "/harbour-b-bare.bench";
static char coated[] = WETSWEEP_PROFILES "/harbour-b-coated.bench";
static char first_dip[] = WETSWEEP_PROFILES "/first-dip.profile";
static char note[] = "demonstration, invented data";

/* A path in the demonstration's folder; eight are kept at a time. */
static char *in(const char *folder, const char *name)
{
    static char paths[8][4096];
    static size_t next;
    char *path = paths[next++ % 8];
    snprintf(path, sizeof paths[0], "%s/%s", folder, name);
    return path;
}

static int quietly(char *const arguments[], const char *path)
{
    pid_t child = start_into(arguments, path);
    return child < 0 ? 1 : finish(child);
}

/* A run in simulated time, and its fit. */
static int measure(char *profile, char *bench, char *board, char *coating, char *seed,
                   char *recording, bool tell)
{
    char *run_it[] = {"wetsweep", "run",       profile,   "--rig",   rig,   "--bench",
                      bench,      "--seed",    seed,      "--board", board, "--revision",
                      "B",        "--coating", coating,   "--note",  note,  "--water-temperature",
                      "20 degC",  "--out",     recording, NULL};
    char *fit[] = {"wetsweep", "fit", recording, NULL};
    if (tell)
        return run(run_it) || run(fit);
    show(run_it);
    if (quietly(run_it, "/dev/null"))
        return 1;
    show(fit);
    return quietly(fit, "/dev/null");
}

static int truth_of(char *bench, char *truth)
{
    char *tell[] = {"wetsweep", "simulate", "--bench", bench, "--rig", rig, "--tell", truth, NULL};
    return quietly(tell, "/dev/null");
}

/* One board from its box to its first curve. */
static int one_board(const char *folder)
{
    static char wire_profile[] = WETSWEEP_PROFILES "/wire-check.profile";
    char *picture = in(folder, "plan.svg"), *dip = in(folder, "bare.recording");
    char *truth = in(folder, "bare-truth.json");
    char *plan[] = {"wetsweep", "plan", first_dip, "--rig", rig, "--picture", picture, NULL};
    if (run(plan))
        return 1;
    puts("\nA short run in real time, over pseudo-terminals, against a bench in a process of\n"
         "its own:");
    if (wire_part(rig, bare, wire_profile, in(folder, "ports"), in(folder, "wire.recording")))
        return 1;
    puts("\nA whole profile in simulated time:");
    if (measure(first_dip, bare, "WS-B-0007", "none", "1", dip, true) || truth_of(bare, truth))
        return 1;
    puts("\nWhat the fit found, beside the truth that the simulated bench was given:");
    return demo_compare(in(folder, "bare.recording/results.json"), truth) < 0;
}

/* The same board, coated. */
static int before_and_after(const char *folder)
{
    char *before = in(folder, "bare.recording"), *after = in(folder, "coated.recording");
    char *page = in(folder, "comparison.html"), *json = in(folder, "comparison.json");
    char *truth = in(folder, "coated-truth.json");
    puts("\nDid the coating help? The same board again, with a thin water-repellent film:");
    char *compare[] = {"wetsweep", "compare", after, "--against", before, "--out", page, NULL};
    char *again[] = {"wetsweep", "compare", after,    "--against", before,
                     "--out",    page,      "--json", NULL};
    if (measure(first_dip, coated, "WS-B-0007", "film", "2", after, false) || run(compare) ||
        quietly(again, json) || truth_of(coated, truth))
        return 1;
    puts("\nThe differences, beside those of the benches:");
    return demo_changes(json, in(folder, "bare-truth.json"), truth) < 0;
}

/* Three boards of the revision. */
static int one_curve(const char *folder)
{
    static char calibration[] = WETSWEEP_PROFILES "/calibration.profile";
    static char second[] = WETSWEEP_PROFILES "/harbour-b-second.bench";
    static char third[] = WETSWEEP_PROFILES "/harbour-b-third.bench";
    static char *const benches[] = {bare, second, third};
    static char *const boards[] = {"WS-B-0007", "WS-B-0008", "WS-B-0009"};
    static char *const seeds[] = {"11", "12", "13"};
    static const char *const names[] = {"stairs-1.recording", "stairs-2.recording",
                                        "stairs-3.recording"};
    static const char *const truths[] = {"board-1.json", "board-2.json", "board-3.json"};
    char *paths[3], *told[3];
    puts("\nWhat curve goes into the firmware of revision B, and does one do for all its boards?");
    for (int i = 0; i < 3; i++) {
        if (measure(calibration, benches[i], boards[i], "none", seeds[i], in(folder, names[i]),
                    false) ||
            truth_of(benches[i], in(folder, truths[i])))
            return 1;
    }
    for (int i = 0; i < 3; i++)
        paths[i] = in(folder, names[i]);
    char *page = in(folder, "revision.html"), *json = in(folder, "revision.json"),
         *out = in(folder, "");
    char *curve[] = {"wetsweep", "curve", paths[0], paths[1], paths[2], "--page", page, NULL};
    char *firmware[] = {"wetsweep", "curve",   paths[0], paths[1], paths[2], "--as",
                        "c",        "--error", "0.5 mm", "--out",  out,      NULL};
    char *again[] = {"wetsweep", "curve", paths[0], paths[1], paths[2], "--json", NULL};
    if (run(curve) || run(firmware) || quietly(again, json))
        return 1;
    for (int i = 0; i < 3; i++)
        told[i] = in(folder, truths[i]);
    puts("\nThe curve, beside the mean of the three true ones:");
    return demo_revision(json, (const char *const *)told, 3) < 0;
}

static int verdict(const char *folder)
{
    static char dip[] = WETSWEEP_PROFILES "/production-dip.profile";
    static char limits[] = WETSWEEP_PROFILES "/production-b.limits";
    char *recording = in(folder, "production.recording");
    char *judge[] = {"wetsweep", "judge", recording, "--limits", limits, NULL};
    puts("\nDoes a board from the line pass? A dip of a minute, and a verdict:");
    return measure(dip, coated, "WS-B-0100", "film", "21", recording, false) || run(judge);
}

static int whole_job(const char *folder)
{
    puts("wetsweep demonstrates the whole job on a simulated bench: a hydraulics lab's model\n"
         "harbour basin and invented wave-staff boards of revision B.");
    if (one_board(folder) || before_and_after(folder) || one_curve(folder) || verdict(folder))
        return 1;
    printf("\nReport:      %s/bare.recording/report.html\nComparison:  %s/comparison.html\n"
           "Revision:    %s/revision.html\nPlan:        %s/plan.svg\nLedger:      wetsweep ledger "
           "list --ledger %s/wetsweep.ledger\n",
           folder, folder, folder, folder, folder);
    return 0;
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
