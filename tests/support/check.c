/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "check.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <unistd.h>

void check_near(double actual, double expected, double tolerance, const char *what,
                const char *unit, const char *file, int line)
{
    if (isnan(actual) && isnan(expected))
        return;
    if (fabs(actual - expected) <= tolerance)
        return;
    print_error("%s = %.15g %s, expected %.15g within %.3g (off by %.3g)\n", what, actual, unit,
                expected, tolerance, actual - expected);
    _fail(file, line);
}

void check_digits(double actual, double expected, double digits, const char *what, const char *file,
                  int line)
{
    double scale = expected == 0 ? 1 : fabs(expected);
    double relative = fabs(actual - expected) / scale;
    if (relative == 0 || -log10(relative) >= digits)
        return;
    print_error("%s = %.15g, expected %.15g: %.1f matching digits, %.1f wanted\n", what, actual,
                expected, -log10(relative), digits);
    _fail(file, line);
}

void check_contains(const char *text, const char *part, const char *file, int line)
{
    if (text && strstr(text, part))
        return;
    print_error("'%s' is not in:\n%s\n", part, text ? text : "(null)");
    _fail(file, line);
}

const char *reference_path(const char *name)
{
    static char path[4096];
    const char *folder = getenv("WETSWEEP_TEST_DATA");
    snprintf(path, sizeof path, "%s/%s", folder ? folder : "tests/reference", name);
    return path;
}

static char *slurp(const char *path)
{
    FILE *file = fopen(path, "rb");
    if (!file)
        return NULL;
    size_t size = 0, room = 1 << 16;
    char *bytes = malloc(room);
    while (bytes) {
        size += fread(bytes + size, 1, room - 1 - size, file);
        if (size < room - 1)
            break;
        room *= 2;
        char *larger = realloc(bytes, room);
        if (!larger)
            free(bytes);
        bytes = larger;
    }
    fclose(file);
    if (bytes)
        bytes[size] = 0;
    return bytes;
}

int run_program(const char *arguments, char **output, char **errors)
{
    char out[] = "/tmp/wetsweep-out-XXXXXX", err[] = "/tmp/wetsweep-err-XXXXXX";
    int out_fd = mkstemp(out), err_fd = mkstemp(err);
    assert_true(out_fd >= 0 && err_fd >= 0);
    close(out_fd);
    close(err_fd);
    const char *program = getenv("WETSWEEP");
    assert_non_null(program);
    size_t room = strlen(program) + strlen(arguments) + 128;
    char *command = malloc(room);
    assert_non_null(command);
    snprintf(command, room, "'%s' %s >%s 2>%s </dev/null", program, arguments, out, err);
    int status = system(command);
    free(command);
    char *said = slurp(out), *complained = slurp(err);
    unlink(out);
    unlink(err);
    assert_non_null(said);
    assert_non_null(complained);
    if (output)
        *output = said;
    else
        free(said);
    if (errors)
        *errors = complained;
    else
        free(complained);
    return WIFEXITED(status) ? WEXITSTATUS(status) : 128 + WTERMSIG(status);
}
