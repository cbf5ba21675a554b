/* SPDX-License-Identifier: GPL-3.0-or-later
 * 'wetsweep simulate' as a process of its own: lines at their rate, a controller that
 * answers, a reader who doesn't read, and the end. */
#include "check.h"

#include <fcntl.h>
#include <math.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/prctl.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

struct process {
    pid_t pid;
    char folder[64], links[96], bench[96], said[96];
    int axis, board;
};

static double now_s(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (double)now.tv_sec + 1e-9 * (double)now.tv_nsec;
}

static void pause_s(double seconds)
{
    double until = now_s() + seconds;
    while (now_s() < until)
        poll(NULL, 0, 1);
}

static int open_port(const char *links, const char *name)
{
    char path[160];
    snprintf(path, sizeof path, "%s/%s", links, name);
    double end = now_s() + 10;
    int fd = -1;
    while (fd < 0 && now_s() < end) {
        fd = open(path, O_RDWR | O_NOCTTY | O_NONBLOCK);
        if (fd < 0)
            poll(NULL, 0, 5);
    }
    assert_true(fd >= 0);
    struct termios terms;
    assert_int_equal(tcgetattr(fd, &terms), 0);
    cfmakeraw(&terms);
    assert_int_equal(tcsetattr(fd, TCSANOW, &terms), 0);
    return fd;
}

/* With the shipped bench, or with one written into its own folder. */
static void begin(struct process *process, const char *bench)
{
    memset(process, 0, sizeof *process);
    snprintf(process->folder, sizeof process->folder, "/tmp/wetsweep-simulate-XXXXXX");
    assert_non_null(mkdtemp(process->folder));
    snprintf(process->links, sizeof process->links, "%s/ports", process->folder);
    snprintf(process->said, sizeof process->said, "%s/said", process->folder);
    snprintf(process->bench, sizeof process->bench, "%s/t.bench", process->folder);
    FILE *file = fopen(process->bench, "w");
    assert_non_null(file);
    fputs(bench, file);
    fclose(file);
    const char *program = getenv("WETSWEEP"), *source = getenv("WETSWEEP_SOURCE");
    assert_non_null(program);
    assert_non_null(source);
    char rig[4096];
    snprintf(rig, sizeof rig, "%s/profiles/bench.rig", source);
    process->pid = fork();
    assert_true(process->pid >= 0);
    if (process->pid == 0) {
        prctl(PR_SET_PDEATHSIG, SIGKILL); /* a failed test leaves no bench behind */
        if (!freopen(process->said, "w", stdout))
            _exit(97);
        execl(program, "wetsweep", "simulate", "--bench", process->bench, "--rig", rig, "--links",
              process->links, (char *)NULL);
        _exit(98);
    }
    process->axis = process->board = -1;
}

/* Ends it; returns what it said, freed by the caller. The links must be gone. */
static char *end(struct process *process)
{
    int status;
    if (process->axis >= 0)
        close(process->axis);
    if (process->board >= 0)
        close(process->board);
    assert_int_equal(kill(process->pid, SIGTERM), 0);
    assert_int_equal(waitpid(process->pid, &status, 0), process->pid);
    assert_true(WIFEXITED(status));
    assert_int_equal(WEXITSTATUS(status), 0);
    struct stat found;
    assert_int_equal(lstat(process->links, &found), -1);
    char *said = calloc(1, 4096);
    assert_non_null(said);
    FILE *file = fopen(process->said, "r");
    assert_non_null(file);
    size_t size = fread(said, 1, 4095, file);
    said[size] = 0;
    fclose(file);
    unlink(process->said);
    unlink(process->bench);
    rmdir(process->folder);
    return said;
}

static size_t take(int fd, char *bytes, size_t room)
{
    ssize_t size = read(fd, bytes, room);
    return size > 0 ? (size_t)size : 0;
}

/* Waits until the axis has said `what`, which it returns in `text`, all of it. */
static void hear(int fd, const char *what, char *text, size_t room, double most_s)
{
    size_t size = 0;
    double until = now_s() + most_s;
    text[0] = 0;
    while (!strstr(text, what) && now_s() < until && size < room - 1) {
        struct pollfd poller = {.fd = fd, .events = POLLIN};
        poll(&poller, 1, 50);
        size += take(fd, text + size, room - 1 - size);
        text[size] = 0;
    }
    if (!strstr(text, what))
        fail_msg("not heard: '%s'; heard:\n%s", what, text);
}

static void say(int fd, const char *line)
{
    assert_int_equal(write(fd, line, strlen(line)), (ssize_t)strlen(line));
}

static void test_lines_at_their_rate(void **state)
{
    (void)state;
    struct process process;
    begin(&process, "board\n  line every 10 ms\nend\n");
    process.board = open_port(process.links, "board");
    char bytes[4096], line[4096] = "";
    size_t size = 0, rows = 0, filled = 0;
    double clocks[512], at[512], until = now_s() + 4;
    while (now_s() < until && rows < 400) {
        struct pollfd poller = {.fd = process.board, .events = POLLIN};
        poll(&poller, 1, 100);
        double arrived = now_s();
        size = take(process.board, bytes, sizeof bytes);
        for (size_t i = 0; i < size && rows < 400; i++) {
            if (bytes[i] != '\n') {
                if (filled < sizeof line - 1)
                    line[filled++] = bytes[i];
                continue;
            }
            line[filled] = 0;
            filled = 0;
            int columns = 1;
            for (const char *c = line; *c; c++)
                columns += *c == ',';
            assert_int_equal(columns, 5);
            assert_int_equal(line[strlen(line) - 1], '\r');
            clocks[rows] = strtod(line, NULL) * 1e-3;
            at[rows++] = arrived;
        }
    }
    /* 100 lines a second and none left out, each at its own time. */
    assert_true(rows > 100);
    for (size_t i = 1; i < rows; i++)
        assert_near(clocks[i] - clocks[i - 1], 0.01, 1e-9, "s");
    /* At their own time and not in bursts, which a clock that keeps pace and arrivals that
     * are many tell apart on a busy machine too; how punctual lines are is for a benchmark. */
    double paced = clocks[rows - 1] - clocks[0], took = at[rows - 1] - at[0];
    size_t arrivals = 1;
    for (size_t i = 1; i < rows; i++)
        arrivals += at[i] > at[i - 1];
    assert_near(paced, took, 0.5, "s");
    assert_true(arrivals > rows / 8);
    char *said = end(&process);
    assert_contains(said, "/ports/board -> /dev/");
    assert_contains(said, " 0 lost");
    free(said);
}

static void test_homing_and_moving(void **state)
{
    (void)state;
    struct process process;
    /* slow enough that a busy notice comes */
    begin(&process, "axis\n  home at 0 mm, speed 8 mm/s\nend\n");
    process.axis = open_port(process.links, "axis");
    char text[4096];
    hear(process.axis, "start\n", text, sizeof text, 2);
    double began = now_s();
    say(process.axis, "G28\n");
    hear(process.axis, "ok\n", text, sizeof text, 20);
    assert_contains(text, "busy");
    /* 16.4 mm and 2 mm at 8 mm/s, 2 mm at 1.6 mm/s */
    assert_near(now_s() - began, 16.4 / 8 + 2.0 / 8 + 2 / 1.6, 0.3, "s");
    began = now_s();
    say(process.axis, "G1 Z20 F2400\nM400\nM114\n");
    hear(process.axis, "ok\nok\nX:0.00 Y:0.00 Z:20.00\nok\n", text, sizeof text, 5);
    assert_near(now_s() - began, 20.0 / 40 + 40.0 / 900, 0.2, "s");
    /* opening the port anew restarts the controller, which forgets where it is */
    close(process.axis);
    pause_s(0.1);
    process.axis = open_port(process.links, "axis");
    hear(process.axis, "start\n", text, sizeof text, 2);
    say(process.axis, "M114\n");
    hear(process.axis, "Z:0.00\n", text, sizeof text, 2);
    free(end(&process));
}

/* A port that is open and not read: the axis goes on, lines are lost and counted, those
 * that come are whole. */
static void test_reader_who_does_not_read(void **state)
{
    (void)state;
    struct process process;
    begin(&process, "board\n  line every 1 ms\nend\n");
    process.board = open_port(process.links, "board");
    process.axis = open_port(process.links, "axis");
    char text[4096], bytes[65536];
    pause_s(2);
    hear(process.axis, "start\n", text, sizeof text, 2);
    say(process.axis, "M114\n");
    hear(process.axis, "ok\n", text, sizeof text, 2);
    size_t size = 0;
    double until = now_s() + 0.5;
    while (now_s() < until && size < sizeof bytes - 1) {
        size += take(process.board, bytes + size, sizeof bytes - 1 - size);
        poll(NULL, 0, 1);
    }
    bytes[size] = 0;
    double last = -1, widest = 0;
    size_t rows = 0;
    for (char *line = bytes, *stop; (stop = strchr(line, '\n')); line = stop + 1) {
        int columns = 1;
        for (const char *c = line; c < stop; c++)
            columns += *c == ',';
        assert_int_equal(columns, 5);
        double clock = strtod(line, NULL);
        assert_true(clock > last);
        if (last >= 0)
            widest = fmax(widest, clock - last);
        last = clock;
        rows++;
    }
    assert_true(rows > 500);
    assert_true(widest > 500); /* one hole, in ms, where nobody read */
    char *said = end(&process);
    const char *lost = strstr(said, "at most), ");
    assert_non_null(lost);
    assert_true(strtol(lost + strlen("at most), "), NULL, 10) > 500);
    free(said);
}

static void test_wrong_use(void **state)
{
    (void)state;
    const char *source = getenv("WETSWEEP_SOURCE");
    assert_non_null(source);
    static const struct {
        const char *arguments, *says;
        int status;
    } cases[] = {
        {"simulate", "--bench is missing", 2},
        {"simulate --bench B --rig R", "--links is missing", 2},
        {"simulate --bench B --bench C", "given twice", 2},
        {"simulate --bnech B", "did you mean '--bench'", 2},
        {"simulate --bench", "needs a value", 2},
        {"simulate --bench B --rig R --links L --for 9", "has no unit", 2},
        {"simulate --bench B --rig R --links L --for 'x s'", "not a time", 2},
        {"simulate --bench B --rig R --links L --for '9 mm'", "--for '9 mm'", 2},
        {"simulate --bench B --rig R --links L --seed -1", "whole number", 2},
        {"simulate --bench /nowhere/b.bench --rig R --links L", "/nowhere/b.bench", 2},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        char *errors;
        int status = run_program(cases[i].arguments, NULL, &errors);
        assert_contains(errors, cases[i].says);
        assert_int_equal(status, cases[i].status);
        free(errors);
    }
    char *output;
    assert_int_equal(run_program("simulate --help", &output, NULL), 0);
    assert_contains(output, "example: wetsweep simulate");
    free(output);

    /* a name that is taken is left alone; a link that leads nowhere is not */
    char folder[] = "/tmp/wetsweep-simulate-XXXXXX", path[64], arguments[9000], *errors;
    assert_non_null(mkdtemp(folder));
    snprintf(path, sizeof path, "%s/axis", folder);
    snprintf(arguments, sizeof arguments,
             "simulate --bench '%s/profiles/harbour-b-bare.bench' --rig '%s/profiles/bench.rig' "
             "--links '%s' --for 50ms",
             source, source, folder);
    assert_int_equal(symlink("/nowhere", path), 0);
    int status = run_program(arguments, NULL, &errors);
    assert_string_equal(errors, "");
    assert_int_equal(status, 0);
    free(errors);
    FILE *file = fopen(path, "w");
    assert_non_null(file);
    fclose(file);
    status = run_program(arguments, NULL, &errors);
    assert_contains(errors, "is there already");
    assert_int_equal(status, 2);
    free(errors);
    assert_int_equal(unlink(path), 0);
    assert_int_equal(rmdir(folder), 0); /* and nothing else is left behind */
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_lines_at_their_rate),
        cmocka_unit_test(test_homing_and_moving),
        cmocka_unit_test(test_reader_who_does_not_read),
        cmocka_unit_test(test_wrong_use),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
